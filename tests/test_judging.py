"""A reviewer's judgements: entries behind the closing, on what was seen, and all of it to be undone by an entry."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest
from case_files import problems, stored
from checks_case import DRUGS, T0
from report_cases import told_file

from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError, OvertakenError, ReviewError
from voicelog.events import Medication, VitalSign
from voicelog.parse.result import Draft
from voicelog.reviewing.amending import amendable
from voicelog.reviewing.judging import (
    Judgement,
    Reviewer,
    accept,
    add_missed,
    amend,
    comment,
    enter_in_error,
    judge,
    sign_off,
    undo,
)

AT: datetime = T0.replace(hour=20)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    lines = ((0.0, "pulse ninety"), (1.0, "naloxone zero point four milligrams intravenous"), (2.0, "lunch is late"))
    return told_file(tmp_path / "case.vlog", *lines)


def enter(path: Path, purpose: str, judgement: Judgement, *, by: str = "R. One", seen: str = "") -> CaseState:
    with CaseFile.open(path, write=True) as case:
        judge(case, seen or case.head(), Reviewer(by, AT), purpose, judgement)
    assert problems(path) == []
    return fold(stored(path))


def status(state: CaseState) -> dict[str, str]:
    return {one.id: one.status for one in state.events}


def last_review(path: Path) -> int:
    return max(entry.seq for entry in stored(path) if entry.type == "review_opened")


def test_accepting_confirms_with_the_reviewers_name(path: Path) -> None:
    state = enter(path, "accept", accept("E2"))
    assert status(state) == {"E1": "confirmed", "E2": "confirmed"}
    assert state.events[1].basis == "accepted in review by R. One"
    assert state.closed


def test_an_amendment_is_a_new_entry_that_keeps_the_old_one(path: Path) -> None:
    state = enter(path, "amend", amend("E2", {"dose": "0.8"}, "heard so", DRUGS))
    assert status(state) == {"E1": "confirmed", "E2": "amended", "E3": "confirmed"}
    old, new = state.events[1].event, state.events[2].event
    assert isinstance(old, Medication)
    assert isinstance(new, Medication)
    assert (old.dose, new.dose, new.route) == (Decimal("0.4"), Decimal("0.8"), "intravenous")
    assert "dose" not in new.evidence
    assert "route" in new.evidence
    assert state.events[2].amends == "E2"


@pytest.mark.parametrize(
    "changes",
    [
        {"dose": "0,8"},
        {"dose": "-1"},
        {"dose": "1e3"},
        {"drug": "naloxon"},
        {"unit": "mgs"},
        {"route": "intravenus"},
        {"route": "oral"},
        {"drug": "naloxone"},
        {"kind": "remark"},
        {"drug": ""},
        {"stated_time": "25:00"},
        {},
    ],
)
def test_only_listed_and_plain_values_are_entered(path: Path, changes: Mapping[str, str]) -> None:
    before = stored(path)
    with pytest.raises(ReviewError):
        enter(path, "amend", amend("E2", changes, "why", DRUGS))
    assert stored(path) == before


def test_an_amended_clock_time_moves_the_entry(path: Path) -> None:
    state = enter(path, "amend", amend("E1", {"stated_time": "10:29"}, "said so", DRUGS))
    event = state.events[-1].event
    assert event.occurred_at == T0.replace(minute=29)


@pytest.mark.parametrize(
    ("said", "changes", "why"),
    [
        # Ranges of the parts: NEMSIS v3.5.1 eVitals.19 to .21.
        ("g c s fourteen eye four verbal four motor six", {"eye": "9"}, "out of range"),
        ("g c s fourteen eye four verbal four motor six", {"eye": "3"}, "parts make 13, not 14"),
        ("blood pressure ninety eight over fifty four", {"diastolic": "120"}, "lower is not below"),
        ("blood pressure ninety eight over fifty four", {"palpated": "true"}, "no lower value"),
        ("blood pressure ninety eight over fifty four", {"systolic": ""}, "cannot be entered"),
        ("naloxone zero point four milligrams intravenous", {"dose": "0"}, "dose of zero"),
    ],
)
def test_values_that_cannot_stand_together_are_not_entered(
    tmp_path: Path, said: str, changes: Mapping[str, str], why: str
) -> None:
    path = told_file(tmp_path / "parts.vlog", (0.0, said))
    before = stored(path)
    with pytest.raises(ReviewError, match=why):
        enter(path, "amend", amend("E1", changes, "listened", DRUGS))
    assert stored(path) == before


def test_values_that_belong_together_are_amended_together(tmp_path: Path) -> None:
    path = told_file(tmp_path / "parts.vlog", (0.0, "g c s fourteen eye four verbal four motor six"))
    state = enter(path, "amend", amend("E1", {"eye": "3", "total": "13"}, "listened", DRUGS))
    assert state.events[-1].event.model_dump()["eye"] == 3
    assert state.events[-1].flags == ()


def test_a_part_that_was_never_said_may_be_taken_away_and_is_flagged(path: Path) -> None:
    state = enter(path, "amend", amend("E2", {"route": ""}, "no route was said", DRUGS))
    assert state.events[-1].flags == ("route_missing",)


@pytest.mark.parametrize(
    ("said", "offered"),
    [
        ("g c s fourteen eye four verbal four motor six", {"total", "eye", "verbal", "motor"}),
        ("blood pressure ninety eight over fifty four", {"systolic", "diastolic", "palpated"}),
        ("end tidal c o two forty six", {"value", "unit"}),
        ("tourniquet left thigh", {"action", "site"}),
        ("on scene", set()),
    ],
)
def test_only_what_belongs_to_its_kind_is_offered(tmp_path: Path, said: str, offered: set[str]) -> None:
    (recorded,) = fold(stored(told_file(tmp_path / "parts.vlog", (0.0, said)))).events
    assert set(amendable(recorded.event, DRUGS)) - {"stated_time"} == offered


def test_a_reason_is_needed(path: Path) -> None:
    with pytest.raises(ReviewError, match="few words"):
        enter(path, "error", enter_in_error("E1", "  "))


def test_a_written_value_is_flagged_like_a_spoken_one(path: Path) -> None:
    state = enter(path, "amend", amend("E2", {"dose": "400"}, "written down", DRUGS))
    assert "dose_above_limit" in state.events[-1].flags
    state = enter(path, "amend", amend("E1", {"value": "8"}, "written down", DRUGS))
    assert state.events[-1].flags == ("implausible",)


def test_an_added_callout_keeps_its_flags(path: Path) -> None:
    event = VitalSign(sign="heart_rate", value=Decimal(8), unit="/min")
    state = enter(path, "add", add_missed("U3", [Draft(event, ("implausible",))], "heard on the recording"))
    assert state.events[-1].flags == ("implausible",)


def test_an_entry_in_error_stays_as_rejected_and_is_not_judged_again(path: Path) -> None:
    assert status(enter(path, "error", enter_in_error("E1", "another patient")))["E1"] == "rejected"
    with pytest.raises(ReviewError, match="does not stand"):
        enter(path, "accept", accept("E1"))


def test_a_missed_entry_is_added_to_its_utterance(path: Path) -> None:
    event = VitalSign(sign="heart_rate", value=Decimal(80), unit="/min")
    state = enter(path, "add", add_missed("U3", [Draft(event)], "heard on the recording"))
    assert (state.events[-1].id, state.events[-1].utterance, state.events[-1].status) == ("E3", "U3", "confirmed")


@pytest.mark.parametrize(
    ("purpose", "judgement"),
    [
        ("accept", accept("E2")),
        ("error", enter_in_error("E1", "why")),
        ("amend", amend("E2", {"dose": "0.8"}, "why", DRUGS)),
        ("add", add_missed("U3", [Draft(VitalSign(sign="heart_rate", value=Decimal(80), unit="/min"))], "why")),
        ("comment", comment("E1", "why")),
        ("sign-off", sign_off()),
    ],
)
def test_every_judgement_is_undone_by_an_entry(path: Path, purpose: str, judgement: Judgement) -> None:
    before = status(fold(stored(path)))
    enter(path, purpose, judgement)
    many = len(stored(path))
    review = last_review(path)
    state = enter(path, "undo", undo(review), by="R. Two")
    assert {name: one for name, one in status(state).items() if one != "rejected" or name in before} == before
    assert state.signed_off is None
    assert review in state.undone
    assert len(stored(path)) > many
    with pytest.raises(ReviewError, match="undone already"):
        enter(path, "undo", undo(review))


def test_what_was_judged_again_is_not_undone_beneath(path: Path) -> None:
    enter(path, "accept", accept("E2"))
    first = last_review(path)
    enter(path, "error", enter_in_error("E2", "why"))
    with pytest.raises(ReviewError, match="judged again"):
        enter(path, "undo", undo(first))
    enter(path, "undo", undo(last_review(path)))
    enter(path, "undo", undo(first))
    assert status(fold(stored(path)))["E2"] == "unconfirmed"


def test_a_signed_off_case_is_closed_to_everything_but_the_undoing_of_that(path: Path) -> None:
    enter(path, "accept", accept("E2"))
    accepted = last_review(path)
    state = enter(path, "sign-off", sign_off())
    assert state.signed_off is not None
    assert state.signed_off.by == "R. One"
    before = stored(path)
    for purpose, judgement in (("accept", accept("E1")), ("comment", comment("", "x")), ("undo", undo(accepted))):
        with pytest.raises(ReviewError, match="signed off"):
            enter(path, purpose, judgement)
    assert stored(path) == before


def test_the_later_of_two_reviewers_is_told_and_loses_nothing(path: Path) -> None:
    seen = stored(path)[-1].hash
    enter(path, "accept", accept("E2"), seen=seen)
    before = stored(path)
    with pytest.raises(OvertakenError):
        enter(path, "error", enter_in_error("E2", "why"), by="R. Two", seen=seen)
    assert stored(path) == before


def test_two_do_not_write_at_once(path: Path) -> None:
    with CaseFile.open(path, write=True), pytest.raises(CaseFileError):
        enter(path, "accept", accept("E2"))


@pytest.mark.parametrize("name", ["", "   ", "x" * 101])
def test_a_reviewer_has_a_name(name: str) -> None:
    with pytest.raises(ReviewError, match="name"):
        Reviewer(name, AT)


@pytest.mark.parametrize("review", [0, -1, 1, 2, 10**9])
def test_only_a_review_is_undone(path: Path, review: int) -> None:
    with pytest.raises(ReviewError):
        enter(path, "undo", undo(review))
