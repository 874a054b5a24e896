"""Which proposals are offered: alone and together, by what they do to recordings that had no part in them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from drill_cases import PULSE, heard, hearing, line, truth, vital

from voicelog.drill.learn import Effect, Judged, Trial, _together, _weights
from voicelog.drill.matching import DrillResult, judged
from voicelog.drill.proposals import Proposal
from voicelog.drill.scoring import Scored
from voicelog.drill.tally import Run, figures
from voicelog.drill.truth import Truth
from voicelog.grammar.loader import load_grammar

DRILLS = tuple(truth(line("pulse fifty", 5, PULSE, who=name), recording=f"{name}.flac") for name in "abc")
GOOD, BAD, NONE = heard("pulse fifty", 5, PULSE), heard("pulse fifteen", 5, vital("heart_rate", 15)), heard("", 5)


def drill(of: Truth, what: object) -> DrillResult:
    return judged(of, hearing(what), load_grammar())  # type: ignore[arg-type]


class ByHand(Trial):
    """Hears what a table says of the proposals in force, in place of a recogniser."""

    def __init__(self, table: dict[frozenset[Proposal], tuple[object, ...]]) -> None:
        super().__init__(Path(), [(Path(of.recording), of) for of in DRILLS], "sphinx", (ThreadPoolExecutor(1), 1))
        self.table = table

    def scored(
        self, overlays: Sequence[Path], chosen: Sequence[Proposal] = (), only: Collection[str] | None = None
    ) -> Scored:
        heard_now = self.table[frozenset(chosen)]
        rows = [drill(of, what) for of, what in zip(DRILLS, heard_now, strict=True)]
        run = Run("sphinx", {}, tuple(row for row in rows if only is None or row.truth.recording in only))
        return Scored(run, figures(run))


LOW, HIGH = (Proposal("garbage", (), value, "tried beside the one in force") for value in ("1e-07", "1e-05"))
FOLDS = [frozenset({of.recording}) for of in DRILLS]


def weights(plain: tuple[object, ...], low: tuple[object, ...], high: tuple[object, ...]) -> list[Judged]:
    trial = ByHand({frozenset(): plain, frozenset({LOW}): low, frozenset({HIGH}): high})
    return _weights(trial, [], trial.scored([]), FOLDS, 1e-6)


def test_a_weight_that_does_better_everywhere_is_offered() -> None:
    (found,) = weights((GOOD, NONE, NONE), (GOOD, GOOD, GOOD), (NONE, NONE, NONE))
    assert found.offered
    assert found.proposal == LOW
    assert found.held_out == Effect(3, (1, 3), (0, 0))


def test_a_weight_that_is_better_on_one_recording_alone_gains_nothing_held_out() -> None:
    (found,) = weights((NONE, NONE, GOOD), (GOOD, NONE, GOOD), (NONE, NONE, NONE))
    # Without the recording that speaks for it, the weight in force is as good and stays.
    assert found.held_out == Effect(3, (1, 1), (0, 0))
    assert not found.offered


def test_a_weight_that_lets_more_through_wrong_is_not_even_chosen() -> None:
    assert weights((GOOD, NONE, NONE), (GOOD, GOOD, BAD), (NONE, NONE, NONE)) == []
    assert weights((GOOD, NONE, NONE), (GOOD, NONE, NONE), (GOOD, NONE, NONE)) == []


ONE, TWO = (Proposal("pronunciation", (word,), "AH", "by hand") for word in ("ketamine", "naloxone"))


def offered(proposal: Proposal, gain: int) -> Judged:
    found = Effect(3, (0, gain), (0, 0))
    return Judged(proposal, found, found, True, "")


def test_what_does_harm_together_loses_the_one_that_gains_least() -> None:
    trial = ByHand(
        {
            frozenset(): (NONE, NONE, NONE),
            frozenset({ONE, TWO}): (GOOD, GOOD, BAD),
            frozenset({ONE}): (GOOD, GOOD, NONE),
        }
    )
    rows, together = _together(trial, [], trial.scored([]), [offered(ONE, 2), offered(TWO, 1)])
    assert [(row.proposal, row.offered) for row in rows] == [(ONE, True), (TWO, False)]
    assert "together with the others" in rows[1].reason
    assert together == Effect(3, (0, 2), (0, 0))


def test_nothing_offered_is_nothing_together() -> None:
    trial = ByHand({frozenset(): (NONE, NONE, NONE)})
    assert _together(trial, [], trial.scored([]), []) == ([], None)
