"""Nothing raises, order is of no account, each thing is found once, and an uneventful case is left in peace."""

from __future__ import annotations

import json
import random
import tomllib
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from checks_case import (
    DRUGS,
    PROTOCOL,
    Timed,
    act,
    callouts,
    checks,
    drug,
    entry,
    exam,
    found,
    minute,
    patient,
    pressure,
    state_of,
    vital,
)
from event_strategies import events
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.state import CaseState, RecordedEvent
from voicelog.checks.clocks import clocks, due, pacing
from voicelog.checks.finding import Finding
from voicelog.checks.scores import scores
from voicelog.checks.survey import all_findings, findings_for, standing_findings
from voicelog.checks.trends import responses, trends
from voicelog.events import Event, event_from

SAMPLES = Path(__file__).parents[1] / "samples"


@settings(max_examples=60, deadline=None)
@given(st.randoms(use_true_random=False))
def test_everyday_ups_and_downs_raise_nothing(chance: random.Random) -> None:
    """Design: an adult's values that wander as they do in a quiet quarter of an hour."""
    rate, systolic, breaths, saturation = chance.randint(60, 110), chance.randint(100, 160), chance.randint(12, 24), 95
    said: list[Timed] = [(0, patient(age=chance.randint(18, 90), age_unit="year"))]
    for at in range(1, 16, 3):
        said += [(at, vital("heart_rate", rate)), (at, pressure(systolic, systolic * 6 // 10))]
        said += [(at, vital("respiratory_rate", breaths)), (at, vital("oxygen_saturation", saturation))]
        rate = min(140, max(50, rate + chance.randint(-20, 20)))
        systolic = min(200, max(85, systolic + chance.randint(-25, 25)))
        breaths = min(34, max(8, breaths + chance.randint(-6, 6)))
        saturation = min(100, saturation + chance.randint(-3, 3))
    assert found(*said) == []


def test_a_correction_takes_the_finding_away() -> None:
    events = state_of((0, vital("heart_rate", 132)), (1, vital("heart_rate", 32))).events
    better = entry(3, vital("heart_rate", 122), minute(2), amends="E2")
    assert findings_for(better, CaseState(events=events), PROTOCOL, DRUGS, minute(2)) == ()


def test_the_gravest_comes_first() -> None:
    one = drug("ketorolac", 400, "mg", route="oral")
    raised = found((0, patient(allergy="ketorolac")), (1, one))
    assert [finding.severity for finding in raised] == ["alarm", "ask", "ask"]


def test_each_thing_is_found_once() -> None:
    said: list[Timed] = [(0, vital("heart_rate", 132)), (1, vital("heart_rate", 32)), (2, vital("pain_score", 3))]
    assert checks(*said) == ["sudden_change"]
    assert [one.check for one in standing_findings(state_of(*said), PROTOCOL, DRUGS, minute(2))] == ["sudden_change"]


def test_a_damaged_number_alarms_and_is_not_computed_with() -> None:
    huge = vital("heart_rate", "1e900000")
    assert checks((0, huge), (1, vital("heart_rate", 80))) == ["impossible"]
    assert scores(state_of((0, huge), (1, pressure(10**40, 3))), PROTOCOL, minute(2)) == ()


def telling_events() -> st.SearchStrategy[Event]:
    """Events that the rules are about, with numbers on and around their limits, and some far off."""
    amounts = st.sampled_from(["0", "0.001", "0.4", "1", "2", "10", "100", "400", "1e30"])
    doses = st.builds(
        lambda name, dose, volume, **fields: drug(name, dose, volume_ml=volume, **fields),
        st.sampled_from(sorted(DRUGS)),
        amounts,
        amounts,
        unit=st.sampled_from(["mg", "ug", "g", "mL", "mg/kg", "ug/min", "[U]"]),
        concentration=st.sampled_from([None, "1 mg/mL", "0.1 mg/mL", "10 %", "0 %", "much"]),
        route=st.sampled_from([None, "intravenous", "intramuscular", "nebulized"]),
        action=st.sampled_from(["given", "prepared", "wasted"]),
        site=st.sampled_from([None, "left thigh", "right hand"]),
    )
    terms = ["asystole", "sinus tachycardia", "no pulse", "return of circulation", "apneic", "left facial droop"]
    seen = st.builds(exam, st.sampled_from(["cardiac_rhythm", "general"]), description=st.sampled_from(terms))
    acts = st.builds(
        act,
        st.sampled_from(
            ["bag_valve_mask_ventilation", "cardiopulmonary_resuscitation", "oxygen", "intravenous_access"]
        ),
        st.sampled_from(["started", "stopped", "resumed", "done"]),
        site=st.sampled_from([None, "left hand"]),
    )
    about = st.builds(
        patient,
        age=st.sampled_from([None, 0, 3, 12, 40, 10**30]),
        age_unit=st.sampled_from([None, "day", "month", "year"]),
        weight_kg=st.sampled_from([None, "0", "4", "18", "80", "1e20"]),
        allergy=st.sampled_from([None, "morphine, penicillin", "no known allergies"]),
    )
    return st.one_of(doses, seen, acts, about)


@settings(max_examples=120, deadline=None)
@given(st.lists(events() | telling_events(), max_size=12), st.randoms(use_true_random=False))
def test_nothing_raises_and_order_is_of_no_account(said: list[Event], shuffled: random.Random) -> None:
    """Any entries at all, at distinct moments: no function raises, and the findings do not depend on their order."""
    entries = [entry(number, event, minute(number * 0.7)) for number, event in enumerate(said, start=1)]
    mixed = shuffled.sample(entries, len(entries))
    whole = all_findings(entries, PROTOCOL, DRUGS)
    assert all_findings(mixed, PROTOCOL, DRUGS) == whole
    raised = set()
    for count, one in enumerate(mixed):
        raised |= set(findings_for(one, CaseState(events=tuple(mixed[:count])), PROTOCOL, DRUGS, minute(60)))
    assert raised >= set(whole)
    state = CaseState(events=tuple(mixed))
    ordered = CaseState(events=tuple(entries))
    for look in (clocks, due, pacing, scores, trends, responses):
        assert look(state, PROTOCOL, minute(9)) == look(ordered, PROTOCOL, minute(9))
    assert standing_findings(state, PROTOCOL, DRUGS, minute(60)) == standing_findings(
        ordered, PROTOCOL, DRUGS, minute(60)
    )
    for finding in whole:
        assert finding.for_ear
        assert not any(sign.isdigit() for sign in finding.for_ear.replace("co2", ""))
        assert finding.source


QUIET: dict[str, list[tuple[float, str]]] = json.loads(
    (Path(__file__).parent / "data" / "quiet_cases.json").read_text()
)


@pytest.mark.parametrize("name", QUIET)
def test_an_uneventful_case_raises_nothing(name: str) -> None:
    assert found(*callouts(*((at, text) for at, text in QUIET[name]))) == []


def test_there_are_twenty_quiet_cases_with_numbers_of_their_own() -> None:
    assert len(QUIET) >= 20
    assert len({json.dumps(lines) for lines in QUIET.values()}) == len(QUIET)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("anaphylaxis", []),
        ("asthma", []),
        ("seizure", ["left_over"]),
        ("overdose", ["early_drug", "dose_volume"]),
    ],
)
def test_what_the_recorded_samples_raise(name: str, expected: list[str]) -> None:
    started: datetime = tomllib.loads((SAMPLES / f"{name}.toml").read_text(encoding="utf-8"))["started_at"]
    rows = json.loads((SAMPLES / f"{name}.record.json").read_text(encoding="utf-8"), parse_float=Decimal)["events"]
    entries: list[RecordedEvent] = []
    raised: list[Finding] = []
    for number, row in enumerate(rows, start=1):
        if row["status"] not in ("confirmed", "unconfirmed"):
            continue
        heard = started + timedelta(seconds=float(row["said_at"]))
        one = entry(number, event_from(row["event"]), heard)
        raised += findings_for(one, CaseState(events=tuple(entries)), PROTOCOL, DRUGS, heard)
        entries.append(one)
    assert [one.check for one in raised] == expected
