"""The board as text at fixed widths: all that matters in plain words, and nothing by colour alone."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta

import pytest
from dialogue_talk import GAP, START, Talk
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from voicelog.casefile.state import CaseState
from voicelog.views.board import LiveStatus, board, level_bar, passed

TEXTS = (
    "patient contact",
    "blood pressure one eighteen over seventy six",
    "heart rate one thirty two regular",
    "albuterol two point five milligrams nebulized",
    "confirm",
    "blood pressure one ten over eighty",
    "heart rate one twenty",
    "epinephrine zero point three milligrams intramuscular left thigh",
)


def busy() -> CaseState:
    """A case with something in every part."""
    return Talk(*TEXTS).case


def well() -> LiveStatus:
    return LiveStatus(
        START + GAP * 8 + timedelta(seconds=50),
        -24.0,
        heard="epinephrine zero point three milligrams intramuscular left thigh",
        answer="Epinephrine zero point three milligrams intramuscular left thigh. Confirm?",
    )


def ill() -> LiveStatus:
    """All that can be wrong."""
    return replace(
        well(),
        level_dbfs=-96.0,
        deaf_s=12.4,
        behind_s=7.2,
        not_recording="Cannot write case.voicelog: database or disk is full.",
        no_sound="there is no sound output on this machine",
    )


def drawn(state: CaseState, status: LiveStatus, width: int, *, colour: bool = False) -> str:
    """The board as printed."""
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=colour, color_system="standard" if colour else None)
    console.print(board(state, status, width))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


@pytest.mark.parametrize("width", [40, 80, 120])
def test_a_case_with_everything(width: int) -> None:
    assert drawn(busy(), well(), width) == GOLDEN[width]


def test_what_is_wrong_stands_on_top_in_words() -> None:
    assert drawn(busy(), ill(), 80).splitlines()[:5] == WRONG


def test_before_anything_was_said() -> None:
    empty = LiveStatus(START, -60.0)
    assert drawn(CaseState(), empty, 80) == "LISTENING     10:00:00  [----------] -60 dB\n\nHEARD  nothing yet\n"


def test_no_color_draws_the_same_words(monkeypatch: pytest.MonkeyPatch) -> None:
    coloured = drawn(busy(), ill(), 80, colour=True)
    monkeypatch.setenv("NO_COLOR", "1")
    plain = drawn(busy(), ill(), 80, colour=True)
    assert ";41m" in coloured
    assert not any(f"{code}m" in plain for code in (";41", ";32", ";33", "[31"))
    assert "DEAF for 0:12" in plain


@settings(max_examples=40, deadline=None)
@given(st.integers(40, 200), st.booleans(), st.integers(0, len(TEXTS)))
def test_no_line_is_wider_than_the_terminal(width: int, wrong: bool, count: int) -> None:
    lines = drawn(Talk(*TEXTS[:count]).case, ill() if wrong else well(), width).splitlines()
    assert max(map(len, lines)) <= width


def test_a_board_fits_a_terminal_of_24_lines() -> None:
    assert len(drawn(busy(), ill(), 80).splitlines()) <= 24


def test_words_heard_cannot_move_the_cursor() -> None:
    assert "\x1b" not in drawn(CaseState(), replace(well(), heard="a\x1b[2J", answer="b\x1b[1A"), 80)


def test_the_same_value_again_is_told_as_the_same() -> None:
    assert "(same)" in drawn(Talk("heart rate ninety", "heart rate ninety").case, well(), 80)


def test_a_value_in_another_unit_has_no_change() -> None:
    case = Talk("temperature thirty eight celsius", "temperature one hundred and one fahrenheit").case
    assert len(case.events) == 2
    assert "(" not in drawn(case, well(), 80)


def test_what_was_taken_back_is_gone() -> None:
    assert "heart rate" not in drawn(Talk("heart rate ninety", "take back the last entry").case, well(), 80)


def test_the_first_ventilation_starts_the_clock_where_no_contact_was_said() -> None:
    assert "since first ventilation" in drawn(Talk("bagging the patient").case, well(), 80)


def test_many_waiting_entries_are_counted() -> None:
    talk = Talk(*(f"naloxone {number} milligrams intranasal" for number in ("one", "two", "three", "four", "five")))
    assert "and 1 more" in drawn(talk.case, well(), 80)


@pytest.mark.parametrize("width", [40, 41, 55, 80])
def test_no_word_of_a_drug_is_cut(width: int) -> None:
    text = " ".join(drawn(busy(), well(), width).split())
    assert text.count("epinephrine 0.3 mg intramuscular left thigh") == 2


@pytest.mark.parametrize(
    ("level", "bar"),
    [(-96, "----------"), (-60, "----------"), (-33, "#####-----"), (-6, "##########"), (0, "##########")],
)
def test_the_level(level: float, bar: str) -> None:
    assert level_bar(level) == bar


@pytest.mark.parametrize(("seconds", "text"), [(-1, "0:00"), (7.9, "0:07"), (725, "12:05"), (3750, "1:02:30")])
def test_a_time_that_runs(seconds: float, text: str) -> None:
    assert passed(timedelta(seconds=seconds)) == text


GOLDEN = {
    40: """\
