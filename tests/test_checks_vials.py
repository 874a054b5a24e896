"""What a volume holds, what is left of a vial, and whether it may be used."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from checks_case import (
    DRUGS,
    PROTOCOL,
    Timed,
    act,
    checks,
    drug,
    found,
    minute,
    patient,
    state_of,
)

from voicelog.checks.survey import standing_findings
from voicelog.checks.units import PerMl
from voicelog.checks.vials import agrees, expected_dose, expired, unclear, vial_findings
from voicelog.events import Event


def prepared(name: str, dose: Any, unit: str | None, **fields: Any) -> Event:
    return drug(name, dose, unit, action="prepared", **fields)


def test_a_volume_that_does_not_hold_the_dose_by_the_vial_prepared() -> None:
    """Two milligrams in two milliliters: one milliliter is one milligram."""
    (finding,) = found(
        (0, prepared("naloxone", 2, "mg", volume_ml=2)),
        (1, drug("naloxone", 2, "mg", volume_ml=1, route="intravenous")),
    )
    assert (finding.check, finding.severity, finding.about, finding.beside) == ("dose_volume", "alarm", "E2", ("E1",))
    assert finding.for_ear == "one milliliter of naloxone is one milligram, not two milligrams"
    assert finding.for_eye == "naloxone: 1 mL at 1 mg/mL is 1 mg, not 2 mg"


@pytest.mark.parametrize(
    ("first", "then"),
    [
        (prepared("naloxone", 2, "mg", volume_ml=2), drug("naloxone", 1, "mg", volume_ml=1, route="intravenous")),
        (prepared("naloxone", 2, "mg", volume_ml=2), drug("naloxone", 400, "ug", volume_ml="0.4", route="intravenous")),
        (prepared("morphine", 10, "mg", volume_ml=10), prepared("morphine", 10, "mg", volume_ml=1)),
        # 2.5 mg in 3 mL is called 0.83 mg/mL: docslib.org/doc/2556557
        (patient(sex="male"),
         drug("albuterol", "2.5", "mg", volume_ml=3, concentration="0.83 mg/mL", route="nebulized")),
        # 1 mg in 10 mL: openFDA 71872-7304
        (act("cardiopulmonary_resuscitation", "started"),
         drug("epinephrine", 1, "mg", volume_ml=10, concentration="0.1 mg/mL", route="intravenous")),
        (patient(sex="male"), drug("dextrose", 25, "g", volume_ml=50, concentration="50 %", route="intravenous")),
        (patient(sex="male"), drug("dextrose", 25, "g", volume_ml=250, concentration="10 %", route="intravenous")),
    ],
)  # fmt: skip
def test_dose_volume_and_strength_that_agree(first: Event, then: Event) -> None:
    assert not {"dose_volume", "stronger_than_carried"} & set(checks((0, first), (1, then)))


@pytest.mark.parametrize(
    "event",
    [
        drug("dextrose", 25, "g", volume_ml=25, concentration="50 %", route="intravenous"),
        drug("epinephrine", 1, "mg", volume_ml=1, concentration="0.1 mg/mL", route="intravenous"),
        drug("fentanyl", 100, "ug", volume_ml=1, concentration="50 ug/mL", route="intravenous"),
    ],
)
def test_dose_and_volume_against_the_strength_said(event: Event) -> None:
    assert "dose_volume" in checks((0, event))


def test_what_a_volume_holds() -> None:
    assert expected_dose(Decimal(2), PerMl(Decimal(50), "ug"), "mg") == Decimal("0.1")
    assert expected_dose(Decimal(2), PerMl(Decimal(50), "ug"), "mL") is None
    assert agrees(Decimal("2.5"), Decimal("2.49"), Decimal(3))
    assert not agrees(Decimal(2), Decimal(1), Decimal(3))


def test_nothing_is_stronger_than_the_strongest_carried() -> None:
    """Naloxone is carried as 0.4 and 1 mg/mL: openFDA NDC 0409-1219, 76329-1469."""
    assert checks((0, drug("naloxone", 2, "mg", volume_ml=1, route="intravenous"))) == ["stronger_than_carried"]
    assert checks((0, drug("naloxone", 2, "mg", volume_ml=10, route="intravenous"))) == []


def test_a_dose_said_by_volume_is_held_against_the_limit() -> None:
    """Morphine prepared as 10 mg in 1 mL: 2 mL are 20 mg, asked about above 10 mg (design value)."""
    raised = checks(
        (0, prepared("morphine", 10, "mg", volume_ml=1)), (1, drug("morphine", volume_ml=2, route="intravenous"))
    )
    assert "dose_above_limit" in raised


def test_what_is_left_of_a_vial_is_announced_until_it_is_accounted_for() -> None:
    said: list[Timed] = [
        (0, prepared("lorazepam", 4, "mg", volume_ml=2)),
        (1, drug("lorazepam", 2, "mg", route="intravenous")),
        (2, drug("lorazepam", volume_ml=1, action="wasted")),
    ]
    (finding,) = found(*said[:2])
    assert (finding.check, finding.severity, finding.about) == ("left_over", "note", "E2")
    assert finding.for_ear == "two milligrams of lorazepam left, to be accounted for"
    assert checks(*said) == ["left_over"]
    assert standing_findings(state_of(*said), PROTOCOL, DRUGS, minute(3)) == ()


def test_the_rest_of_a_bag_of_fluid_is_nobodys_business() -> None:
    given = drug("normal saline", 500, "mL", route="intravenous")
    assert checks((0, prepared("normal saline", 1000, "mL")), (1, given)) == []


def test_more_than_was_left() -> None:
    raised = checks(
        (0, prepared("morphine", 10, "mg")),
        (1, drug("morphine", 4, "mg", route="intravenous")),
        (2, drug("morphine", 8, "mg", action="wasted")),
    )
    assert raised == ["left_over", "more_than_left"]


def test_a_label_read_aloud_is_checked() -> None:
    raised = found((0, prepared("naloxone", 2, "mg", expiry="2025-03", appearance="cloudy")))
    assert [(one.check, one.severity) for one in raised] == [("expired", "alarm"), ("not_clear", "alarm")]


def test_what_is_kept_is_accounted_for() -> None:
    said = [(0, prepared("lorazepam", 4, "mg")), (1, drug("lorazepam", 2, "mg", route="intravenous"))]
    kept = (2, drug("lorazepam", 2, "mg", action="kept", witness="partner"))
    assert standing_findings(state_of(*said, kept), PROTOCOL, DRUGS, minute(3)) == ()


def test_a_new_vial_need_not_be_announced() -> None:
    dose = drug("morphine", 4, "mg", route="intravenous")
    assert checks((0, prepared("morphine", 4, "mg")), (1, dose), (9, dose)) == []


@pytest.mark.parametrize(
    ("expiry", "past"),
    [("2026-11", False), ("2026-10", True), ("2026-11-24", True), ("2026-11-25", False), ("2026-13", None),
     ("2026-02-30", None), ("soon", None), ("0000-01", None)],
)  # fmt: skip
def test_expiry(expiry: str, past: bool | None) -> None:
    """A label's month lasts to its end: from memory."""
    assert expired(expiry, date(2026, 11, 25)) is past


@pytest.mark.parametrize(("looks", "wrong"), [("clear", False), ("clear, Discolored", True), ("cloudy", True)])
def test_looks(looks: str, wrong: bool) -> None:
    assert unclear(looks) is wrong


def test_an_expired_or_cloudy_vial_alarms() -> None:
    raised = vial_findings("E4", "midazolam", date(2026, 11, 25), expiry="2026-10", appearance="cloudy")
    assert [(one.check, one.severity, one.about) for one in raised] == [
        ("expired", "alarm", "E4"), ("not_clear", "alarm", "E4"),
    ]  # fmt: skip
    assert vial_findings("E4", "midazolam", date(2026, 11, 25), expiry="2027-01", appearance="clear") == ()
