"""Events as written: on screen and in print, with units that cannot be misread.

Rules as for the spoken wording: no trailing zero on a dose, a leading zero always, "mcg" and "units" spelled so, no
abbreviated drug names (ISMP and Joint Commission lists of error-prone designations).
"""

from __future__ import annotations

from decimal import Decimal

from voicelog.events import Assessment, Event, Medication, Milestone, Patient, Procedure, Remark, VitalSign
from voicelog.views.screen import printable
from voicelog.views.units import written_number, written_unit

__all__ = ["written", "written_number", "written_unit"]

_COUNTED = frozenset({"units", "puffs", "sprays", "tablets", "drops"})


def _quantity(value: Decimal | int | None, unit: str | None) -> str:
    if value is None:
        return ""
    name = written_unit(unit)
    if value == 1 and name in _COUNTED:
        name = name[:-1]
    return f"{written_number(value)} {name}".strip()


def _joined(*parts: str | None) -> str:
    return " ".join(part for part in parts if part)


def _words(term: str | None) -> str:
    return (term or "").replace("_", " ")


def _vital_sign(event: VitalSign) -> str:
    name = _words(event.sign).replace("co2", "CO2")
    if event.systolic is not None:
        lower = "by palpation" if event.palpated else ""
        pair = f"{event.systolic}" if event.diastolic is None else f"{event.systolic}/{event.diastolic}"
        return _joined(name, pair, "mmHg", lower)
    unit = {"/min": "/min", "%": "%"}.get(event.unit or "", "")
    number = written_number(event.value or Decimal(0))
    quantity = f"{number}{unit}" if unit else _quantity(event.value, event.unit)
    return _joined(name, quantity, event.quality, event.rhythm, _words(event.oxygen))


def _medication(event: Medication) -> str:
    action = "" if event.action == "given" else f"({_words(event.action)})"
    volume = _quantity(event.volume_ml, "mL")
    dose = _quantity(event.dose, event.unit)
    amount = f"{dose} in {volume}" if dose and volume else dose or volume
    number, _, unit = (event.concentration or "").partition(" ")
    label = [
        f"lot {event.lot}" if event.lot else "",
        f"expires {event.expiry}" if event.expiry else "",
        _words(event.appearance),
        f"checked by {event.checked_by}" if event.checked_by else "",
        f"witnessed by {event.witness}" if event.witness else "",
    ]
    said = ", ".join(part for part in label if part)
    told = _joined(event.drug, number, written_unit(unit), amount, event.route, event.site, action)
    return f"{told}, {said}" if said else told


def _assessment(event: Assessment) -> str:
    scores = [("eye", event.eye), ("verbal", event.verbal), ("motor", event.motor)]
    coma = ", ".join(f"{name} {score}" for name, score in scores if score is not None)
    parts = [
        event.level,
        f"total {event.total}" if event.total is not None else "",
        f"({coma})" if coma else "",
        {True: "equal", False: "unequal"}.get(event.equal) if event.equal is not None else "",
        f"left {_quantity(event.left_mm, 'mm')}" if event.left_mm is not None else "",
        f"right {_quantity(event.right_mm, 'mm')}" if event.right_mm is not None else "",
        {True: "reactive", False: "not reactive"}.get(event.reactive) if event.reactive is not None else "",
        event.appearance,
        event.sound,
        event.side,
        event.description,
    ]
    name = "" if event.finding == "general" else f"{_words(event.finding)}:"
    return _joined(name, *parts)


def _procedure(event: Procedure) -> str:
    return _joined(
        _words(event.procedure).replace("ecg", "ECG"),
        _quantity(event.flow_lpm, "L/min"),
        _words(event.device),
        f"{event.energy_j} J" if event.energy_j is not None else "",
        f"{event.gauge} gauge" if event.gauge is not None else "",
        event.site,
        "" if event.action == "done" else event.action,
    )


def _patient(event: Patient) -> str:
    age = "" if event.age is None else f"{event.age} {event.age_unit or 'year'}{'' if event.age == 1 else 's'}"
    allergy = event.allergy if event.allergy == "no known allergies" else event.allergy and f"allergy: {event.allergy}"
    return _joined(
        "patient",
        age,
        event.sex,
        _quantity(event.weight_kg, "kg"),
        event.complaint and f"complaint: {event.complaint}",
        allergy,
        event.history and f"history: {event.history}",
        {True: "pregnant", False: "not pregnant"}.get(event.pregnant) if event.pregnant is not None else "",
    )


def written(event: Event) -> str:
    """One event on one line."""
    match event:
        case VitalSign():
            text = _vital_sign(event)
        case Medication():
            text = _medication(event)
        case Assessment():
            text = _assessment(event)
        case Procedure():
            text = _procedure(event)
        case Patient():
            text = _patient(event)
        case Milestone():
            text = _words(event.milestone)
        case Remark():
            text = f"remark (unparsed): {event.text}"
    return printable(text)
