"""What was heard beside what was said: each outcome on hand-made cases, and identities that always hold."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from drill_cases import EPI, PULSE, RESPS, fields, heard, hearing, line, perfect, truth, vital
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.drill.hearing import HeardUtterance, hearing_from, hearing_text
from voicelog.drill.judge import OUTCOMES, Heard
from voicelog.drill.make import events_of, shipped_scripts
from voicelog.drill.matching import DrillResult, matched
from voicelog.drill.script import read_script
from voicelog.drill.tally import Run, figures
from voicelog.drill.truth import TrueLine, Truth
from voicelog.drill.typed import typed_course
from voicelog.grammar.loader import load_grammar

PULSE_LINE = line("pulse fifty", 5, PULSE)
EPI_LINE = line("epinephrine one milligram i v", 10, EPI)
CONFIRM_LINE = line("confirm", 15, kind="confirm")
TALK_LINE = line("his pulse was fifty yesterday", 20, kind="talk")
DRILL = truth(PULSE_LINE, EPI_LINE, CONFIRM_LINE, TALK_LINE)


def result(*utterances: HeardUtterance, of: Truth = DRILL) -> DrillResult:
    return matched(of, hearing(*utterances), typed(tuple((line.say, line.start) for line in of.lines)))


@cache
def typed(said: tuple[tuple[str, float], ...]) -> list[Heard]:
    """What lines lead to when they are typed; found once for each test drill."""
    return typed_course(said, load_grammar())


def outcomes(found: DrillResult) -> list[str]:
    return [callout.score.outcome for callout in found.callouts]


@pytest.mark.parametrize(
    ("utterances", "outcome"),
    [
        ([heard("pulse fifty", 5, PULSE)], "exact"),
        ([heard("pulse fifty", 5.4, PULSE)], "exact"),
        ([heard("pulse fifty", 5, PULSE, flags=("noisy",))], "asked"),
        ([heard("pulse fifteen", 5, vital("heart_rate", 15), flags=("noisy",))], "asked"),
        ([heard("pulse", 5, question=True)], "asked"),
        ([heard("pulse fifty", 5, PULSE, question=True)], "asked"),
        ([heard("close fifty", 5)], "rejected"),
        ([], "missed"),
        ([heard("pulse fifty", 40, PULSE)], "missed"),
        ([heard("pulse fifteen", 5, vital("heart_rate", 15))], "wrong"),
        ([heard("pulse fifty", 5, PULSE, vital("respiratory_rate", 50))], "wrong"),
        ([heard("pulse fifty", 5, PULSE), heard("pulse fifty", 6, PULSE)], "wrong"),
        ([heard("pulse fifty", 5, PULSE, length=1), heard("fifty", 6.2, length=0.8)], "exact"),
    ],
)
def test_an_outcome_of_a_callout(utterances: list[HeardUtterance], outcome: str) -> None:
    assert outcomes(result(*utterances))[0] == outcome


def test_half_of_a_callout_is_missed() -> None:
    both = truth(line("pulse fifty resps nine", 5, PULSE, RESPS))
    assert outcomes(result(heard("pulse fifty", 5, PULSE), of=both)) == ["missed"]
    assert outcomes(result(heard("pulse fifty resps nine", 5, PULSE, RESPS), of=both)) == ["exact"]


def test_a_confirm_is_judged_by_itself_when_what_it_confirms_was_lost() -> None:
    found = result(heard("confirm", 15, commands=("confirm",)))
    assert outcomes(found) == ["missed", "missed", "exact"]


def test_a_confirm_that_nobody_gave_is_accepted_wrong_in_a_callout_and_extra_in_talk() -> None:
    one = heard("confirmed", 5, commands=("confirm",), decisions=("confirmed",))
    assert outcomes(result(one))[0] == "wrong"
    found = result(replace(one, start=20, end=22))
    assert outcomes(found) == ["missed"] * 3
    assert [(entry.decisions, entry.unflagged) for entry in found.false] == [(("confirmed",), 1)]


@pytest.mark.parametrize("second", [20.0, 50.0], ids=["in talk", "in silence"])
def test_what_nobody_called_out_is_extra_and_no_callout_pays_for_it(second: float) -> None:
    found = result(heard("pulse fifty", second, PULSE, flags=("noisy",)), heard("pulse fifty", 5, PULSE))
    assert outcomes(found) == ["exact", "missed", "missed"]
    assert [(entry.count, entry.unflagged) for entry in found.false] == [(1, 0)]


def test_one_utterance_may_hold_two_lines_and_each_gets_its_own() -> None:
    joined = heard("pulse fifty epinephrine one milligram i v", 5, PULSE, EPI, length=7)
    found = result(joined)
    assert outcomes(found)[:2] == ["exact", "exact"]
    wrong = heard("pulse fifty epinephrine two milligrams i v", 5, PULSE, {**EPI, "dose": 2}, length=7)
    assert outcomes(result(wrong))[:2] == ["exact", "wrong"]


def test_talk_over_a_callout_takes_nothing_from_it() -> None:
    over = truth(PULSE_LINE, replace(TALK_LINE, start=6, end=8))
    assert outcomes(result(heard("pulse fifty", 5, PULSE, length=3), of=over)) == ["exact"]


def test_flags_that_the_words_alone_raise_are_no_error_of_hearing() -> None:
    say = "aspirin four thousand milligrams p o"
    much = fields(kind="medication", drug="aspirin", dose=4000, unit="mg", route="oral")
    drill = truth(line(say, 5, much))
    assert outcomes(result(heard(say, 5, much, flags=("dose_above_limit",)), of=drill)) == ["exact"]
    assert outcomes(result(heard(say, 5, much, flags=("dose_above_limit", "noisy")), of=drill)) == ["asked"]


def test_a_line_that_the_grammar_reads_otherwise_is_told() -> None:
    assert result(of=truth(line("pulse fifty", 5, vital("heart_rate", 15)))).unreadable == ("pulse fifty",)
    assert result().unreadable == ()


def test_words_and_delay_of_a_callout() -> None:
    callout = result(heard("pulse fifty one", 5, PULSE)).callouts[0]
    assert callout.words == ("pulse", "fifty", "one")
    # Two seconds of speech, entered 1.5 s after its end.
    assert callout.delay_s == 1.5


def test_values_are_right_wrong_or_not_entered() -> None:
    found = result(
        heard("epinephrine ten milligrams", 10, fields(kind="medication", drug="epinephrine", dose=10, unit="mg"))
    )
    by_group = {field.group: (field.said, field.entered, field.wrong) for field in found.callouts[1].fields}
    assert by_group == {
        "drug": ("epinephrine", "epinephrine", False),
        "dose": ("1", "10", True),
        "unit": ("mg", "mg", False),
        "route": ("intravenous", None, False),
    }


# Identities


@pytest.mark.parametrize("name", shipped_scripts())
def test_the_truth_against_itself_is_perfect(name: str) -> None:
    said = read_script(shipped_scripts()[name]).lines
    course = typed_course([(one.say, 5.0 * number) for number, one in enumerate(said)], load_grammar())
    drill = truth(
        *(
            TrueLine("one", one.kind, one.say, 5.0 * number, 5.0 * number + 3, events_of(one, plain))
            for number, (one, plain) in enumerate(zip(said, course, strict=True))
        )
    )
    found = result(*perfect(drill).utterances, of=drill)
    assert set(outcomes(found)) <= {"exact"}
    data = figures(Run("sphinx", {}, (found,)))
    assert (data["extra"], data["wer"], data["drug_read_back_wrong"]) == (0, 0.0, 0)
    assert all(one["right"] == one["said"] for one in data["fields"].values())


UTTERANCES = st.lists(
    st.sampled_from(
        [
            heard("pulse fifty", 5, PULSE),
            heard("pulse fifteen", 5.5, vital("heart_rate", 15)),
            heard("pulse", 6, question=True),
            heard("epinephrine one milligram i v", 10, EPI, flags=("noisy",)),
            heard("confirm", 15, commands=("confirm",), decisions=("confirmed",)),
            heard("resps nine", 21, RESPS),
            heard("", 40),
            heard("pulse fifty", 45, PULSE),
            heard("pulse fifty epinephrine", 4, PULSE, length=7),
        ]
    ),
    unique_by=lambda one: (one.start, one.text),
)


@settings(max_examples=20, deadline=None)
@given(UTTERANCES, st.randoms(use_true_random=False))
def test_outcomes_add_up_and_the_order_of_what_was_heard_does_not_matter(
    utterances: list[HeardUtterance], random: object
) -> None:
    drills = [result(*utterances), result(*utterances, of=replace(DRILL, recording="b.flac"))]
    data = figures(Run("sphinx", {}, tuple(drills)))
    assert sum(data["outcomes"].values()) == data["callouts"] == 6
    for name in ("by_snr", "by_noise", "by_speaker", "by_drill"):
        for outcome in OUTCOMES:
            parts = [one["outcomes"][outcome] for one in data[name].values()]
            assert sum(parts) == data["outcomes"][outcome]
    for one in data["fields"].values():
        assert one["right"] + one["wrong"] + one["absent"] == one["said"]
    entered = sum(len(one.events) for one in utterances) * 2
    in_callouts = sum(len(callout.heard.events) for drill in drills for callout in drill.callouts)
    extra = sum(len(entry.events) for drill in drills for entry in drill.false)
    assert in_callouts + extra == entered
    shuffled = list(utterances)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    again = [result(*shuffled, of=replace(DRILL, recording=name)) for name in ("b.flac", "a.flac")]
    assert figures(Run("sphinx", {}, tuple(again))) == data


@given(UTTERANCES)
def test_a_hearing_survives_its_text(utterances: list[HeardUtterance]) -> None:
    assert hearing_from(hearing_text(hearing(*utterances))) == hearing(*utterances)
