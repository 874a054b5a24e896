"""Checks of measured values; bands and limits with their source beside them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from checks_case import (
    DRUGS,
    PROTOCOL,
    T0,
    checks,
    drug,
    entry,
    exam,
    found,
    patient,
    pressure,
    vital,
)

from voicelog.casefile.state import CaseState
from voicelog.checks.survey import findings_for
from voicelog.checks.vitals import coma_fault, not_below, one_digit_apart, sound_alike
from voicelog.events import Event


@pytest.mark.parametrize(
    ("event", "lowest", "highest"),
    [  # NEMSIS v3.5.1, eVitals: XSD limits
        ("heart_rate", 0, 500),
        ("respiratory_rate", 0, 300),
        ("oxygen_saturation", 0, 100),
        ("end_tidal_co2", 0, 760),
        ("blood_glucose", 0, 2000),
        ("temperature", 0, 50),
        ("pain_score", 0, 10),
    ],
)
def test_impossible_values_are_those_outside_the_national_record(event: str, lowest: int, highest: int) -> None:
    for value, impossible in ((lowest, False), (highest, False), (highest + 1, True), (lowest - 1, True)):
        assert ("impossible" in checks((0, vital(event, value)))) is impossible


@pytest.mark.parametrize(
    ("systolic", "diastolic", "impossible"),
    [(500, 60, False), (501, 60, True), (0, None, False), (400, 0, False), (510, 500, True), (500, 501, True)],
)  # NEMSIS v3.5.1 eVitals.06 and .07: 0 to 500
def test_an_impossible_pressure(systolic: int, diastolic: int | None, impossible: bool) -> None:
    assert ("impossible" in checks((0, pressure(systolic, diastolic)))) is impossible


@pytest.mark.parametrize("value", [500, 501])  # NEMSIS v3.5.1 eVitals.07
def test_an_impossible_lower_pressure(value: int) -> None:
    impossible = [one for one in found((0, pressure(500, value))) if one.check == "impossible"]
    assert len(impossible) == (value > 500)


def test_a_limit_is_compared_across_units() -> None:
    assert checks((0, vital("temperature", "124", "[degF]"))) == ["impossible"]  # 51.1 Cel
    assert "impossible" not in checks((0, vital("temperature", "106", "[degF]")))


@pytest.mark.parametrize(
    ("age", "unit", "rate", "asked"),
    [  # design values around PALS 2015 (secondary copy)
        (10, "day", 44, True),
        (10, "day", 45, False),
        (6, "month", 300, False),
        (6, "month", 301, True),
        (2, "year", 39, True),
        (5, "year", 240, False),
        (5, "year", 241, True),
        (40, "year", 251, True),
        (40, "year", 250, False),
        (40, "year", 14, True),
    ],
)
def test_implausible_by_age(age: int, unit: str, rate: int, asked: bool) -> None:
    raised = checks((0, patient(age=age, age_unit=unit)), (1, vital("heart_rate", rate)))
    assert ("implausible" in raised) is asked


def test_an_age_told_later_is_held_against_values_told_before() -> None:
    findings = found((0, vital("heart_rate", 30)), (1, patient(age=3, age_unit="month")))
    assert [(one.check, one.about, one.beside) for one in findings] == [("implausible", "E1", ("E2",))]


def test_a_value_that_the_parser_flagged_is_not_asked_about_again() -> None:
    one = entry(1, vital("heart_rate", 255), T0, flags=["implausible"])
    assert findings_for(one, CaseState(), PROTOCOL, DRUGS, T0) == ()


@pytest.mark.parametrize("band", ["neonate", "infant", "toddler", "preschool", "school", "preadolescent", "adolescent"])
def test_normal_values_of_a_band_raise_nothing(band: str) -> None:
    row = PROTOCOL.tables["age_band"][band]
    days = {"neonate": 10, "infant": 100, "toddler": 600, "preschool": 1500, "school": 2800}.get(band)
    years = {"preadolescent": 11, "adolescent": 14}.get(band)
    age = patient(age=days or years, age_unit="day" if days else "year")
    normal = row.normal  # type: ignore[attr-defined]
    for end in ("low", "high"):
        rate, breaths, systolic, diastolic = (
            int(getattr(normal[sign], end)) for sign in ("heart_rate", "respiratory_rate", "systolic", "diastolic")
        )
        said = [vital("heart_rate", rate), vital("respiratory_rate", breaths), pressure(systolic, diastolic)]
        assert checks((0, age), *((1, event) for event in said)) == []


@pytest.mark.parametrize(
    ("systolic", "diastolic", "wrong"), [(120, 80, False), (80, 80, True), (76, 118, True), (90, None, False)]
)
def test_the_lower_pressure_is_below_the_upper(systolic: int, diastolic: int | None, wrong: bool) -> None:
    assert not_below(systolic, diastolic) is wrong
    assert ("diastolic_not_below" in checks((0, pressure(systolic, diastolic)))) is wrong


@pytest.mark.parametrize(
    ("parts", "fault"),
    [  # ranges: NEMSIS v3.5.1 eVitals.19 to .23; its sample holds E4 V5 M6 with total 9, which XSD lets through
        ((4, 5, 6, 15), False),
        ((1, 1, 1, 3), False),
        ((4, 5, 6, 9), True),
        ((5, 5, 6, 16), True),
        ((4, 6, 6, 16), True),
        ((4, 5, 7, 16), True),
        ((0, 5, 6, 11), True),
        ((4, 0, 6, 10), True),
        ((4, 5, 0, 9), True),
        ((None, None, None, 2), True),
        ((None, None, None, 16), True),
        ((None, None, 6, 9), False),
    ],
)
def test_the_coma_scale_adds_up(parts: tuple[int | None, ...], fault: bool) -> None:
    assert bool(coma_fault(*parts)) is fault
    scale = exam("glasgow_coma_scale", **dict(zip(("eye", "verbal", "motor", "total"), parts, strict=True)))
    assert ("coma_scale" in checks((0, scale))) is fault


def test_a_sudden_change_is_told_with_both_values() -> None:
    (finding,) = found((0, vital("heart_rate", 132)), (3, vital("heart_rate", 32)))
    assert (finding.check, finding.severity, finding.about, finding.beside) == (
        "sudden_change", "ask", "E2", ("E1",),
    )  # fmt: skip
    assert finding.for_ear == "heart rate was one three two, now three two"
    assert finding.for_eye == "heart rate was 132/min at 10:30, now 32/min"
    assert finding.source == "design value (2026-11-25)"


@pytest.mark.parametrize(
    ("before", "now", "check"),
    [
        (vital("heart_rate", 118), vital("heart_rate", 180), "sounds_like_last"),
        (vital("respiratory_rate", 14), vital("respiratory_rate", 40), "sounds_like_last"),
        (pressure(150, 90), pressure(118, 90), None),
        (pressure(190, 90), pressure(90, 50), "sudden_change"),
        (vital("heart_rate", 88), vital("heart_rate", 188), "sudden_change"),
        (vital("oxygen_saturation", 96), vital("oxygen_saturation", 66), "sudden_change"),
        (vital("oxygen_saturation", 66), vital("oxygen_saturation", 96), None),
        (vital("respiratory_rate", 4), vital("respiratory_rate", 14), None),
        (vital("heart_rate", 136), vital("heart_rate", 98), None),
        (pressure(164, 92), pressure(124, 80), None),
        (vital("blood_glucose", 38), vital("blood_glucose", 142), None),
        (vital("temperature", "36.6"), vital("temperature", "40.1"), "sudden_change"),
    ],
)
def test_changes(before: Event, now: Event, check: str | None) -> None:
    assert checks((0, before), (3, now)) == ([check] if check else [])


def test_a_change_that_something_explains_is_not_asked_about() -> None:
    fast, slow = vital("heart_rate", 190), vital("heart_rate", 84)
    dose = drug("adenosine", 6, "mg", route="intravenous")
    assert checks((0, fast), (1, dose), (2, slow)) == []
    assert checks((0, fast), (1, drug("adenosine", 6, "mg", action="prepared")), (2, slow)) == ["sudden_change"]
    back = exam("general", description="return of circulation")
    assert checks((0, vital("heart_rate", 30)), (1, back), (2, vital("heart_rate", 110))) == []


def test_an_old_value_is_no_measure_of_change() -> None:
    assert checks((0, vital("heart_rate", 132)), (40, vital("heart_rate", 40))) == []


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        (13, 30, True),
        (119, 190, True),
        (118, 180, True),
        (80, 18, True),
        (14, 50, False),
        (118, 80, False),
        (7, 70, False),
    ],
)
def test_teens_and_tens_sound_alike(one: int, other: int, alike: bool) -> None:
    """The pairs 13/30 to 19/90: design, check values 6.3."""
    assert sound_alike(Decimal(one), Decimal(other)) is alike


@pytest.mark.parametrize(
    ("one", "other", "apart"), [(132, 32, True), (190, 110, True), (190, 101, False), (8, 132, False)]
)
def test_one_digit_apart(one: int, other: int, apart: bool) -> None:
    assert one_digit_apart(Decimal(one), Decimal(other)) is apart


@pytest.mark.parametrize(
    ("value", "unit", "sign", "asked"),
    [
        (36, "mmol/L", "blood_glucose", True),
        (35, "mmol/L", "blood_glucose", False),
        ("5.4", "mg/dL", "blood_glucose", True),  # NEMSIS v3.5.1 eVitals.18 refuses 5.4
        (37, "[degF]", "temperature", True),
        (38, "kPa", "end_tidal_co2", True),
        ("5.3", "kPa", "end_tidal_co2", False),
    ],
)
def test_units_that_cannot_be(value: float | str, unit: str, sign: str, asked: bool) -> None:
    assert ("unit_cannot_be" in checks((0, vital(sign, value, unit)))) is asked