LISTENING     10:03:30  [#######---]

HEARD  epinephrine zero point three
milligrams intramuscular left thigh
SAID   Epinephrine zero point three
milligrams intramuscular left thigh.
Confirm?

WAITS FOR CONFIRM
▲ epinephrine 0.3 mg intramuscular left
thigh  0:50
VITAL SIGNS
blood pressure 110/80 mmHg (-8/+4)
heart rate 120/min (-12)
DRUGS
10:01  ● confirmed  albuterol 2.5 mg
nebulized
10:02  ▲ unconfirmed  epinephrine 0.3 mg
intramuscular left thigh
CLOCKS
    3:10  since patient contact
    1:10  since last vital sign
    2:10  since albuterol
    0:50  since epinephrine""",
    80: """\
LISTENING     10:03:30  [#######---] -24 dB

HEARD  epinephrine zero point three milligrams intramuscular left thigh
SAID   Epinephrine zero point three milligrams intramuscular left thigh.
Confirm?

WAITS FOR CONFIRM
▲ epinephrine 0.3 mg intramuscular left thigh  0:50
VITAL SIGNS
blood pressure 110/80 mmHg (-8/+4)   1:30 ago
heart rate 120/min (-12)   1:10 ago
DRUGS
10:01  ● confirmed  albuterol 2.5 mg nebulized
10:02  ▲ unconfirmed  epinephrine 0.3 mg intramuscular left thigh
CLOCKS
    3:10  since patient contact
    1:10  since last vital sign
    2:10  since albuterol
    0:50  since epinephrine""",
    120: """\
LISTENING     10:03:30  [#######---] -24 dB

HEARD  epinephrine zero point three milligrams intramuscular left thigh
SAID   Epinephrine zero point three milligrams intramuscular left thigh. Confirm?

WAITS FOR CONFIRM
▲ epinephrine 0.3 mg intramuscular left thigh  0:50
VITAL SIGNS
blood pressure 110/80 mmHg (-8/+4)   1:30 ago
heart rate 120/min (-12)   1:10 ago
DRUGS
10:01  ● confirmed  albuterol 2.5 mg nebulized
10:02  ▲ unconfirmed  epinephrine 0.3 mg intramuscular left thigh
CLOCKS
    3:10  since patient contact
    1:10  since last vital sign
    2:10  since albuterol
    0:50  since epinephrine""",
}
WRONG = [
    " DEAF for 0:12 - NOTHING IS HEARD",
    "10:03:30",
    " NOT RECORDING: Cannot write case.voicelog: database or disk is full.",
    "NO SOUND OUT: there is no sound output on this machine",
    "SLOW: 7 seconds behind",
]
