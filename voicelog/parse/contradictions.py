"""When two events of one breath cannot both be meant."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from voicelog.events import Assessment, Event, Medication, Patient, VitalSign, event_fields
from voicelog.parse.result import Draft, Question

_SINGLE_FINDINGS = {"responsiveness", "glasgow_coma_scale", "pupils"}
"""Findings of which there is one at a time; skin, sounds and others may be several."""
_SEVERAL = {"history", "complaint", "allergy"}
"""What a patient may have more than one of."""


def settled(drafts: Sequence[Draft]) -> tuple[list[Draft], list[Question]]:
    """The drafts of one breath without those that contradict each other, and a question for each pair of them.

    Acts are done twice and findings may be several; a sign, a score or the dose of one drug has one value at a time.
    Such a value said twice is one entry: the crew repeats itself to be heard.
    """
    first: dict[Hashable, Draft] = {}
    dropped: set[int] = set()
    questions = []
    for draft in drafts:
        thing = _thing(draft.event)
        if thing is None:
            continue
        other = first.setdefault(thing, draft)
        field = "" if other is draft else _contradicted(other.event, draft.event)
        if field:
            values = f"{getattr(other.event, field)} or {getattr(draft.event, field)}"
            text = f"{field.replace('_', ' ')}: {values}? Say it again."
            questions.append(Question(field, text, contradicts=True))
            dropped |= {id(other), id(draft)}
        elif other is not draft and event_fields(other.event) == event_fields(draft.event):
            dropped.add(id(draft))
    return [draft for draft in drafts if id(draft) not in dropped], questions


def _thing(event: Event) -> Hashable | None:
    """What an event gives a value to, where it can only have one; else None."""
    match event:
        case VitalSign():
            return event.sign
        case Assessment() if event.finding in _SINGLE_FINDINGS:
            return event.finding
        case Medication():
            # The same act with the same drug, twice in a breath: which dose counts is not to be guessed.
            return (event.drug, event.action)
        case Patient():
            return "patient"
        case _:
            return None


def _contradicted(one: Event, other: Event) -> str:
    """The field for which two events about the same thing cannot both stand, or ''."""
    first, second = event_fields(one), event_fields(other)
    both = [name for name in first if name in second and name not in _SEVERAL]
    if isinstance(one, Medication):
        return next((name for name in both if name in {"dose", "volume_ml", "route"}), "drug")
    return next((name for name in both if first[name] != second[name]), "")
