"""Figures of drills beside jiwer, SciPy and worked examples: word errors, alignments, intervals, tests, bars."""

from __future__ import annotations

from pathlib import Path

import jiwer
import numpy as np
import pytest
from drill_cases import EPI, PULSE, heard, hearing, line, truth, vital
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from voicelog.drill.against import compared
from voicelog.drill.bars import MEASURES, bars_of
from voicelog.drill.debrief import findings, headline
from voicelog.drill.intervals import RESAMPLES, SEED, at_most, mcnemar, share_interval
from voicelog.drill.matching import judged
from voicelog.drill.scoring import Scored, read_outcomes, results
from voicelog.drill.script import DrillError
from voicelog.drill.tally import Run, figures
from voicelog.drill.words import aligned, confusions, word_error_rate
from voicelog.drill.work import write_json
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar

# Words

SAID = ("heart", "rate", "one", "thirteen")


@pytest.mark.parametrize(
    ("words", "steps", "errors"),
    [
        (SAID, [("equal", SAID, SAID)], 0),
        (
            ("heart", "rate", "one", "thirty"),
            [("equal", SAID[:3], SAID[:3]), ("substitute", ("thirteen",), ("thirty",))],
            1,
        ),
        (("rate", "one", "thirteen"), [("delete", ("heart",), ()), ("equal", SAID[1:], SAID[1:])], 1),
        ((), [("delete", SAID, ())], 4),
        (
            ("heart", "rate", "is", "one", "thirteen"),
            [("equal", SAID[:2], SAID[:2]), ("insert", (), ("is",)), ("equal", SAID[2:], SAID[2:])],
            1,
        ),
    ],
)
def test_an_alignment(words: tuple[str, ...], steps: list[object], errors: int) -> None:
    (found,) = aligned([(SAID, words)])
    assert list(found.steps) == steps
    assert (found.errors, found.count) == (errors, 4)


WORDS = st.lists(st.sampled_from("pulse heart rate fifty fifteen one over".split()), max_size=8).map(tuple)


@given(st.lists(st.tuples(WORDS.filter(bool), WORDS), min_size=1, max_size=5))
@settings(deadline=None)
def test_the_word_error_rate_is_jiwers(pairs: list[tuple[tuple[str, ...], tuple[str, ...]]]) -> None:
    found = aligned(pairs)
    theirs = jiwer.process_words([" ".join(said) for said, _ in pairs], [" ".join(now) for _, now in pairs])
    assert word_error_rate(found) == pytest.approx(theirs.wer)
    assert sum(one.errors for one in found) == theirs.substitutions + theirs.deletions + theirs.insertions


def test_confusions_are_sorted_by_count() -> None:
    pairs = [(("pulse", "fifty"), ("pulse", "fifteen"))] * 2 + [(("pulse", "sixty"), ("bolus", "sixty"))]
    assert list(confusions(aligned(pairs)).items()) == [(("fifty", "fifteen"), 2), (("pulse", "bolus"), 1)]


# Intervals and tests


@pytest.mark.parametrize("hits", [[1, 0, 1, 1, 0, 1, 1, 0, 1, 1], [1] + [0] * 39])
def test_the_interval_of_a_share_is_scipys_bootstrap(hits: list[int]) -> None:
    theirs = stats.bootstrap(
        (np.array(hits, dtype=float),),
        np.mean,
        n_resamples=RESAMPLES,
        method="percentile",
        rng=np.random.default_rng(SEED),
    ).confidence_interval
    assert share_interval(hits) == pytest.approx((theirs.low, theirs.high))


def test_the_interval_of_a_share_is_near_the_exact_one() -> None:
    # 70 of 100: Clopper and Pearson give 0.600 to 0.788 (R: binom.test(70, 100)).
    assert share_interval([1] * 70 + [0] * 30) == pytest.approx((0.600, 0.788), abs=0.02)


def test_all_or_none_are_not_taken_for_certain() -> None:
    # Clopper and Pearson for n of n: the lower end is 0.025 to the power of 1 / n.
    assert share_interval([1] * 12) == pytest.approx((0.025 ** (1 / 12), 1.0))
    assert share_interval([0] * 12) == pytest.approx((0.0, 1 - 0.025 ** (1 / 12)))
    assert share_interval([1]) == (0.0, 1.0)


def test_what_no_hit_in_a_hundred_can_stand_for() -> None:
    # Clopper and Pearson: 1 - 0.025 to the power of 1 / 100.
    assert at_most(0, 100) == pytest.approx(0.03622, abs=1e-5)
    assert at_most(0, 0) == 1.0


