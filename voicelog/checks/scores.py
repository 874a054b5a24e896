"""Scores from the last values: each only when all its inputs exist, with their times and its source."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Literal

from voicelog.casefile.state import CaseState, current
from voicelog.checks.course import Course, Reading, minutes, moment_of
from voicelog.checks.finding import rounded
from voicelog.checks.protocol import Protocol
from voicelog.checks.rows import AgeBand, Band, Fresh

NEWS2_SOURCE = "Royal College of Physicians, National Early Warning Score (NEWS) 2, London 2017, Chart 1"
PREGNANT = frozenset({"pregnancy", "labor"})
"""Conditions and complaints of a pregnant patient, as recorded."""
CONFUSED = (2, 4)
"""Coma scale verbal parts of a confused patient; not known to be old, it counts as new (RCP 2017, from memory). A part
of 1 may be a tube's."""
NEWS2_FROM_YEARS = 16
"""NEWS2 is not for younger patients (RCP 2017, from memory)."""


@dataclass(frozen=True)
class Input:
    """One value that a score was made from."""

    name: str
    value: str
    """As recorded, with its unit."""
    at: datetime
    entry: str


@dataclass(frozen=True)
class Score:
    """A score and what it was made from."""

    name: str
    """``mean_arterial_pressure``, ``pulse_pressure``, ``shock_index``, ``news2``, ``coma_scale``, ``hypotension``."""
    value: Decimal
    unit: str
    band: str
    """In words, ``low``, ``severe``; "" where there are none."""
    inputs: tuple[Input, ...]
    source: str


def mean_arterial(systolic: int, diastolic: int) -> Decimal:
    """Mean arterial pressure in mm[Hg]: D + (S - D) / 3 (secondary page)."""
    return diastolic + Decimal(systolic - diastolic) / 3


def pulse_pressure(systolic: int, diastolic: int) -> int:
    """S - D in mm[Hg]."""
    return systolic - diastolic


def shock_index(heart_rate: Decimal, systolic: Decimal) -> Decimal | None:
    """Heart rate over systolic pressure (first described 1967, from memory); None for a pressure of zero."""
    return heart_rate / systolic if systolic else None


def coma_band(total: int) -> Literal["severe", "moderate", "mild"] | None:
    """Severe up to 8, moderate 9 to 12 (HL7 coma scale example), mild 13 to 15 (from memory); None outside 3 to 15."""
    if not 3 <= total <= 15:
        return None
    return "severe" if total <= 8 else "moderate" if total <= 12 else "mild"


def news2_respiration(rate: Decimal) -> int:
    """Points for breaths a minute: RCP 2017, Chart 1."""
    return _points(rate, ((8, 3), (11, 1), (20, 0), (24, 2)), 3)


def news2_saturation(percent: Decimal, oxygen: bool, scale: Literal[1, 2] = 1) -> int:
    """Points for a saturation: RCP 2017, Chart 1. Scale 2 only where a clinician has chosen it."""
    if scale == 1:
        return _points(percent, ((91, 3), (93, 2), (95, 1)), 0)
    low = _points(percent, ((83, 3), (85, 2), (87, 1)), 0)
    return low or (_points(percent, ((92, 0), (94, 1), (96, 2)), 3) if oxygen else 0)


def news2_pressure(systolic: Decimal) -> int:
    """Points for a systolic pressure in mm[Hg]: RCP 2017, Chart 1."""
    return _points(systolic, ((90, 3), (100, 2), (110, 1), (219, 0)), 3)


def news2_pulse(rate: Decimal) -> int:
    """Points for a pulse a minute: RCP 2017, Chart 1."""
    return _points(rate, ((40, 3), (50, 1), (90, 0), (110, 1), (130, 2)), 3)


def news2_temperature(cel: Decimal) -> int:
    """Points for a temperature in Cel, to a tenth: RCP 2017, Chart 1."""
    limits = ((Decimal("35.0"), 3), (Decimal("36.0"), 1), (Decimal("38.0"), 0), (Decimal("39.0"), 1))
    return _points(Decimal(format(cel, ".1f")), limits, 2)


def news2_parts(
    respiration: Decimal,
    saturation: Decimal,
    oxygen: bool,
    systolic: Decimal,
    pulse: Decimal,
    alert: bool,
    temperature: Decimal,
    scale: Literal[1, 2] = 1,
) -> tuple[int, ...]:
    """The points of each part, which add up to 0 to 20: RCP 2017, Chart 1; oxygen is 2, anything but alert 3.

    Args:
        temperature: Cel; the other units as in the parts.
    """
    return (
        news2_respiration(respiration),
        news2_saturation(saturation, oxygen, scale),
        2 * oxygen,
        news2_pressure(systolic),
        news2_pulse(pulse),
        3 * (not alert),
        news2_temperature(temperature),
    )


def news2_band(score: int, highest_part: int) -> str:
    """high from 7, medium from 5, low-medium where one part is 3, else low: RCP 2017 (0 to 4 low: from memory)."""
    if score >= 7:
        return "high"
    if score >= 5:
        return "medium"
    return "low-medium" if highest_part == 3 else "low"


def hypotension_limit(band: AgeBand, years: int) -> Decimal | None:
    """The systolic mm[Hg] below which a pressure is low at an age in full years; None when the band has no limit."""
    return None if band.hypotension_below is None else band.hypotension_below + band.hypotension_per_year * years


def hypotensive(course: Course, now: datetime) -> bool:
    """Whether the last systolic pressure is below the limit of the age; by the adult limit when no age is known."""
    last, band = course.latest("systolic", now), course.ask_band
    limit = hypotension_limit(band, course.age[1] if course.age else 0) if band else None
    return last is not None and limit is not None and last.value < limit


