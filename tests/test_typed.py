"""Typed callouts as one course: what the checks over the whole case find, as replay finds it, on a simulated clock."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

import pytest
from callout_rows import callout_rows, talk_lines
from checks_case import GRAMMAR, PROTOCOL, T0
from hypothesis import given, settings
from hypothesis import strategies as st
from report_cases import told_file

from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.dialogue.typed import LOOKS_BACK, TypedCourse

COMMANDS = ("confirm", "correction", "take back the last entry", "what is due", "end of case", "over eighty", "ninety")
LINES = [*COMMANDS, *talk_lines()[:50], *(row.spoken for row in callout_rows())]
EARLY = (
    (0.0, "bag valve mask ventilation started"),
    (0.5, "naloxone two milligrams i n"),
    (0.7, "confirm"),
    (2.0, "heart rate one thirty two"),
    (3.0, "heart rate thirty two"),
    (3.2, "correction heart rate one thirty"),
    (4.0, "blood pressure one twenty"),
    (4.1, "over eighty"),
)


class Typed:
    """A course, a line at a minute of the simulated clock."""

    def __init__(self) -> None:
        self.course = TypedCourse(GRAMMAR, PROTOCOL)
        self.said = ""

    def say(self, minute: float, text: str) -> tuple[str, ...]:
        """The flags of a line."""
        at: datetime = T0 + timedelta(minutes=minute)
        self.result, self.said, flags = self.course.answer(text, at)
        return flags


@pytest.fixture
def typed() -> Typed:
    return Typed()


def test_two_entries_of_one_text_that_contradict_are_found(typed: Typed) -> None:
    assert typed.say(0, "rhythm asystole and heart rate eighty") == ("rhythm_against_rate",)
    assert [draft.flags for draft in typed.result.drafts] == [(), ("rhythm_against_rate",)]
    assert typed.said.endswith("Heart rate eight zero, rhythm asystole, but heart rate eight zero. Confirm?")


def test_a_change_between_two_lines_is_found_once(typed: Typed) -> None:
    assert typed.say(0, "heart rate one thirty two") == ()
    assert typed.say(1, "heart rate thirty two") == ("sudden_change",)
    assert typed.say(2, "heart rate thirty four") == ()


def test_the_time_between_two_lines_counts(typed: Typed) -> None:
    typed.say(0, "bag valve mask ventilation started")
    # One minute of ventilation before the drug: common practice, no source; a row of the protocol file.
    assert typed.say(0.5, "naloxone two milligrams i n") == ("early_drug",)
    later = Typed()
    later.say(0, "bag valve mask ventilation started")
    assert later.say(2, "naloxone two milligrams i n") == ()


def test_a_doubt_about_an_older_line_is_a_flag_too(typed: Typed) -> None:
    typed.say(0, "aspirin three hundred milligrams p o")
    assert typed.say(1, "patient is allergic to aspirin") == ("allergy",)
    assert typed.result.drafts[0].flags == ()


def test_what_is_only_told_is_said_and_no_flag(typed: Typed) -> None:
    typed.say(0, "midazolam five milligrams prepared")
    typed.say(0.2, "confirm")
    assert typed.say(1, "midazolam three milligrams i m") == ()
    assert "Two milligrams of midazolam left, to be accounted for." in typed.said


def test_the_answer_to_a_question_completes_its_callout(typed: Typed) -> None:
    typed.say(0, "blood pressure one twenty")
    assert (typed.result.outcome, typed.said) == ("ambiguous", "")
    typed.say(0.1, "over eighty")
    assert (typed.result.outcome, typed.said) == ("events", "Pressure one two zero over eight zero.")
    assert [draft.event.kind for draft in typed.result.drafts] == ["vital_sign"]


def test_what_was_taken_back_counts_no_more(typed: Typed) -> None:
    typed.say(0, "heart rate one thirty two")
    typed.say(0.5, "take back the last entry")
    assert typed.said == "Taken back: heart rate one three two."
    assert typed.say(1, "heart rate thirty two") == ()


@pytest.mark.parametrize("time", ["nine oh five", "fourteen oh five", "twenty three fifty"])
def test_the_first_stated_time_sets_the_clock_whatever_the_hour(typed: Typed, time: str) -> None:
    assert typed.say(0, f"heart rate ninety at {time}") == ()


def test_a_later_stated_time_is_that_much_later(typed: Typed) -> None:
    typed.say(0, "naloxone two milligrams i n at fourteen oh five")
    # Two minutes between doses, the label's; a row of the protocol file.
    assert typed.say(0, "naloxone two milligrams i n at fourteen oh six") == ("too_soon",)
    assert typed.say(0, "naloxone two milligrams i n at fourteen twenty") == ()


def test_a_stated_time_that_runs_backwards_is_asked_about(typed: Typed) -> None:
    typed.say(0, "heart rate ninety at fourteen oh five")
    assert typed.say(0, "saturation ninety five at twelve thirty") == ("time_long_ago",)


def test_a_confirmed_end_begins_a_new_course(typed: Typed) -> None:
    typed.say(0, "heart rate one thirty two")
    typed.say(0.5, "end of case")
    assert typed.result.questions[-1].about == "end_case"
    typed.say(0.6, "confirm")
    assert typed.say(1, "heart rate thirty two") == ()


def test_an_endless_course_is_bounded(typed: Typed) -> None:
    for number in range(LOOKS_BACK + 5):
        typed.say(number * 20, "saturation ninety five")
    assert len(typed.course.state.standing) == LOOKS_BACK


def test_it_finds_and_says_what_a_session_does(typed: Typed, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = told_file(tmp_path_factory.mktemp("case") / "case.voicelog", *EARLY)
    with CaseFile.open(path) as case:
        entries = list(case.entries())
    said, flags = [], []
    for minute, text in EARLY:
        found = typed.say(minute, text)
        said += [typed.said] if typed.said else []
        flags += [list(found)] if typed.result.drafts else []
    assert said == [entry.body["text"] for entry in entries if entry.type == "read_back"]
    assert flags == [list(entry.flags) for entry in fold(entries).events]


def test_findings_in_the_json_of_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["parse", "rhythm asystole and heart rate eighty", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["flags"] == ["rhythm_against_rate"]
    assert "rhythm asystole, but heart rate eight zero" in answer["read_back"]
    assert [event["occurred_at"] for event in answer["events"]] == [None, None]


def test_findings_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["parse", "epinephrine one milligram i v"]) == 0
    out = capsys.readouterr().out
    assert "(strength needed)" in out
    assert "Confirm?" in out


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(LINES), st.integers(0, 600)), max_size=6))
def test_no_course_raises_and_every_flagged_entry_asks_for_a_confirm(lines: list[tuple[str, int]]) -> None:
    typed, clock = Typed(), 0.0
    for text, seconds in lines:
        clock += seconds / 60
        typed.say(clock, text)
        flagged = any(draft.flags for draft in typed.result.drafts)
        assert not flagged or "Confirm?" in typed.said
