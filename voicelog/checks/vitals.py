"""Checks of measured values: impossible, implausible for the age, in a unit that cannot be, suddenly different."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise

from voicelog.checks.course import Course, Reading, absurd, described, minutes
from voicelog.checks.finding import Finding, said, shown
from voicelog.checks.rows import AgeBand, Change, Limit, UnitDoubt
from voicelog.events import Assessment, Medication, Procedure, VitalSign

NAMES = {
    "heart_rate": "heart rate",
    "respiratory_rate": "respiratory rate",
    "oxygen_saturation": "saturation",
    "end_tidal_co2": "end tidal",
    "blood_glucose": "glucose",
    "temperature": "temperature",
    "pain_score": "pain",
    "systolic": "pressure",
    "diastolic": "lower pressure",
    "blood_pressure": "pressure",
}
"""What is measured, as spoken."""
COMA_PARTS = {"eye": (1, 4), "verbal": (1, 5), "motor": (1, 6)}
"""Lowest and highest of each part: NEMSIS v3.5.1 eVitals.19, .20, .21."""
COMA_TOTAL = (3, 15)
"""Lowest and highest total: NEMSIS v3.5.1 eVitals.23."""
_TEENS = range(13, 20)
"""Whole numbers of two digits that sound like a multiple of ten: 13 and 30 to 19 and 90 (design)."""


def not_below(systolic: int, diastolic: int | None) -> bool:
    """Whether the lower pressure is not below the upper one, which cannot be (design value, no source)."""
    return diastolic is not None and diastolic >= systolic


def coma_fault(eye: int | None, verbal: int | None, motor: int | None, total: int | None) -> str:
    """What is wrong with a coma scale, in words; "" when nothing is.

    Ranges: NEMSIS v3.5.1 eVitals.19 to .21 and .23; the total is the sum of the parts (jnnp.bmj.com markup/166537).
    """
    parts = {"eye": eye, "verbal": verbal, "motor": motor}
    for name, value in parts.items():
        low, high = COMA_PARTS[name]
        if value is not None and not low <= value <= high:
            return f"coma scale {name} {said(value, None)} is out of range"
    if total is not None and not COMA_TOTAL[0] <= total <= COMA_TOTAL[1]:
        return f"coma scale {said(total, None)} is out of range"
    known = [value for value in parts.values() if value is not None]
    if total is not None and len(known) == len(parts) and sum(known) != total:
        return f"coma scale parts make {said(sum(known), None)}, not {said(total, None)}"
    return ""


def sound_alike(one: Decimal, other: Decimal) -> bool:
    """Whether two whole numbers differ as "eighteen" and "eighty" do: 118 and 180, 15 and 50."""
    if one != int(one) or other != int(other) or one // 100 != other // 100:
        return False
    low, high = sorted((int(one % 100), int(other % 100)))
    return low in _TEENS and high == (low % 10) * 10


def one_digit_apart(one: Decimal, other: Decimal) -> bool:
    """Whether two whole numbers differ in one digit, or by one leading digit: 190 and 110, 132 and 32."""
    if one != int(one) or other != int(other):
        return False
    first, second = sorted((str(int(one)), str(int(other))), key=len)
    if len(first) == len(second):
        return sum(a != b for a, b in zip(first, second, strict=True)) == 1
    return len(second) - len(first) == 1 and second.endswith(first)


def changed(row: Change, before: Decimal, now: Decimal) -> str:
    """How a value differs from the one before it so that it is asked about.

    Returns:
        "sounds alike", "sudden", "one digit", or "" when the change is an everyday one.
    """
    if now == before or (row.direction == "down" and now > before):
        return ""
    low, high = sorted((before, now))
    if row.teen_ten_at_least is not None and high - low >= row.teen_ten_at_least and sound_alike(before, now):
        return "sounds alike"
    if high - low >= row.at_least and high >= low * row.factor:
        return "sudden"
    if row.slip_at_least is not None and high - low >= row.slip_at_least and one_digit_apart(before, now):
        return "one digit"
    return ""


def impossible_values(course: Course) -> Iterator[Finding]:
    """Values that the national record does not take."""
    for row in course.protocol.rows("limit", Limit):
        for reading in course.readings(row.sign):
            if reading.unit in (row.unit, None) and not row.span.holds(reading.value):
                span = f"{row.span.low} to {shown(row.span.high, row.unit)}"
                yield Finding(
                    "impossible",
                    "alarm",
                    reading.id,
                    f"{NAMES[row.sign]} {said(reading.said_value, reading.said_unit)} is impossible",
                    f"{NAMES[row.sign]} {_seen(reading)} lies outside {span}",
                    row.cited,
                )


def implausible_values(course: Course) -> Iterator[Finding]:
    """Values that are more often misheard than measured at this age; possible ones that were not flagged before."""
    band, adult = course.ask_band, course.protocol.row("age_band", "adult", AgeBand)
    if band is None or adult is None:
        return
    # What a band says nothing about, such as a glucose, is asked about as in an adult.
    spans = {**adult.ask_outside, **band.ask_outside}
    limits = {row.sign: row.span for row in course.protocol.rows("limit", Limit)}
    for sign, span in spans.items():
        for reading in course.readings(sign):
            possible = sign not in limits or limits[sign].holds(reading.value)
            if "implausible" not in reading.entry.flags and possible and not span.holds(reading.value):
                age = f" for the age band {band.name}" if course.age else ""
                yield Finding(
                    "implausible",
                    "ask",
                    reading.id,
                    f"{NAMES[sign]} {said(reading.said_value, reading.said_unit)} is unusual",
                    f"{NAMES[sign]} {_seen(reading)} is unusual{age}: asked about outside {span.low} to {span.high}",
                    band.cited,
                    (course.age[0],) if course.age else (),
                )


def doubtful_units(course: Course) -> Iterator[Finding]:
    """Values that fit another unit than the one said."""
    for row in course.protocol.rows("unit", UnitDoubt):
        for reading in course.readings(row.sign):
            value = reading.said_value
            beyond = (row.above is not None and value > row.above) or (row.below is not None and value < row.below)
            fraction = row.whole_only and value != value.to_integral_value()
            if reading.said_unit == row.unit and (beyond or fraction):
                yield Finding(
                    "unit_cannot_be",
                    "ask",
                    reading.id,
                    f"{NAMES[row.sign]} {said(value, row.unit)}, or another unit",
                    f"{NAMES[row.sign]} {_seen(reading)}: {shown(value, row.instead)}?",
                    row.cited,
                )


def sudden_changes(course: Course) -> Iterator[Finding]:
    """Values that differ from the last one more than a patient's do, or as misheard ones do."""
    for row in course.protocol.rows("change", Change):
        readings = course.readings(row.sign)
        for before, now in pairwise(readings):
            how = changed(row, before.value, now.value) if now.at - before.at <= minutes(row.within_min) else ""
            if how and not _explained(course, row, before, now):
                name = NAMES[row.sign]
                alike = ", they sound alike" if how == "sounds alike" else ""
                yield Finding(
                    "sounds_like_last" if alike else "sudden_change",
                    "ask",
                    now.id,
                    f"{name} was {said(before.said_value, None)}, now {said(now.said_value, None)}{alike}",
                    f"{name} was {_seen(before)} at {before.at:%H:%M}, now {_seen(now)}{alike}",
                    row.cited,
                    (before.id,),
                )


