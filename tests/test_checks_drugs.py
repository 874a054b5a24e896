"""Checks of drugs: sums, intervals, weight, strength, allergy, units."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from checks_case import (
    DRUGS,
    GRAMMAR,
    PROTOCOL,
    Timed,
    act,
    checks,
    drug,
    entry,
    exam,
    found,
    minute,
    patient,
    pressure,
)

from voicelog.casefile.state import CaseState
from voicelog.checks.survey import findings_for
from voicelog.dialogue.typed import TypedCourse
from voicelog.events import Event

CHILD = patient(age=5, age_unit="year")


def prepared(name: str, dose: Any, unit: str | None, **fields: Any) -> Event:
    return drug(name, dose, unit, action="prepared", **fields)


def test_a_dose_that_the_parser_flagged_is_not_asked_about_again() -> None:
    one = entry(1, drug("morphine", 20, "mg", route="oral"), minute(0), flags=["dose_above_limit", "route_unusual"])
    assert findings_for(one, CaseState(), PROTOCOL, DRUGS, minute(0)) == ()


@pytest.mark.parametrize(
    ("name", "doses", "unit", "route", "gap", "over"),
    [
        ("naloxone", [4, 4, 2], "mg", "intravenous", 3, False),  # label: above 10 mg question the diagnosis
        ("naloxone", [4, 4, 4], "mg", "intravenous", 3, True),
        ("atropine", [1, 1, 1], "mg", "intravenous", 4, False),  # AHA 2020, secondary copy: 3 mg
        ("atropine", [1, 1, 1, 1], "mg", "intravenous", 4, True),
        ("diazepam", [10, 10, 10], "mg", "intravenous", 12, False),  # secondary copy: 30 mg
        ("diazepam", [10, 10, 10, 5], "mg", "intravenous", 12, True),
        ("amiodarone", [300, 150], "mg", "intravenous", 5, False),  # secondary copy: 2.2 g a day
        ("amiodarone", [300] * 8, "mg", "intravenous", 5, True),
        ("ipratropium", [0.5, 0.5, 0.5], "mg", "nebulized", 20, False),  # from memory: three times
        ("ipratropium", [0.5, 0.5, 0.5, 0.5], "mg", "nebulized", 20, True),
    ],
)
def test_sums(name: str, doses: list[float], unit: str, route: str, gap: float, over: bool) -> None:
    said: list[Timed] = [(gap * n, drug(name, dose, unit, route=route)) for n, dose in enumerate(doses)]
    assert ("total_dose" in checks(*said)) is over


def test_a_sum_by_weight() -> None:
    """Lidocaine at most 3 mg/kg in all: secondary copy."""
    said: list[Timed] = [(0, patient(weight_kg=Decimal(60)))]
    said += [(5.0 * n, drug("lidocaine", 60, "mg", route="intravenous")) for n in range(1, 5)]
    (finding,) = found(*said)
    assert (finding.check, finding.about) == ("total_dose", "E5")
    assert finding.for_eye == "lidocaine: 240 mg in all, asked about above 180 mg"


def test_a_fourth_nitroglycerin() -> None:
    """From memory: every 5 minutes, three times."""
    said: list[Timed] = [(6.0 * n, drug("nitroglycerin", "0.4", "mg", route="sublingual")) for n in range(4)]
    (finding,) = found(*said)
    assert finding.check == "doses_in_all"
    assert finding.for_ear == "nitroglycerin, four doses, the protocol has three"


@pytest.mark.parametrize(("gap", "soon"), [(1, True), (2, False), (1.6, False)])
def test_the_interval_of_naloxone(gap: float, soon: bool) -> None:
    """Every 2 to 3 minutes: drug label; half a minute of grace is a design value."""
    said = [(at, drug("naloxone", "0.4", "mg", route="intravenous")) for at in (0, gap)]
    assert ("too_soon" in checks(*said)) is soon


def test_epinephrine_has_other_intervals_in_arrest() -> None:
    """In arrest every 3 to 5 minutes (secondary copies); into the muscle every 5 to 15 (from memory)."""
    start = (0.0, act("cardiopulmonary_resuscitation", "started"))
    bolus = drug("epinephrine", 1, "mg", route="intravenous")
    assert checks(start, (1, bolus), (4.5, bolus)) == []
    assert checks(start, (1, bolus), (3, bolus)) == ["too_soon"]
    muscle = drug("epinephrine", "0.3", "mg", route="intramuscular")
    assert checks((1, muscle), (4.4, muscle)) == ["too_soon"]
    assert checks((1, muscle), (6.1, muscle)) == []


@pytest.mark.parametrize(
    ("kg", "dose", "over"),
    [(15, "0.15", False), (30, "0.3", False), (20, "0.3", True), (60, "0.5", False)],
)  # auto-injector label, DailyMed setid c66de0d3: 0.15 mg from 15 kg, 0.3 mg from 30 kg; 0.01 mg/kg from memory
def test_epinephrine_by_weight(kg: int, dose: str, over: bool) -> None:
    child = patient(age=9, age_unit="year", weight_kg=Decimal(kg))
    assert ("dose_by_weight" in checks((0, child), (1, drug("epinephrine", dose, "mg", route="intramuscular")))) is over


def test_limits_by_weight_are_for_children() -> None:
    adult = patient(age=40, age_unit="year", weight_kg=Decimal(48))
    assert checks((0, adult), (1, drug("midazolam", 10, "mg", route="intramuscular"))) == []


def test_a_child_as_heavy_as_an_adult_has_an_adults_limits() -> None:
    teen = patient(age=14, age_unit="year", weight_kg=Decimal(60))
    start = act("cardiopulmonary_resuscitation", "started")
    bolus = drug("epinephrine", 1, "mg", route="intravenous")
    assert checks((0, teen), (1, start), (2, bolus)) == []
    lighter = patient(age=14, age_unit="year", weight_kg=Decimal(49))
    assert checks((0, lighter), (1, start), (2, bolus)) == ["dose_by_weight"]


def test_the_weight_of_a_child_is_asked_for_once_and_a_weight_told_later_is_used() -> None:
    dose = drug("midazolam", 5, "mg", route="intramuscular")
    assert checks((0, CHILD), (1, dose), (20, dose)) == ["weight_needed"]
    (asked, over) = found((0, CHILD), (1, dose), (2, patient(weight_kg=Decimal(18))))
    assert (asked.check, over.check, over.about, over.beside) == ("weight_needed", "dose_by_weight", "E2", ("E3",))


def test_a_small_weight_without_an_age_is_a_childs() -> None:
    dose = drug("midazolam", 5, "mg", route="intramuscular")
    assert checks((0, patient(weight_kg=Decimal(18))), (1, dose)) == ["dose_by_weight"]
    assert checks((0, patient(weight_kg=Decimal(70))), (1, dose)) == []


def test_a_dose_for_each_kilogram_needs_the_weight() -> None:
    assert checks((0, drug("ketamine", 2, "mg/kg", route="intravenous"))) == ["weight_needed"]


def test_an_unusual_route() -> None:
    assert checks((0, drug("midazolam", 5, "mg", route="oral"))) == ["route_unusual"]


def test_the_strength_of_epinephrine_and_dextrose_is_needed() -> None:
    """NEMSIS codes both by strength, so a dose without one has no unique code."""
    bolus = drug("epinephrine", "0.1", "mg", route="intravenous")
    assert checks((0, bolus)) == ["strength_needed"]
    assert checks((0, drug("epinephrine", "0.1", "mg", route="intravenous", concentration="0.1 mg/mL"))) == []
    assert checks((0, drug("epinephrine", "0.3", "mg", route="intramuscular"))) == []
    assert (
        checks(
            (0, act("cardiopulmonary_resuscitation", "started")), (1, drug("epinephrine", 1, "mg", route="intravenous"))
        )
        == []
    )
    assert checks((0, drug("dextrose", 25, "g", route="intravenous"))) == ["strength_needed"]
    assert (
        checks((0, prepared("dextrose", 25, "g", volume_ml=250)), (1, drug("dextrose", 25, "g", route="intravenous")))
        == []
    )


def test_undiluted_epinephrine_into_the_vein_outside_arrest() -> None:
    bolus = drug("epinephrine", "0.1", "mg", route="intravenous", concentration="1 mg/mL")
    assert checks((0, bolus)) == ["strength_by_route"]
    assert checks((0, exam("general", description="no pulse")), (1, bolus)) == []


def test_undiluted_ketamine() -> None:
    """100 mg/mL must be diluted for intravenous use: its manufacturer."""
    said = drug("ketamine", 100, "mg", route="intravenous", concentration="100 mg/mL")
    assert checks((0, said)) == ["strength_by_route"]


@pytest.mark.parametrize(
    ("name", "dose", "unit", "alarms"),
    [
        ("fentanyl", "0.1", "mg", True),  # any milligram is a challenge: design value
        ("fentanyl", 100, "ug", False),
        ("naloxone", 400, "mg", True),
        ("naloxone", 2, "ug", True),
        ("naloxone", 400, "ug", False),
        ("epinephrine", 10, "ug", False),
    ],
)
def test_micrograms_and_milligrams(name: str, dose: float | str, unit: str, alarms: bool) -> None:
    assert ("micrograms_or_milligrams" in checks((0, drug(name, dose, unit, route="intramuscular")))) is alarms


@pytest.mark.parametrize(
    ("allergen", "name", "severity"),
    [("ketorolac", "ketorolac", "alarm"), ("aspirin", "ketorolac", "ask"), ("penicillin", "cefazolin", "ask"),
     ("penicillin", "morphine", None), ("no known allergies", "morphine", None)],
)  # fmt: skip
def test_allergies_on_record(allergen: str, name: str, severity: str | None) -> None:
    """Classes: from memory."""
    unit, dose = ("g", 1) if name == "cefazolin" else ("mg", 4)
    raised = found((0, patient(allergy=allergen)), (1, drug(name, dose, unit, route="intramuscular")))
    assert [one.severity for one in raised if one.check == "allergy"] == ([severity] if severity else [])


def test_an_allergy_told_after_the_drug_is_found_too() -> None:
    raised = found((0, drug("ketorolac", 30, "mg", route="intramuscular")), (1, patient(allergy="peanut, aspirin")))
    assert [(one.check, one.about, one.beside) for one in raised] == [("allergy", "E1", ("E2",))]


def test_a_drug_that_was_not_given_raises_nothing() -> None:
    assert checks((0, patient(allergy="ketorolac")), (1, drug("ketorolac", action="not_given"))) == []


def test_nitroglycerin_beside_a_low_pressure() -> None:
    """Ask below a systolic pressure of 100: from memory."""
    dose = drug("nitroglycerin", "0.4", "mg", route="sublingual")
    assert checks((0, pressure(96, 60)), (1, dose)) == ["caution"]
    assert checks((0, pressure(100, 60)), (1, dose)) == []


def test_a_drug_given_early_into_ventilation() -> None:
    """One minute before naloxone: common practice, no source."""
    began = act("bag_valve_mask_ventilation", "started")
    dose = drug("naloxone", 2, "mg", route="intranasal")
    (finding,) = found((0, began), (0.5, dose))
    assert finding.check == "early_drug"
    assert finding.for_ear == ("naloxone three zero seconds after ventilation began, the protocol has one minute")
    assert checks((0, began), (1, dose)) == []
    assert checks((0, dose)) == []


def test_no_finding_says_what_to_do() -> None:
    raised = found(
        (0, patient(allergy="ketorolac", age=4, age_unit="year")),
        (1, drug("ketorolac", 400, "mg", route="oral", volume_ml=1)),
        (1.2, drug("fentanyl", 1, "mg", route="intravenous")),
        (1.3, drug("naloxone", 4, "mg", route="intravenous")),
        (1.4, drug("naloxone", 8, "mg", route="intravenous")),
    )
    words = {word for one in raised for word in one.for_ear.replace(",", "").split()}
    assert len(raised) > 6
    assert not words & {"give", "stop", "should", "recommend", "consider", "administer", "repeat", "do"}


@pytest.mark.parametrize(
    ("text", "above"),
    [  # usual single doses of adults, and one above the limit, which is this project's design value
        ("naloxone two milligrams i v", "naloxone four point one milligrams i v"),  # label 0.4 to 2 mg
        ("naloxone four milligrams i n", "naloxone eight point one milligrams i n"),  # from memory 2 to 4 mg
        ("epinephrine zero point three milligrams i m", "epinephrine zero point six milligrams i m"),  # auto-injector
        ("albuterol two point five milligrams nebulized", "albuterol sixteen milligrams nebulized"),  # order 11010
        ("aspirin three hundred twenty five milligrams p o", "aspirin three hundred thirty milligrams p o"),  # memory
        ("glucagon one milligram i m", "glucagon one point one milligrams i m"),  # label, secondary copy
        ("adenosine twelve milligrams i v", "adenosine thirteen milligrams i v"),  # order 11010
        ("amiodarone three hundred milligrams i v", "amiodarone three hundred ten milligrams i v"),  # secondary copy
        ("midazolam ten milligrams i m", "midazolam eleven milligrams i m"),  # DailyMed d7362b4d
        ("lorazepam four milligrams i v", "lorazepam four point five milligrams i v"),  # label, secondary copy
        ("diazepam ten milligrams i v", "diazepam eleven milligrams i v"),  # secondary copy
        ("fentanyl one hundred micrograms i v", "fentanyl one hundred ten micrograms i v"),  # from memory
        ("morphine ten milligrams i v", "morphine eleven milligrams i v"),  # from memory
        ("ondansetron four milligrams i v", "ondansetron nine milligrams i v"),  # from memory
    ],
)
def test_a_usual_dose_raises_nothing_and_one_above_the_limit_is_asked_about(text: str, above: str) -> None:
    assert TypedCourse(GRAMMAR, PROTOCOL).answer(text, minute(0))[2] == ()
    assert TypedCourse(GRAMMAR, PROTOCOL).answer(above, minute(0))[2] == ("dose_above_limit",)
