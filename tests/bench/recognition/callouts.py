"""What is said in the benchmark and the one thing each callout means; the truth is written by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from voicelog.drill.script import Fields as Fields
from voicelog.events import event_fields, event_from

_UNITS = {
    "heart_rate": "/min",
    "respiratory_rate": "/min",
    "oxygen_saturation": "%",
    "end_tidal_co2": "mm[Hg]",
    "blood_glucose": "mg/dL",
    "pain_score": "{score}",
}


@dataclass(frozen=True)
class Callout:
    """One callout and its truth."""

    group: str
    """What kind of callout: vitals, drugs, findings, procedures, patient, times, commands, breath."""
    say: str
    """The words, lower case, numbers in words, letters apart."""
    events: tuple[Fields, ...] = ()
    """What must be entered, as ``voicelog.events.event_fields`` gives it."""
    commands: tuple[str, ...] = ()
    """Commands to voicelog that must be obeyed."""
    decisions: tuple[str, ...] = ()
    """What becomes of the entry of ``before``: confirmed, rejected, amended."""
    before: str = ""
    """A callout that was heard just before and still stands; empty for none."""


def every_callout() -> tuple[Callout, ...]:
    """All callouts of the corpus, in a fixed order that mixes the groups."""
    from .callouts_drugs import drug_callouts
    from .callouts_other import other_callouts
    from .callouts_vitals import vital_callouts

    found = [*vital_callouts(), *drug_callouts(), *other_callouts()]
    # A stride that shares no factor with the length visits each once, so that any stretch of the order is a mix.
    stride = next(step for step in (89, 97, 101) if len(found) % step)
    return tuple(found[number * stride % len(found)] for number in range(len(found)))


def exact(**fields: Any) -> Fields:
    """The fields of an event, checked and in the form in which the recogniser's are compared."""
    return event_fields(event_from(fields))


def vital(sign: str, value: str | int, **more: Any) -> Fields:
    """A vital sign with one value, in its usual unit unless ``unit`` is given."""
    return exact(**{"kind": "vital_sign", "sign": sign, "value": str(value), "unit": _UNITS.get(sign), **more})


def pressure(systolic: int, diastolic: int | None, **more: Any) -> Fields:
    """A blood pressure; ``diastolic`` None when taken by palpation."""
    by_palpation = {"palpated": True} if diastolic is None else {}
    return exact(
        kind="vital_sign",
        sign="blood_pressure",
        systolic=systolic,
        diastolic=diastolic,
        unit="mm[Hg]",
        **by_palpation,
        **more,
    )


def drug(name: str, dose: str | None = None, route: str | None = None, **more: Any) -> Fields:
    """An act with a drug; ``dose`` is written ``0.3 mg``."""
    amount, _, unit = (dose or "").partition(" ")
    given = {"dose": amount, "unit": unit} if amount else {}
    return exact(**{"kind": "medication", "drug": name, "route": route, **given, **more})


def finding(kind: str, **more: Any) -> Fields:
    """A finding on examination."""
    return exact(kind="assessment", finding=kind, **more)


def did(procedure: str, action: str = "done", **more: Any) -> Fields:
    """An act that is not a drug."""
    return exact(kind="procedure", procedure=procedure, action=action, **more)


def patient(**more: Any) -> Fields:
    """Something about the patient."""
    return exact(kind="patient", **more)


def milestone(name: str, time: str | None = None) -> Fields:
    """A point in the course of the call, with its stated time."""
    return exact(kind="milestone", milestone=name, stated_time=time)