def _explained(course: Course, row: Change, before: Reading, now: Reading) -> bool:
    """Whether something lies between two values that changes them for good reason."""
    for one in course.timed:
        if not before.order < one.order < now.order:
            continue
        match one.entry.event:
            case Medication(drug=name, action="given") | Procedure(procedure=name) if name in row.unless_between:
                return True
            case Assessment() as event if described(event) & set(row.unless_between):
                return True
    return False


def faulty_sets(course: Course) -> Iterator[Finding]:
    """Pressures whose lower value is not below the upper one, and coma scales that do not add up."""
    for entry in course.standing:
        match entry.event:
            case VitalSign(systolic=int(systolic), diastolic=diastolic) if not_below(systolic, diastolic):
                ear = f"pressure {said(systolic, None)} over {said(diastolic or 0, None)}, the lower is not below"
                eye = f"blood pressure {systolic}/{diastolic} mmHg: the lower is not below the upper"
                yield Finding("diastolic_not_below", "alarm", entry.id, ear, eye, "design: no such pressure exists")
            case Assessment(finding="glasgow_coma_scale") as event:
                fault = coma_fault(event.eye, event.verbal, event.motor, event.total)
                if fault:
                    parts = f"E{event.eye} V{event.verbal} M{event.motor}, total {event.total}"
                    source = "NEMSIS v3.5.1 eVitals.19 to .21 and .23"
                    yield Finding("coma_scale", "alarm", entry.id, fault, f"coma scale {parts}", source)


def _seen(reading: Reading) -> str:
    return shown(reading.said_value, reading.said_unit)


def absurd_numbers(course: Course) -> Iterator[Finding]:
    """Numbers of no size that anything has, as a damaged case file may hold; no other check looks at them."""
    for entry in course.standing:
        for field in ("value", "systolic", "diastolic", "dose", "volume_ml", "weight_kg", "age"):
            if absurd(getattr(entry.event, field, None)):
                text = f"{field.replace('_', ' ')} is impossible"
                yield Finding("impossible", "alarm", entry.id, text, text, "design: more digits than anything measured")


def vital_findings(course: Course) -> Iterator[Finding]:
    """All checks of measured values."""
    for check in (impossible_values, implausible_values, doubtful_units, sudden_changes, faulty_sets, absurd_numbers):
        yield from check(course)
