"""The course of a case: its standing entries in order of time, and what can be asked of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cached_property
from typing import TypeVar

from voicelog.casefile.state import RecordedEvent
from voicelog.checks.protocol import Protocol
from voicelog.checks.rows import AGE_DAYS, AgeBand, Minutes
from voicelog.checks.units import canonical
from voicelog.events import Assessment, Medication, Milestone, Patient, Procedure, Remark, VitalSign
from voicelog.grammar.model import Drug

_E = TypeVar("_E", VitalSign, Medication, Assessment, Procedure, Patient, Milestone, Remark)
NO_OUTPUT = frozenset(
    {"asystole", "ventricular fibrillation", "pulseless electrical activity", "pulseless ventricular tachycardia"}
)
"""Rhythms without a pulse, by definition."""
NO_PULSE = "no pulse"
PULSE_BACK = "return of circulation"
BAG = "bag_valve_mask_ventilation"
RESUSCITATION = "cardiopulmonary_resuscitation"
_RUNS = {"started", "resumed", "done"}
_YEARS = range(1900, 9000)
_DIGITS = range(-9, 10)
"""Powers of ten from a billionth to a billion."""


@dataclass(frozen=True)
class At:
    """An entry and when it happened."""

    entry: RecordedEvent
    at: datetime

    @property
    def id(self) -> str:
        """The name of the entry."""
        return self.entry.id

    @property
    def order(self) -> tuple[datetime, int]:
        """Sorts by time; at one time by entry."""
        return self.at, self.entry.seq


@dataclass(frozen=True)
class Reading(At):
    """One value of a sign."""

    value: Decimal
    """In the unit of the limits: Cel, mg/dL, mm[Hg]."""
    unit: str | None
    said_value: Decimal
    """As it was said."""
    said_unit: str | None
    event: VitalSign


@dataclass(frozen=True)
class Dose(At):
    """One act with a drug."""

    event: Medication


@dataclass(frozen=True)
class Examined(At):
    """One finding on examination."""

    event: Assessment


@dataclass(frozen=True)
class Act(At):
    """One procedure."""

    event: Procedure


def moment_of(entry: RecordedEvent) -> datetime | None:
    """When an entry happened, else when it was heard; None for one that has no time, or one far from any call."""
    at = entry.event.occurred_at or entry.event.heard_at
    return at if at and at.year in _YEARS else None


def absurd(number: Decimal | int | None) -> bool:
    """Whether a number is of no size that anything has: such ones are alarmed about, and not computed with."""
    return bool(number) and Decimal(number or 0).adjusted() not in _DIGITS


@dataclass(frozen=True)
class Course:
    """Standing entries with the rules that they are seen by."""

    standing: tuple[RecordedEvent, ...]
    """Neither rejected nor amended, in any order."""
    protocol: Protocol
    drugs: Mapping[str, Drug]
    """The formulary, by generic name."""

    @cached_property
    def timed(self) -> tuple[At, ...]:
        """The entries that have a time, earliest first."""
        found = [At(entry, at) for entry in self.standing if (at := moment_of(entry))]
        return tuple(sorted(found, key=lambda one: one.order))

    def _of(self, kind: type[_E]) -> Iterable[tuple[At, _E]]:
        return ((one, one.entry.event) for one in self.timed if isinstance(one.entry.event, kind))

    @cached_property
    def doses(self) -> tuple[Dose, ...]:
        """Every act with a drug, earliest first."""
        return tuple(
            Dose(one.entry, one.at, event)
            for one, event in self._of(Medication)
            if not absurd(event.dose) and not absurd(event.volume_ml)
        )

    @cached_property
    def acts(self) -> tuple[Act, ...]:
        """Every procedure, earliest first."""
        return tuple(Act(one.entry, one.at, event) for one, event in self._of(Procedure))

    @cached_property
    def findings(self) -> tuple[Examined, ...]:
        """Every finding on examination, earliest first."""
        return tuple(Examined(one.entry, one.at, event) for one, event in self._of(Assessment))

    def readings(self, sign: str) -> tuple[Reading, ...]:
        """Every value of a sign, earliest first; ``systolic`` and ``diastolic`` count as signs."""
        found = []
        for one, event in self._of(VitalSign):
            if sign in ("systolic", "diastolic"):
                value: Decimal | int | None = event.systolic if sign == "systolic" else event.diastolic
            else:
                value = event.value if event.sign == sign else None
            if value is not None and not absurd(value):
                amount, unit = canonical(value, event.unit)
                found.append(Reading(one.entry, one.at, amount, unit, Decimal(value), event.unit, event))
        return tuple(found)

    def latest(self, sign: str, at: datetime) -> Reading | None:
        """The last value of a sign up to a moment."""
        return next((reading for reading in reversed(self.readings(sign)) if reading.at <= at), None)

    def general(self, description: str) -> tuple[Examined, ...]:
        """Findings that say this, earliest first."""
        return tuple(one for one in self.findings if description in described(one.event))

    @cached_property
    def _patients(self) -> tuple[tuple[RecordedEvent, Patient], ...]:
        """What was said of the patient, earliest first; entries without a time stand before the others."""
        untimed = [entry for entry in self.standing if moment_of(entry) is None]
        entries = [*sorted(untimed, key=lambda entry: entry.seq), *(one.entry for one in self.timed)]
        return tuple((entry, entry.event) for entry in entries if isinstance(entry.event, Patient))

    @cached_property
    def age(self) -> tuple[str, int, Decimal] | None:
        """The entry, the age in full years and the age in days, as said last; None when it was never said."""
        for entry, event in reversed(self._patients):
            if event.age is not None and not absurd(event.age):
                unit = event.age_unit or "year"
                days = event.age * AGE_DAYS[unit]
                return entry.id, event.age if unit == "year" else int(days / AGE_DAYS["year"]), days
        return None

    @cached_property
    def band(self) -> AgeBand | None:
        """The age band; None when no age is known."""
        return self.protocol.band(self.age[2] if self.age else None)

    @cached_property
    def ask_band(self) -> AgeBand | None:
        """The age band that values are asked about by; the adult one when no age is known."""
        return self.band or self.protocol.row("age_band", "adult", AgeBand)

    @cached_property
    def weight(self) -> tuple[str, Decimal] | None:
        """The entry and the weight in kg, as said last; None when unknown or zero."""
        known = [
            (entry.id, event.weight_kg)
            for entry, event in self._patients
            if event.weight_kg and not absurd(event.weight_kg)
        ]
        return known[-1] if known else None

    @cached_property
    def allergies(self) -> tuple[tuple[str, str], ...]:
        """(entry, allergen) for each allergen said."""
        return self._said("allergy")

    @cached_property
    def history(self) -> tuple[tuple[str, str], ...]:
        """(entry, condition) for each condition said, complaints with them."""
        return self._said("history") + self._said("complaint")

    @cached_property
    def pregnant(self) -> bool:
        """Whether the patient was last said to be pregnant."""
        known = [event.pregnant for _, event in self._patients if event.pregnant is not None]
        return bool(known and known[-1])

    def _said(self, field: str) -> tuple[tuple[str, str], ...]:
        return tuple(
            (entry.id, term)
            for entry, event in self._patients
            for term in (getattr(event, field) or "").split(", ")
            if term
        )

    def ventilating_since(self, at: datetime) -> Act | None:
        """The act with which the ventilation that is under way at a moment began; None when there is none."""
        running: Act | None = None
        for act in self.acts:
            if act.event.procedure == BAG and act.at <= at:
                running = (running or act) if act.event.action in _RUNS else None
        return running

    def compressing_since(self, at: datetime) -> Act | None:
        """The act with which the resuscitation that is under way at a moment last began; None when there is none."""
        running: Act | None = None
        for act in self.acts:
            if act.event.procedure == RESUSCITATION and act.at <= at:
                running = act if act.event.action in _RUNS else None
        over = any(running and running.at <= back.at <= at for back in self.general(PULSE_BACK))
        return None if over else running

    def on_oxygen(self, at: datetime) -> bool | None:
        """Whether oxygen runs at a moment; None when nothing was said of it."""
        acts = [act for act in self.acts if act.event.procedure == "oxygen" and act.at <= at]
        return acts[-1].event.action != "stopped" if acts else None

    def in_arrest(self, at: datetime) -> bool:
        """Whether the patient is in cardiac arrest at a moment.

        Resuscitation, a rhythm without output or a missing pulse begin it; a pulse that is back, or a pressure
        measured after the compressions stopped, ends it. A pause of the compressions alone does not.
        """
        arrest = paused = False
        for one in self.timed:
            if one.at > at:
                break
            match one.entry.event:
                case Procedure(procedure="cardiopulmonary_resuscitation") as event:
                    paused = event.action == "stopped"
                    arrest = arrest or not paused
                case Assessment() as event:
                    said = described(event)
                    if PULSE_BACK in said:
                        arrest = False
                    elif NO_PULSE in said or said & NO_OUTPUT:
                        arrest = True
                case VitalSign(systolic=int(pressure)) if paused and pressure:
                    arrest = False
        return arrest

    def handed_over(self, at: datetime) -> bool:
        """Whether the patient was transferred by then."""
        return any(event.milestone == "transferred" and one.at <= at for one, event in self._of(Milestone))

    def span(self, name: str) -> tuple[timedelta, Minutes | None]:
        """A span of time of the protocol, and its row; zero where there is no such row."""
        row = self.protocol.row("moment", name, Minutes)
        return minutes(row.minutes) if row else timedelta(0), row


def minutes(number: Decimal) -> timedelta:
    """Minutes as a span of time."""
    return timedelta(seconds=float(number * 60))


def described(event: Assessment) -> frozenset[str]:
    """The listed terms of a finding, each by itself."""
    return frozenset((event.description or "").split(", "))