@pytest.mark.parametrize(("better", "worse"), [(10, 2), (0, 0), (3, 3), (1, 9), (0, 6)])
def test_mcnemar_is_scipys_binomial_test(better: int, worse: int) -> None:
    expected = stats.binomtest(better, better + worse, 0.5).pvalue if better + worse else 1.0
    assert mcnemar(better, worse) == pytest.approx(expected)


def test_mcnemar_by_hand() -> None:
    # Two tails of 12 coins with 2 or fewer on one side: 2 * (1 + 12 + 66) / 4096.
    assert mcnemar(10, 2) == pytest.approx(2 * 79 / 4096)


# A run

DRILL = truth(line("pulse fifty", 5, PULSE), line("epinephrine one milligram i v", 10, EPI, who="two"))
GOOD = [heard("pulse fifty", 5, PULSE), heard("epinephrine one milligram i v", 10, EPI)]
BAD = [heard("pulse fifteen", 5, vital("heart_rate", 15)), heard("pulse fifty", 40, PULSE)]


def scored(*utterances: object) -> Scored:
    run = Run("sphinx", {"engine": "by hand"}, (judged(DRILL, hearing(*utterances), load_grammar()),))  # type: ignore[arg-type]
    return Scored(run, figures(run))


def test_figures_of_a_run_by_hand() -> None:
    data = scored(*BAD).figures
    assert data["outcomes"] == {"exact": 0, "asked": 0, "missed": 1, "rejected": 0, "wrong": 1}
    # Of seven words one is another and five were not heard.
    assert data["wer"] == round(6 / 7, 5)
    assert data["word_confusions"] == [{"said": "fifty", "heard": "fifteen", "count": 1}]
    assert data["value_confusions"] == [{"field": "number", "said": "50", "entered": "15", "count": 1}]
    # One entry that nobody called out, in a minute.
    assert (data["extra"], data["extra_unflagged"], data["false_per_hour"]) == (1, 1, 60.0)
    assert {name: one["outcomes"]["wrong"] for name, one in data["by_speaker"].items()} == {"one": 1, "two": 0}


def test_the_debrief_names_what_went_wrong_first_and_says_what_to_do() -> None:
    told = findings(scored(*BAD))
    assert [finding.weight for finding in told] == sorted(
        (finding.weight for finding in told), key=["stop", "look", "know"].index
    )
    assert "otherwise than said" in told[0].what
    assert told[0].examples == ("“pulse fifty” was heard as “pulse fifteen” (one)",)
    assert all(finding.todo for finding in told)
    assert "2 callouts in 1 drill by 2 speakers" in headline(scored(*BAD))


def test_a_good_run_has_nothing_to_mend() -> None:
    assert [finding.weight for finding in findings(scored(*GOOD))] == ["know"]


def test_two_runs_are_compared_callout_by_callout(tmp_path: Path) -> None:
    write_json(results([scored(*BAD)], "abc"), tmp_path / "scores.json")
    old = read_outcomes(tmp_path)["sphinx"]
    verdict = compared(scored(*GOOD).run.callouts, old)
    assert (verdict["shared"], verdict["better"], verdict["worse"]) == (2, 2, 0)
    assert (verdict["wrong_before"], verdict["wrong_now"], verdict["p"]) == (1, 0, 0.5)
    same = compared(scored(*BAD).run.callouts, old)
    assert (same["better"], same["worse"], same["p"]) == (0, 0, 1.0)
    with pytest.raises(DrillError, match="no callout in common"):
        compared(scored(*GOOD).run.callouts, {("other.flac", 0, "pulse"): "exact"})


# Bars


@pytest.mark.parametrize(
    ("text", "good", "bad"),
    [
        ("exact=0.95", True, False),
        ("wrong=0.001", True, False),
        ("missed=0.4", True, False),
        ("number=0", True, False),
        ("wer=0.1", True, False),
        ("false_per_hour=10", True, False),
        ("asked=0, drug=0", True, True),
    ],
)
def test_a_bar_is_met_or_missed(text: str, good: bool, bad: bool) -> None:
    bars = bars_of(text)
    assert all(bar.met(scored(*GOOD).figures) for bar in bars) is good
    assert all(bar.met(scored(*BAD).figures) for bar in bars) is bad


def test_every_measure_can_be_a_bar() -> None:
    assert all(bar.value(scored(*BAD).figures) >= 0 for bar in bars_of(",".join(f"{name}=1" for name in MEASURES)))


@pytest.mark.parametrize("text", ["exact", "exact=two", "exact=1.5", "speed=1", "wrong=-1", "wer=nan"])
def test_a_bar_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        bars_of(text)
