"""What a correction or an answer refers to, and the entry it makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from voicelog.dialogue.state import Standing
from voicelog.events import Event, Evidence, Medication, Patient, VitalSign, event_fields, event_from
from voicelog.grammar.model import Drug
from voicelog.parse.drafts import completed
from voicelog.parse.result import Draft, ParseResult, Question
from voicelog.recognisers.base import Word

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
_NUMBERS = frozenset({"value", "systolic", "diastolic", "dose"})
"""Fields that a number alone may answer."""
_WHOLE = frozenset({"heart_rate", "respiratory_rate", "oxygen_saturation", "pain_score"})
"""Signs counted in whole numbers."""
_OF_A_DRUG = frozenset(
    {
        *("drug", "dose", "unit", "volume_ml", "concentration", "route", "site", "action"),
        *("lot", "expiry", "appearance", "checked_by", "witness"),
    }
)
"""What a correction may change of a medication without saying all of it."""
_CHECKED_AGAIN = frozenset({"unit_assumed", "unit_unusual", "route_missing", "route_unusual", "dose_above_limit"})
"""Flags that completing an event finds again; every other flag of a corrected entry stays with it."""
_DOES_NOT_FIT = Question("value", "That does not fit the last entry. Say the whole callout after correction.")


@dataclass(frozen=True)
class Replacement:
    """A draft to enter, and the standing entry it replaces, None when it is new."""

    draft: Draft
    target: Standing | None = None


def find_correction(
    standing: Sequence[Standing], result: ParseResult, drugs: Mapping[str, Drug]
) -> tuple[Replacement, ...] | Question:
    """The entries that a spoken correction means, each with its corrected event; or what must be asked first.

    A whole callout corrects the newest entry about the same thing. A value alone corrects the newest entry if it fits.
    A callout about something not entered yet is entered as new, flagged, and waits for a confirm.
    """
    changes, evidence = _parts(result)
    if result.questions and not changes:
        return result.questions[0]
    if result.drafts:
        return _replacements(standing, result.drafts)
    if not changes:
        return Question("value", "Correct it to what?")
    return _corrected_value(standing, changes, evidence, drugs)


def _parts(result: ParseResult) -> tuple[dict[str, Any], dict[str, Evidence]]:
    """The fields said without the rest of a callout, and the words they came from."""
    if result.questions:
        # An amount without its drug, or a drug without its dose: parts of an entry, when they follow "correction".
        question = result.questions[0]
        if result.drafts or len(result.questions) > 1 or question.about not in {"drug", "dose"}:
            return {}, {}
        said = {name: value for name, value in question.understood.items() if name in question.evidence}
        return said, dict(question.evidence)
    changes = dict(result.fragment)
    if result.named_drug:
        changes["drug"] = result.named_drug
    return changes, dict.fromkeys(changes, _words(result.words))


def _words(words: Sequence[Word]) -> Evidence:
    """The whole utterance as evidence, where the parser does not tell which of its words gave which field."""
    starts = [word.start for word in words if word.start is not None]
    ends = [word.end for word in words if word.end is not None]
    return Evidence(
        words=" ".join(word.text for word in words),
        start=Decimal(str(round(min(starts), 3))) if starts else None,
        end=Decimal(str(round(max(ends), 3))) if ends else None,
    )


def _replacements(standing: Sequence[Standing], drafts: Sequence[Draft]) -> tuple[Replacement, ...]:
    found: list[Replacement] = []
    left = list(standing)
    for draft in drafts:
        alike = [(_likeness(entry.event, draft.event), n) for n, entry in enumerate(left)]
        best = max((pair for pair in alike if pair[0]), default=None)
        if best is None:
            found.append(Replacement(replace(draft, flags=(*draft.flags, "no_target"))))
            continue
        target = left.pop(best[1])
        if isinstance(draft.event, Patient):
            draft = replace(draft, event=_patient_with(target.event, draft.event))
        found.append(Replacement(draft, target))
    return tuple(found)


def _likeness(old: Event, new: Event) -> tuple[bool, ...]:
    """How closely two events are about the same thing, comparable; empty when they are not."""
    if old.kind != new.kind:
        return ()
    for field in ("sign", "finding", "procedure", "milestone"):
        if getattr(old, field, None) != getattr(new, field, None):
            return ()
    if isinstance(old, Patient) and not _about_patient(old) & _about_patient(new):
        return ()
    if (
        isinstance(old, Medication)
        and getattr(new, "drug", "") != old.drug
        and getattr(new, "action", "") != old.action
    ):
        return ()
    agree = [getattr(old, field, None) == getattr(new, field, None) for field in ("drug", "action", "side", "site")]
    return (True, *agree)


def _about_patient(event: Event) -> set[str]:
    return event_fields(event).keys() - {"kind", "stated_time", "age_unit"}


def _patient_with(old: Event, new: Event) -> Event:
    """What is known of the patient, with what was said anew; the rest of the old entry still holds."""
    return event_from({**event_fields(old), **event_fields(new), "evidence": {**old.evidence, **new.evidence}})


def _corrected_value(
    standing: Sequence[Standing], said: Mapping[str, Any], evidence: Mapping[str, Evidence], drugs: Mapping[str, Drug]
) -> tuple[Replacement, ...] | Question:
    if not standing:
        return Question("value", "There is nothing to correct.")
    target = standing[-1]
    event = target.event
    changes = dict(said)
    match event:
        case Medication():
            fits = _fits_medication(event, changes)
        case VitalSign():
            fits = _fits_vital_sign(event, changes, drugs)
        case _:
            fits = False
    if not fits:
        return _DOES_NOT_FIT
    kept = event.model_dump(exclude={"evidence", "heard_at", "occurred_at"}, exclude_none=True)
    traces = dict(event.evidence)
    for name in _no_longer_true(event, changes):
        kept.pop(name, None)
        traces.pop(name, None)
    # A bare number becomes a dose or a volume; its words are then the only ones there are.
    traces |= {name: evidence[name] if name in evidence else next(iter(evidence.values())) for name in changes}
    made = completed({**kept, **changes}, traces, drugs)
    if isinstance(made, Question):
        return made
    gone = _CHECKED_AGAIN | ({"drug_assumed"} if "drug" in said else set())
    stay = [flag for flag in target.flags if flag not in gone]
    return (Replacement(replace(made, flags=tuple(dict.fromkeys((*made.flags, *stay)))), target),)


def _no_longer_true(event: Event, changes: Mapping[str, Any]) -> set[str]:
    """Fields of the old event that the change makes void: assumed units are assumed anew."""
    void = set()
    unit = event.evidence.get("unit")
    if isinstance(event, Medication) and unit and not unit.words and changes.keys() & {"dose", "drug"}:
        void.add("unit")
    if "systolic" in changes:
        void.add("palpated")
    return void


def _fits_medication(event: Medication, changes: dict[str, Any]) -> bool:
    """Whether parts of a callout can be put into the entry and leave it whole; names a bare number's field."""
    if "value" in changes:
        changes["dose" if event.dose is not None else "volume_ml"] = changes.pop("value")
    if "volume_ml" in changes and event.volume_ml is None and event.unit == "mL" and "dose" not in changes:
        changes["dose"] = changes.pop("volume_ml")
    if not changes or changes.keys() - _OF_A_DRUG:
        return False
    if "unit" in changes and "dose" not in changes:
        return False
    dose = changes.get("dose", event.dose)
    volume = changes.get("volume_ml", event.volume_ml)
    if dose is not None and volume is not None and len(changes.keys() & {"dose", "volume_ml"}) == 1:
        return False  # a new dose in the old volume, or the other way round, is another strength
    return not ("drug" in changes and event.concentration and "concentration" not in changes)


