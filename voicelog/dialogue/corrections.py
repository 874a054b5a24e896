"""What a correction or an answer refers to, and the entry it makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from voicelog.dialogue.state import Standing
from voicelog.events import Event, Medication, VitalSign
from voicelog.grammar.model import Drug
from voicelog.parse.drafts import completed
from voicelog.parse.result import Draft, ParseResult, Question

# The plausible span of each sign, so that a bare corrected number is held to what its callout is held to.
# NEMSIS v3.5.1 eVitals limits where narrower than the spoken grammar; see voicelog/grammar/numbers.py for sources.
_SPAN = {
    "heart_rate": (0, 300),
    "respiratory_rate": (0, 300),
    "oxygen_saturation": (0, 100),
    "end_tidal_co2": (0, 150),
    "blood_glucose": (0, 2000),
    "temperature": (10, 115),
    "pain_score": (0, 10),
}


@dataclass(frozen=True)
class Correction:
    """Drafts that replace a standing entry, or None when there is none to replace."""

    target: Standing | None
    drafts: tuple[Draft, ...]


def find_correction(
    standing: Sequence[Standing], result: ParseResult, drugs: Mapping[str, Drug]
) -> Correction | Question:
    """The entry that a spoken correction means, with its corrected event; or what must be asked first.

    A whole callout corrects the newest entry about the same thing. A value alone corrects the newest entry if it fits.
    A callout about something not entered yet is entered as new, flagged, and waits for a confirm.
    """
    if result.questions:
        return result.questions[0]
    if result.drafts:
        first = result.drafts[0]
        target = next((entry for entry in reversed(standing) if _same_thing(entry.event, first.event)), None)
        if target is None:
            return Correction(None, tuple(replace(draft, flags=(*draft.flags, "no_target")) for draft in result.drafts))
        return Correction(target, result.drafts)
    if not result.fragment:
        return Question("value", "Correct it to what?")
    return _corrected_value(standing, result.fragment, drugs)


def _same_thing(old: Event, new: Event) -> bool:
    if old.kind != new.kind:
        return False
    for field in ("sign", "finding", "procedure", "milestone"):
        if getattr(old, field, None) != getattr(new, field, None):
            return False
    if isinstance(old, Medication) and isinstance(new, Medication):
        return old.action == new.action or old.drug == new.drug
    return True


def _corrected_value(
    standing: Sequence[Standing], fragment: Mapping[str, Any], drugs: Mapping[str, Drug]
) -> Correction | Question:
    if not standing:
        return Question("value", "There is nothing to correct.")
    target = standing[-1]
    changes = dict(fragment)
    event = target.event
    if "value" in changes and isinstance(event, Medication):
        changes["dose"] = changes.pop("value")
    fits = (
        (
            "value" in changes
            and isinstance(event, VitalSign)
            and event.value is not None
            and _within(event, changes["value"])
        )
        or ("systolic" in changes and isinstance(event, VitalSign) and event.systolic is not None)
        or (changes.keys() <= {"dose", "unit", "route", "drug"} and isinstance(event, Medication))
    )
    if not fits:
        return Question("value", "That does not fit the last entry. Say the whole callout after correction.")
    values = {**event.model_dump(exclude={"evidence", "heard_at", "occurred_at"}, exclude_none=True), **changes}
    made = completed(values, event.evidence, drugs)
    return made if isinstance(made, Question) else Correction(target, (made,))


def _within(event: VitalSign, value: Decimal) -> bool:
    low, high = _SPAN[event.sign]
    return low <= value <= high


def merged(question: Question | None, result: ParseResult, drugs: Mapping[str, Drug]) -> ParseResult:
    """The result, completed by what an open question kept, when it answers that question.

    Only an amount said alone answers, and only where it repeats nothing that was understood: anything else is a new
    callout and leaves the question open.
    """
    if question is None or question.about not in {"dose", "drug"} or len(result.questions) != 1:
        return result
    answer = result.questions[0]
    kept, said = dict(question.understood), dict(answer.understood)
    kinds = {kept.pop("kind", None), said.pop("kind", None)}
    said_actions = {kept.pop("action", "given"), said.pop("action", "given")}
    if kinds != {"medication"} or len(said_actions) > 1 or kept.keys() & said.keys():
        return result
    made = completed(
        {"kind": "medication", "action": said_actions.pop(), **kept, **said},
        {**question.evidence, **answer.evidence},
        drugs,
    )
    if isinstance(made, Question):
        return result
    return ParseResult("events", result.words, (made,), fragment=result.fragment)