def scores(state: CaseState, protocol: Protocol, now: datetime) -> tuple[Score, ...]:
    """Every score whose inputs exist, from the last values up to a moment."""
    standing = tuple(entry for entry in current(state) if (at := moment_of(entry)) is None or at <= now)
    course = Course(standing, protocol, {})
    found = [*_pressures(course, now), _shock(course, now), _news2(course, now), _coma(course), _low(course, now)]
    return tuple(score for score in found if score)


def _pressures(course: Course, now: datetime) -> list[Score]:
    last = course.latest("systolic", now)
    if last is None or last.event.systolic is None or last.event.diastolic is None:
        return []
    pair = last.event.systolic, last.event.diastolic
    if pair[1] >= pair[0]:
        return []
    inputs = (Input("blood_pressure", f"{pair[0]}/{pair[1]} mm[Hg]", last.at, last.id),)
    row = course.protocol.row("band", "pulse_pressure", Band)
    wide = Decimal(pulse_pressure(*pair))
    word, source = _band(row, wide, "narrow", "wide"), row.cited if row else "S - D"
    mean = rounded(mean_arterial(*pair))
    return [
        Score("mean_arterial_pressure", mean, "mm[Hg]", "", inputs, "D + (S - D) / 3, secondary page"),
        Score("pulse_pressure", wide, "mm[Hg]", word, inputs, source),
    ]


def _shock(course: Course, now: datetime) -> Score | None:
    rate, pressure = course.latest("heart_rate", now), course.latest("systolic", now)
    fresh, row = course.protocol.row("score", "shock_index", Fresh), course.protocol.row("band", "shock_index", Band)
    grown = course.band is None or not course.band.child
    if rate is None or pressure is None or fresh is None or row is None or not grown:
        return None
    if abs(rate.at - pressure.at) > minutes(fresh.within_min):
        return None
    value = shock_index(rate.value, pressure.value)
    if value is None:
        return None
    word = _band(row, value, "", "of concern")
    return Score("shock_index", rounded(value), "", word, (_in(rate), _in(pressure)), row.cited)


def _news2(course: Course, now: datetime) -> Score | None:
    row = course.protocol.row("score", "news2", Fresh)
    signs = ("respiratory_rate", "oxygen_saturation", "systolic", "heart_rate", "temperature")
    last = [reading for sign in signs if (reading := course.latest(sign, now))]
    levels = [one for one in course.findings if one.event.level and one.at <= now]
    pregnant = course.pregnant or any(term in PREGNANT for _, term in course.history)
    if row is None or len(last) < len(signs) or not levels or pregnant:
        return None
    if course.age is None or course.age[1] < NEWS2_FROM_YEARS:
        return None
    level, (breaths, saturation, systolic, pulse, temperature) = levels[-1], last
    oxygen = _oxygen(course, saturation)
    times = [*(reading.at for reading in last), level.at]
    if oxygen is None or max(times) - min(times) > minutes(row.within_min):
        return None
    alert = level.event.level == "alert"
    talk = [one for one in course.findings if one.event.verbal is not None and one.at <= now]
    confused = bool(talk and CONFUSED[0] <= (talk[-1].event.verbal or 0) <= CONFUSED[1])
    confused = confused and talk[-1].at >= level.at - minutes(row.within_min)
    parts = news2_parts(
        breaths.value,
        saturation.value,
        oxygen,
        systolic.value,
        pulse.value,
        alert and not confused,
        temperature.value,
        row.scale,
    )
    total = sum(parts)
    inputs = (*map(_in, last), Input("responsiveness", level.event.level or "", level.at, level.id))
    if confused:
        inputs = (*inputs, Input("coma scale verbal", str(talk[-1].event.verbal), talk[-1].at, talk[-1].id))
    inputs = (*inputs, Input("oxygen", "supplemental" if oxygen else "room air", saturation.at, saturation.id))
    return Score("news2", Decimal(total), "", news2_band(total, max(parts)), inputs, NEWS2_SOURCE)


def _oxygen(course: Course, saturation: Reading) -> bool | None:
    """Whether a saturation was measured on oxygen; None when nothing was said of it."""
    said = saturation.event.oxygen
    return said == "supplemental" if said else course.on_oxygen(saturation.at)


def _coma(course: Course) -> Score | None:
    scales = [one for one in course.findings if one.event.total is not None]
    total = scales[-1].event.total if scales else None
    band = coma_band(total) if total is not None else None
    if total is None or band is None:
        return None
    inputs = (Input("glasgow_coma_scale", str(total), scales[-1].at, scales[-1].id),)
    return Score("coma_scale", Decimal(total), "", band, inputs, "HL7 coma scale example; mild: from memory")


def _low(course: Course, now: datetime) -> Score | None:
    last, band = course.latest("systolic", now), course.band
    limit = hypotension_limit(band, course.age[1]) if band and course.age else None
    if last is None or band is None or limit is None:
        return None
    word = "low for the age" if last.value < limit else "not low for the age"
    return Score("hypotension", last.value, "mm[Hg]", word, (_in(last),), f"below {limit} mm[Hg]: {band.cited}")


def _points(value: Decimal, limits: tuple[tuple[int | Decimal, int], ...], above: int) -> int:
    """The points of the first limit that the value does not pass."""
    return next((points for limit, points in limits if value <= limit), above)


def _band(row: Band | None, value: Decimal, low: str, high: str) -> str:
    if row and row.low_below is not None and value < row.low_below:
        return low
    return high if row and row.high_from is not None and value >= row.high_from else ""


def _in(reading: Reading) -> Input:
    name = "systolic" if reading.event.systolic is not None else reading.event.sign
    return Input(name, f"{reading.said_value} {reading.said_unit or ''}".strip(), reading.at, reading.id)