def _fits_vital_sign(event: VitalSign, changes: Mapping[str, Any], drugs: Mapping[str, Drug]) -> bool:
    if event.systolic is not None:
        return changes.keys() == {"systolic", "diastolic"}
    if changes.keys() != {"value"} or event.value is None:
        return False
    value: Decimal = changes["value"]
    if not _may_be(event.sign, value):
        return False
    return _told_unit(event.sign, value, drugs) == _told_unit(event.sign, event.value, drugs)


def _may_be(sign: str, value: Decimal) -> bool:
    """Whether a number alone is held to what the callout of a sign is held to."""
    low, high = _SPAN.get(sign, (1, 0))
    return low <= value <= high and (sign not in _WHOLE or value == value.to_integral_value())


def _told_unit(sign: str, value: Decimal, drugs: Mapping[str, Drug]) -> str | None:
    """The unit that the size of a number tells; a new number of another size must be said with its unit."""
    made = completed({"kind": "vital_sign", "sign": sign, "value": value}, {}, drugs)
    return None if isinstance(made, Question) else getattr(made.event, "unit", None)


def merged(question: Question | None, result: ParseResult, drugs: Mapping[str, Drug]) -> ParseResult:
    """The result, completed by what an open question kept, when it answers that question.

    Only parts of a callout said alone answer, and only where they speak against nothing that was understood: anything
    else is a new callout and leaves the question open.
    """
    if question is None or len(result.questions) != 1 or result.commands:
        return result
    if question.about not in {"drug", "unit"} and not answerable(question):
        return result
    answer = result.questions[0]
    kept, said = _said(question), _said(answer)
    if "kind" not in kept or question.about not in said or any(kept[name] != said[name] for name in kept.keys() & said):
        return result
    if "value" in said and not _may_be(kept.get("sign", ""), said["value"]):
        return result
    made = completed({**kept, **said}, {**question.evidence, **answer.evidence}, drugs)
    if isinstance(made, Question):
        return result
    return ParseResult("events", result.words, (*result.drafts, made), fragment=result.fragment)


def answerable(question: Question | None) -> str:
    """The field a question asks for, where a number alone answers it; '' where none does.

    A field that was understood and is doubted is not among them: the number may belong to another one.
    """
    if question is None or question.about not in _NUMBERS or question.about in question.understood:
        return ""
    return question.about if "kind" in question.understood else ""


def _said(question: Question) -> dict[str, Any]:
    """What a question kept, without an action that nobody said."""
    return {name: value for name, value in question.understood.items() if name != "action" or name in question.evidence}
