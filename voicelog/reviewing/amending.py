"""An event with some fields written anew by a reviewer: only listed values, numbers exactly as written; pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import ValidationError

from voicelog.dialogue.times import moment_of
from voicelog.errors import ReviewError
from voicelog.events import Assessment, Event, Medication, Procedure, VitalSign, event_from
from voicelog.grammar.model import Drug

_FIXED = frozenset({"kind", "evidence", "heard_at", "occurred_at", "sign", "finding", "procedure", "milestone"})
_NUMBER = re.compile(r"\d{1,7}(\.\d{1,6})?")
_LONGEST = 300
# UCUM units of each sign, as in ``events.VitalSign.unit``.
_SIGN_UNITS = {
    "blood_pressure": ("mm[Hg]",),
    "heart_rate": ("/min",),
    "respiratory_rate": ("/min",),
    "oxygen_saturation": ("%",),
    "end_tidal_co2": ("mm[Hg]", "kPa"),
    "blood_glucose": ("mg/dL", "mmol/L"),
    "temperature": ("Cel", "[degF]"),
    "pain_score": ("{score}",),
}
# What can be said of each sign, finding and procedure; of any other kind of entry all its fields.
_PARTS_OF = {
    "blood_pressure": "systolic diastolic palpated",
    "heart_rate": "value rhythm quality",
    "respiratory_rate": "value rhythm quality",
    "oxygen_saturation": "value oxygen",
    "end_tidal_co2": "value unit",
    "blood_glucose": "value unit",
    "temperature": "value unit",
    "pain_score": "value",
    "responsiveness": "level",
    "glasgow_coma_scale": "total eye verbal motor",
    "pupils": "left_mm right_mm equal reactive appearance",
    "breath_sounds": "sound side",
    "skin": "description",
    "cardiac_rhythm": "description",
    "airway": "description",
    "general": "description",
    "oxygen": "action flow_lpm device",
    "defibrillation": "action energy_j",
    "intravenous_access": "action gauge site",
    "intraosseous_access": "action gauge site",
}
_PARTS_OF_A_PROCEDURE = "action site"


def amendable(event: Event, drugs: Mapping[str, Drug]) -> dict[str, tuple[str, ...]]:
    """The fields of an event that can be written anew, each with the values it may have; none where it is free.

    What kind of entry it is can not, nor a unit that its sign has no other for.
    """
    offered = _offered(event)
    return {
        name: _listed(event, name, info.annotation, drugs)
        for name, info in type(event).model_fields.items()
        if name not in _FIXED and name in offered
    }


def _offered(event: Event) -> frozenset[str]:
    every = frozenset(type(event).model_fields)
    match event:
        case VitalSign():
            parts = _PARTS_OF[event.sign]
        case Assessment():
            parts = _PARTS_OF[event.finding]
        case Procedure():
            parts = _PARTS_OF.get(event.procedure, _PARTS_OF_A_PROCEDURE)
        case _:
            return every
    # A grammar of one's own may fill other fields as well: what stands can be mended.
    standing = frozenset(name for name in every if getattr(event, name) is not None)
    fixed = frozenset({"unit"} if isinstance(event, VitalSign) and len(_SIGN_UNITS[event.sign]) == 1 else ())
    return (standing | frozenset(parts.split()) | {"stated_time"}) - fixed


def _listed(event: Event, name: str, annotation: Any, drugs: Mapping[str, Drug]) -> tuple[str, ...]:
    if isinstance(event, Medication) and name == "drug":
        return tuple(sorted(drugs))
    if isinstance(event, Medication) and name == "unit" and event.drug in drugs:
        return drugs[event.drug].units
    if isinstance(event, Medication) and name == "route" and event.drug in drugs:
        return drugs[event.drug].routes
    if isinstance(event, VitalSign) and name == "unit":
        return _SIGN_UNITS[event.sign]
    parts = _parts(annotation)
    if bool in parts:
        return ("true", "false")
    return tuple(str(value) for part in parts if get_origin(part) is Literal for value in get_args(part))


def _parts(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,)


def amended_event(event: Event, changes: Mapping[str, str], drugs: Mapping[str, Drug]) -> Event:
    """The event with some fields written anew; what is changed loses its evidence, for nobody was heard to say it.

    Args:
        event: as it stands.
        changes: field name to its new text; '' for not said.
        drugs: the formulary, by generic name.

    Raises:
        ReviewError: nothing is changed, a field is not there to change, or a value is not a listed or a plain one.
    """
    fields = event.model_dump()
    known = amendable(event, drugs)
    unknown = sorted(set(changes) - set(known))
    if unknown:
        raise ReviewError(f"{unknown[0]} is no field that can be amended.", "Choose a field that the page offers.")
    changed = {name: text.strip() for name, text in changes.items() if text.strip() != shown(fields[name])}
    if not changed:
        raise ReviewError("Nothing was changed.", "Write the right value into its field.")
    for name, text in changed.items():
        fields[name] = _value(name, text, _parts(type(event).model_fields[name].annotation))
    fields["evidence"] = {name: found for name, found in fields["evidence"].items() if name not in changed}
    if "stated_time" in changed:
        fields["occurred_at"] = event.heard_at
        if fields["stated_time"] and event.heard_at and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", fields["stated_time"]):
            fields["occurred_at"] = moment_of(fields["stated_time"], event.heard_at)
    try:
        made = event_from(fields)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = " ".join(str(part) for part in first["loc"][1:])
        raise ReviewError(
            f"This cannot be entered: {where} {first['msg']}.", "Write a value as it is listed."
        ) from error
    if isinstance(made, VitalSign) and made.palpated and made.diastolic is not None:
        raise ReviewError("A pressure by palpation has no lower value.", "Empty the diastolic, or say it was heard.")
    # A drug may be changed together with its unit and route, so the lists are those of the new event.
    for name, listed in amendable(made, drugs).items():
        value = shown(getattr(made, name))
        if value and listed and value not in listed and (name in changed or "drug" in changed):
            raise ReviewError(f"{value} is no listed {name.replace('_', ' ')} here.", f"Listed: {', '.join(listed)}.")
    return made


def shown(value: object) -> str:
    """A value of a field as a form shows it and takes it back."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return format(value, "f") if isinstance(value, Decimal) else str(value)


def _value(name: str, text: str, parts: tuple[Any, ...]) -> object:
    if not text:
        return None
    if (Decimal in parts or int in parts) and not _NUMBER.fullmatch(text):
        raise ReviewError(f"{name.replace('_', ' ')} takes a plain number, such as 0.3.", "Write no unit and no comma.")
    if len(text) > _LONGEST or not text.isprintable():
        raise ReviewError(f"{name.replace('_', ' ')} takes one line of at most {_LONGEST} signs.", "")
    return text
