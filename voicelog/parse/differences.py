"""Two readings of one callout held beside each other, and the question about the one field in which they differ."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from voicelog.events import Event, Medication, event_fields
from voicelog.parse.result import Draft, Question
from voicelog.parse.written import numbers_in

NAMES = {"vital_sign": "sign", "assessment": "finding", "procedure": "procedure", "milestone": "milestone"}
"""The field that names what an event of each kind is about."""


def differing(one: Event, other: Event) -> list[str]:
    """Fields in which two events differ."""
    first, second = event_fields(one), event_fields(other)
    return [name for name in dict.fromkeys((*first, *second)) if first.get(name) != second.get(name)]


def says_no_more(one: Event, other: Event) -> bool:
    """Whether the other event says all that this one does."""
    return event_fields(one).items() <= event_fields(other).items()


def thing_of(event: Event) -> tuple[Any, ...]:
    """What an event is about, its values aside."""
    if isinstance(event, Medication):
        return event.kind, event.drug, event.action
    return event.kind, getattr(event, NAMES.get(event.kind, "kind"))


def subject_of(event: Event) -> str:
    """The drug, sign or act an event is about, in words."""
    if isinstance(event, Medication):
        return event.drug
    return str(getattr(event, NAMES.get(event.kind, "kind"))).replace("_", " ")


def digits_of(reading: Sequence[Draft], field: str) -> str:
    """A field of a reading as the digits that an answer must say; '' when it has no such field."""
    value = getattr(reading[0].event, field, None)
    text = format(value, "f") if isinstance(value, Decimal) else str(value or "")
    return "".join(numbers_in([text]))


def _plain(value: object) -> str:
    return "" if value is None else str(value).replace("_", " ")


def asked_about(draft: Draft, rival: Draft | None, about: str = "") -> Question:
    """A question about the one field in doubt, with everything else kept as understood."""
    fields = event_fields(draft.event)
    others = event_fields(rival.event) if rival else {}
    differ = differing(draft.event, rival.event) if rival else []
    about = differ[0] if differ else about
    subject = subject_of(draft.event)
    value = _plain(fields.get(about))
    said = value if value == subject else f"{subject} {value}".strip()
    text = f"{said}, or {_plain(others.get(about)) or 'without'}?" if differ else f"{said}? Say again."
    understood = {name: given for name, given in fields.items() if name != about}
    evidence = {name: given for name, given in draft.event.evidence.items() if name != about}
    readings = ((draft,), (rival,)) if rival and differ else ((draft,),)
    return Question(about, text, readings, understood, evidence)
