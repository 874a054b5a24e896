"""How values changed: from the first to the last, and before and after each drug."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from voicelog.casefile.state import CaseState, current
from voicelog.checks.course import Course, Reading, moment_of
from voicelog.checks.protocol import Protocol
from voicelog.checks.vitals import NAMES

SIGNS = tuple(name for name in NAMES if name != "blood_pressure")
"""Every sign that has a single value."""


@dataclass(frozen=True)
class Point:
    """One value in a trend."""

    value: Decimal
    """In the unit of the trend."""
    at: datetime
    entry: str


@dataclass(frozen=True)
class Trend:
    """One sign over the case."""

    sign: str
    unit: str | None
    """UCUM; Cel, mg/dL and mm[Hg] whatever was said."""
    first: Point
    last: Point

    @property
    def change(self) -> Decimal:
        """Last less first."""
        return self.last.value - self.first.value


@dataclass(frozen=True)
class Response:
    """What was measured last before a drug, and last after it until the same drug was given again."""

    drug: str
    dose: str
    """The entry that gave it."""
    at: datetime
    sign: str
    unit: str | None
    before: Point | None
    """None when nothing was measured before."""
    after: Point | None
    """None when nothing was measured after it yet."""

    @property
    def change(self) -> Decimal | None:
        """After less before; None when one of them is missing."""
        return self.after.value - self.before.value if self.before and self.after else None


def trends(state: CaseState, protocol: Protocol, now: datetime) -> tuple[Trend, ...]:
    """First and last value of each sign that was measured at least twice up to a moment."""
    course = _course(state, protocol, now)
    found = []
    for sign in SIGNS:
        readings = course.readings(sign)
        if len(readings) > 1:
            found.append(Trend(sign, readings[-1].unit, _point(readings[0]), _point(readings[-1])))
    return tuple(found)


def responses(state: CaseState, protocol: Protocol, now: datetime) -> tuple[Response, ...]:
    """For each drug given up to a moment and each sign measured: the value before it and the value after."""
    course = _course(state, protocol, now)
    given = [dose for dose in course.doses if dose.event.action == "given"]
    found = []
    for number, dose in enumerate(given):
        again = [one.at for one in given[number + 1 :] if one.event.drug == dose.event.drug and one.at > dose.at]
        for sign in SIGNS:
            readings = course.readings(sign)
            before = [reading for reading in readings if reading.at <= dose.at]
            after = [reading for reading in readings if reading.at > dose.at and not (again and reading.at > again[0])]
            if before or after:
                unit = (before or after)[-1].unit
                last, then = (_point(group[-1]) if group else None for group in (before, after))
                found.append(Response(dose.event.drug, dose.id, dose.at, sign, unit, last, then))
    return tuple(found)


def _course(state: CaseState, protocol: Protocol, now: datetime) -> Course:
    standing = tuple(entry for entry in current(state) if (at := moment_of(entry)) is not None and at <= now)
    return Course(standing, protocol, {})


def _point(reading: Reading) -> Point:
    return Point(reading.value, reading.at, reading.id)
