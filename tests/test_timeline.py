"""The timeline as printed: golden text at a fixed width, the same meaning with and without colour."""

from __future__ import annotations

import io

import pytest
from dialogue_talk import Talk
from rich.console import Console

from voicelog.casefile.state import CaseState
from voicelog.views.timeline import MARKS, open_items, print_case


def case() -> CaseState:
    talk = Talk(
        "pulse ninety",
        "correction one hundred and five",
        "epi one milligram i v push at ten oh one",
        "confirm",
        "fentanyl fifty micrograms i v",
        "sats ninety four",
        "scratch that",
        "hart rate eighty",
    )
    talk.close()
    return talk.case


def printed(state: CaseState, width: int = 110, colour: bool = False) -> str:
    out = io.StringIO()
    console = Console(
        file=out, width=width, force_terminal=colour, color_system="standard" if colour else None, highlight=False,
        legacy_windows=False, no_color=None,
    )  # fmt: skip
    print_case(console, state)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


GOLDEN = """\
Timeline
time      entry  what                          state          notes
10:00:20  E1     heart rate 90/min             ↷ amended      corrected by E2
10:00:20  E2     heart rate 105/min            ● confirmed    corrects E1
10:01:00  E3     epinephrine 1 mg intravenous  ● confirmed    time said: 10:01
10:01:40  E4     fentanyl 50 mcg intravenous   ▲ unconfirmed
10:02:00  E5     oxygen saturation 94%         ✕ rejected     taken back
10:02:40  E6     heart rate 80/min             ▲ unconfirmed  label repaired

Drugs
  10:01:00  epinephrine 1 mg intravenous  ● confirmed
  10:01:40  fentanyl 50 mcg intravenous  ▲ unconfirmed

Open
  ▲ E4 fentanyl 50 mcg intravenous: never confirmed
  ▲ E6 heart rate 80/min: never confirmed
  ▲ the case is not closed"""


def test_the_timeline_as_text() -> None:
    assert printed(case()) == GOLDEN


def test_colours_are_an_addition_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    coloured = printed(case(), colour=True)
    assert "\x1b[1;33m▲ unconfirmed" in coloured


def test_no_color_prints_no_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert not any(f"\x1b[{code}" in printed(case(), colour=True) for code in ("1;33", "33", "32", "36"))


@pytest.mark.parametrize("width", [40, 60, 200])
def test_every_entry_and_state_is_there_at_any_width(width: int) -> None:
    text = printed(case(), width)
    for recorded in case().events:
        assert f"{recorded.id} " in text
        assert f"{MARKS[recorded.status][0]} {recorded.status}" in text


def test_every_state_has_a_sign_of_its_own() -> None:
    assert len({sign for sign, _ in MARKS.values()}) == len(MARKS) == 5


def test_an_empty_case_says_so() -> None:
    text = printed(CaseState(closed=True))
    assert "Drugs\n  none" in text
    assert text.endswith("Open\n  nothing")


def test_what_is_open_is_every_unconfirmed_entry_and_a_case_not_closed() -> None:
    assert open_items(Talk("hart rate eighty", "pulse ninety").case) == [
        "E1 heart rate 80/min: never confirmed",
        "the case is not closed",
    ]
