"""Entries that speak against each other, and stated times that cannot be."""

from __future__ import annotations

from datetime import datetime

import pytest
from checks_case import (
    DRUGS,
    PROTOCOL,
    act,
    checks,
    drug,
    entry,
    exam,
    milestone,
    patient,
    pressure,
    vital,
)

from voicelog.casefile.state import CaseState
from voicelog.checks.contradictions import sides
from voicelog.checks.survey import findings_for
from voicelog.events import Event


@pytest.mark.parametrize(
    ("said", "check"),
    [
        ([exam("cardiac_rhythm", description="asystole"), vital("heart_rate", 80)], "rhythm_against_rate"),
        ([vital("heart_rate", 80), exam("cardiac_rhythm", description="asystole")], "rhythm_against_rate"),
        ([exam("cardiac_rhythm", description="sinus tachycardia"), vital("heart_rate", 56)], "rhythm_against_rate"),
        ([exam("general", description="apneic"), vital("respiratory_rate", 14)], "apneic_but_rate"),
        ([exam("general", description="no pulse"), pressure(110, 70)], "no_pulse_but_pressure"),
        ([exam("responsiveness", level="alert"), exam("glasgow_coma_scale", total=5)], "level_against_total"),
        ([exam("responsiveness", level="unresponsive"), exam("glasgow_coma_scale", total=14)], "level_against_total"),
        ([exam("general", description="left facial droop"), exam("general", description="right facial droop")],
         "side_two_ways"),
        ([exam("pupils", left_mm=3, right_mm=6, appearance="left dilated")], "side_two_ways"),
        ([exam("pupils", left_mm=3, right_mm=6, equal=True)], "side_two_ways"),
        ([act("tourniquet", site="left leg"), act("tourniquet", "stopped", site="right leg")], "side_two_ways"),
        ([act("oxygen", "started", flow_lpm=10), vital("oxygen_saturation", 91, oxygen="room_air")],
         "room_air_on_oxygen"),
        ([patient(allergy="penicillin"), patient(allergy="no known allergies")], "allergy_two_ways"),
    ],
)  # fmt: skip
def test_entries_that_speak_against_each_other(said: list[Event], check: str) -> None:
    assert checks(*((0.5 * number, event) for number, event in enumerate(said))) == [check]


@pytest.mark.parametrize(
    "said",
    [
        [exam("cardiac_rhythm", description="sinus tachycardia"), vital("heart_rate", 124)],
        [exam("cardiac_rhythm", description="pulseless electrical activity"), vital("heart_rate", 40)],
        [exam("cardiac_rhythm", description="asystole"), exam("general", description="return of circulation"),
         vital("heart_rate", 80)],
        [exam("general", description="apneic"), act("bag_valve_mask_ventilation", "started"),
         vital("respiratory_rate", 10)],
        [exam("general", description="apneic"), vital("respiratory_rate", 0)],
        [exam("responsiveness", level="pain"), exam("glasgow_coma_scale", total=8)],
        [vital("oxygen_saturation", 86, oxygen="room_air"), act("oxygen", "started", flow_lpm=15)],
        [exam("pupils", left_mm=6, right_mm=3, appearance="left dilated")],
        [act("tourniquet", site="left leg"), act("tourniquet", "stopped", site="left leg")],
        [exam("breath_sounds", sound="clear", side="left"), exam("breath_sounds", sound="absent", side="right")],
    ],
)  # fmt: skip
def test_entries_that_go_together(said: list[Event]) -> None:
    assert checks(*((0.5 * number, event) for number, event in enumerate(said))) == []


def test_a_rhythm_of_long_ago_is_no_contradiction() -> None:
    assert checks((0, exam("cardiac_rhythm", description="asystole")), (9, vital("heart_rate", 80))) == []


@pytest.mark.parametrize(
    ("text", "expected"), [("left thigh", {"left"}), ("both nostrils", {"left", "right"}), (None, set())]
)
def test_sides(text: str | None, expected: set[str]) -> None:
    assert sides(text) == expected


@pytest.mark.parametrize(
    ("stated", "check"),
    [("10:30", None), ("10:32", None), ("10:45", "time_ahead"), ("10:00", None), ("09:00", "time_long_ago")],
)
def test_stated_times(stated: str, check: str | None) -> None:
    assert checks((0, vital("heart_rate", 80, stated_time=stated))) == ([check] if check else [])


def test_a_time_before_midnight_told_after_it_is_noted() -> None:
    heard = datetime.fromisoformat("2026-11-26T00:04:00-06:00")
    one = entry(1, vital("heart_rate", 80, stated_time="23:58"), heard)
    (finding,) = findings_for(one, CaseState(), PROTOCOL, DRUGS, heard)
    assert (finding.check, finding.severity) == ("across_midnight", "note")
    assert finding.for_ear == "time two three five eight taken as yesterday"


def test_milestones_out_of_order() -> None:
    """NEMSIS v3.5.1 schematron e017 to e055: a later milestone is not before an earlier one."""
    said = [(0.0, milestone("departed_scene")), (5.0, milestone("on_scene"))]
    assert checks(*said) == ["out_of_order"]
    assert checks((0, milestone("on_scene")), (0.5, milestone("patient_contact", stated_time="10:30"))) == []


def test_a_drug_stated_before_patient_contact() -> None:
    """NEMSIS v3.5.1 schematron e137, e138."""
    early = drug("aspirin", 324, "mg", route="oral", stated_time="10:20")
    assert checks((0, milestone("patient_contact")), (2, early)) == ["out_of_order"]
