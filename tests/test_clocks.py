"""The clocks: a simulated clock drives them all."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from checks_case import DRUGS, PROTOCOL, Timed, act, drug, exam, milestone, minute, patient, pressure, state_of, vital

from voicelog.checks.clocks import Clock, clocks, due, pacing
from voicelog.checks.survey import standing_findings

BAG = act("bag_valve_mask_ventilation", "started")
PAUSE = act("bag_valve_mask_ventilation", "stopped")
NALOXONE = drug("naloxone", 2, "mg", route="intranasal")
CPR = act("cardiopulmonary_resuscitation", "started")
FULL_SET = [pressure(120, 80), vital("heart_rate", 80), vital("respiratory_rate", 14), vital("oxygen_saturation", 97)]


def names(now: float, *said: Timed) -> list[str]:
    return [clock.name for clock in due(state_of(*said), PROTOCOL, minute(now))]


def the(name: str, now: float, *said: Timed) -> Clock:
    (clock,) = [one for one in clocks(state_of(*said), PROTOCOL, minute(now)) if one.name == name]
    return clock


def full(at: float) -> list[Timed]:
    return [(at, event) for event in FULL_SET]


def test_ventilation_is_counted_from_its_start_and_never_due() -> None:
    clock = the("ventilation", 3, (1, BAG))
    assert (clock.since, clock.due_at, clock.is_due(minute(99))) == (minute(1), None, False)
    assert clock.for_ear == "ventilating for two minutes"


def test_ventilation_said_again_does_not_begin_anew() -> None:
    assert the("ventilation", 9, (1, BAG), (6, BAG)).since == minute(1)


def test_a_pause_and_a_new_start_begin_a_new_count() -> None:
    resumed = act("bag_valve_mask_ventilation", "resumed")
    assert the("ventilation", 5, (1, BAG), (2, PAUSE), (4, resumed)).since == minute(4)
    assert "ventilation" not in [clock.name for clock in clocks(state_of((1, BAG), (2, PAUSE)), PROTOCOL, minute(3))]


def test_the_least_time_before_a_drug_that_was_prepared() -> None:
    """One minute: common practice, no source."""
    said: list[Timed] = [(0, BAG), (0.2, drug("naloxone", 2, "mg", action="prepared"))]
    assert names(0.9, *said) == []
    assert names(1, *said) == ["ventilated_before.naloxone"]
    assert "ventilated_before.naloxone" not in names(2, *said, (1.5, NALOXONE))


def test_ventilation_paused_for_a_drug_and_not_resumed() -> None:
    said: list[Timed] = [(0, BAG), (2, PAUSE), (2.2, NALOXONE)]
    assert "resume_after.any_drug" not in names(2.5, *said)
    assert "resume_after.any_drug" in names(2.7, *said)
    assert the("resume_after.any_drug", 3, *said).for_ear == "ventilation not resumed since naloxone"
    assert "resume_after.any_drug" not in names(3, *said, (2.6, act("bag_valve_mask_ventilation", "resumed")))
    assert "resume_after.any_drug" not in names(9, (0, BAG), (1, NALOXONE), (5, PAUSE))


def test_vitals_are_due_five_minutes_after_a_drug_until_each_was_measured() -> None:
    """Common practice, no source."""
    said: list[Timed] = [*full(0), (2, NALOXONE)]
    assert "after_drug.vitals" not in names(6.9, *said)
    clock = the("after_drug.vitals", 7, *said, (4, vital("heart_rate", 88)))
    assert (clock.since, clock.due_at, clock.about) == (minute(2), minute(7), "E5")
    assert clock.for_ear == "after naloxone, due: pressure, respiratory rate, saturation"
    assert "after_drug.vitals" not in names(7, *said, *full(5))


def test_a_second_dose_does_not_hide_that_values_are_overdue_after_the_first() -> None:
    said: list[Timed] = [(2, NALOXONE), (5, NALOXONE)]
    assert the("after_drug.vitals", 9, *said).due_at == minute(7)
    clock = the("after_drug.vitals", 11, *said, (3, vital("heart_rate", 88)))
    assert clock.for_ear == "after naloxone, due: pressure, heart rate, respiratory rate, saturation"


def test_fluids_ask_for_no_values() -> None:
    assert clocks(state_of((6, drug("normal saline", 500, "mL", route="intravenous"))), PROTOCOL, minute(30)) == ()


def test_pain_after_an_analgesic_and_glucose_after_dextrose() -> None:
    assert "after_drug.pain" in names(5, (0, drug("fentanyl", 50, "ug", route="intravenous")))
    sugar = drug("dextrose", 10, "g", route="intravenous")
    assert "after_drug.glucose" not in names(9.9, (0, sugar))  # from memory: 10 to 15 minutes
    assert "after_drug.glucose" in names(10, (0, sugar))


@pytest.mark.parametrize(
    "why",
    [
        BAG,
        exam("responsiveness", level="pain"),
        vital("oxygen_saturation", 88),
        pressure(88, 50),
    ],
)
def test_an_unstable_patient_is_looked_at_every_five_minutes(why: object) -> None:
    """EMT curricula, from memory: unstable every 5, stable every 15."""
    said: list[Timed] = [*full(0), (0.1, why)]  # type: ignore[list-item]
    assert "reassess.unstable" not in names(4.9, *said)
    assert "reassess.unstable" in names(5.1, *said)


def test_a_stable_patient_is_looked_at_every_fifteen_minutes() -> None:
    assert names(14.9, *full(0)) == []
    assert names(15, *full(0)) == ["reassess.stable"]
    clock = the("reassess.stable", 16, *full(0), (14, vital("heart_rate", 80)))
    assert clock.for_ear == "vital signs due: pressure, respiratory rate, saturation"


def test_hypotension_is_by_age() -> None:
    """PALS 2015: a five-year-old's limit is 80, an adult's 90 (from memory)."""
    child: list[Timed] = [(0, patient(age=5, age_unit="year"))]
    assert names(6, *child, (0, pressure(80, 50))) == []
    assert names(6, *child, (0, pressure(79, 50))) == ["reassess.unstable"]
    assert names(6, (0, patient(age=50, age_unit="year")), (0, pressure(82, 50))) == ["reassess.unstable"]


def test_the_window_of_a_repeated_dose() -> None:
    """Naloxone every 2 to 3 minutes: drug label."""
    clock = the("repeat.naloxone", 1, (0, NALOXONE))
    assert (clock.due_at, clock.until, clock.aloud) == (minute(2), minute(3), False)
    assert [clock.is_due(minute(at)) for at in (1.9, 2, 3, 3.1)] == [False, True, True, False]
    assert "repeat.naloxone" not in [one.name for one in clocks(state_of((0, NALOXONE)), PROTOCOL, minute(4))]


def test_epinephrine_in_arrest_stays_due_until_it_is_given() -> None:
    """Every 3 to 5 minutes: secondary copies."""
    said: list[Timed] = [(0, CPR), (1, drug("epinephrine", 1, "mg", route="intravenous"))]
    assert "repeat.epinephrine_in_arrest" not in names(3.9, *said)
    assert "repeat.epinephrine_in_arrest" in names(9, *said)
    clock = the("repeat.epinephrine_in_arrest", 4, *said)
    assert clock.for_ear == "epinephrine, three minutes since the last dose"
    assert clock.aloud
    back: Timed = (8, exam("general", description="return of circulation"))
    assert "repeat.epinephrine_in_arrest" not in names(9, *said, back)


def test_two_minute_rounds_in_arrest() -> None:
    """2010 table: rotate every 2 minutes."""
    assert [clock.due_at for clock in due(state_of((0, CPR)), PROTOCOL, minute(1.9))] == []
    first, second = (due(state_of((0, CPR)), PROTOCOL, minute(at))[0] for at in (2.1, 4.5))
    assert (first.due_at, second.due_at) == (minute(2), minute(4))
    assert first.key != second.key
    assert second.for_ear == "four minutes of compressions"
    assert due(state_of((0, CPR), (1, act("cardiopulmonary_resuscitation", "stopped"))), PROTOCOL, minute(3)) == ()


def test_nothing_is_reassessed_in_arrest() -> None:
    assert [name for name in names(20, *full(0), (1, CPR)) if name.startswith("reassess")] == []


def test_a_pulse_check_while_ventilating_is_shown_and_not_spoken() -> None:
    """About every 2 minutes: secondary copies."""
    (clock,) = [one for one in due(state_of((0, BAG)), PROTOCOL, minute(2)) if one.name == "cycle.pulse_check"]
    assert not clock.aloud
    assert "cycle.pulse_check" not in names(3, (0, BAG), (1.5, vital("heart_rate", 80)))


@pytest.mark.parametrize(
    ("age", "every"), [(None, "6"), (40, "6"), (12, "6"), (11, "2.5"), (1, "2.5")]
)  # adult 6 s: AHA 2020, from memory; child 2 to 3 s: resuscitation table of a medical manual
def test_pacing(age: int | None, every: str) -> None:
    said: list[Timed] = [(0, patient(age=age, age_unit="year" if age else None, sex="female")), (1, BAG)]
    pace = pacing(state_of(*said), PROTOCOL, minute(2))
    assert pace is not None
    assert (pace.every_s, bool(pace.source)) == (Decimal(every), True)
    assert pacing(state_of(*said, (2, PAUSE)), PROTOCOL, minute(3)) is None


def test_due_clocks_stand_among_the_standing_findings_as_notes() -> None:
    (finding,) = standing_findings(state_of(*full(0)), PROTOCOL, DRUGS, minute(16))
    assert (finding.check, finding.severity) == ("due", "note")
    assert finding.source == "EMT curricula, from memory (2026-11-25)"


def test_nothing_is_due_once_the_patient_was_transferred() -> None:
    said: list[Timed] = [*full(0), (1, BAG), (2, milestone("transferred"))]
    assert clocks(state_of(*said), PROTOCOL, minute(30)) == ()
    assert pacing(state_of(*said), PROTOCOL, minute(30)) is None
    assert due(state_of(*said[:-1]), PROTOCOL, minute(30))


def test_the_longest_overdue_comes_first() -> None:
    state = state_of((0, CPR), (1, drug("epinephrine", 1, "mg", route="intravenous")))
    found = due(state, PROTOCOL, minute(11))
    assert [clock.due_at for clock in found] == sorted(clock.due_at for clock in found if clock.due_at)
    assert all(clock.source and clock.for_eye for clock in found)


def test_a_later_entry_is_not_looked_at() -> None:
    assert clocks(state_of((5, BAG)), PROTOCOL, minute(5) - timedelta(seconds=1)) == ()
