"""The word net a recogniser walks: it lets through what the grammar lets crews say."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from voicelog.grammar.acceptor import END, START, Weights, WordNet, minimal, word_net
from voicelog.grammar.loader import load_grammar, read_grammar
from voicelog.grammar.model import Grammar
from voicelog.parse.tokens import words_of

GARBAGE = ("phone-a", "phone-b")


def accepts(net: WordNet, *texts: str) -> list[bool]:
    """A plain walk with sets of states: empty arcs, then a word, and so on."""
    after: dict[tuple[int, str], set[int]] = {}
    for source, target, _, word in net.arcs:
        after.setdefault((source, word), set()).add(target)
    onward: dict[int, set[int]] = {}
    for source, target, _ in net.empty:
        onward.setdefault(source, set()).add(target)

    def spread(places: set[int]) -> set[int]:
        return places.union(*(onward.get(place, set()) for place in places))

    answers = []
    for text in texts:
        places = {START}
        for word in text.split():
            places = set().union(*(after.get((place, word), set()) for place in spread(places)))
        answers.append(END in spread(places))
    return answers


@cache
def shipped() -> WordNet:
    return word_net(load_grammar(), frozenset(), GARBAGE, Weights())


def small(directory: Path, text: str) -> Grammar:
    (directory / "small.toml").write_text(text)
    return read_grammar([directory])


MOOD = """
[list.level]
field = "level"
items = {high = ["high"], low = ["low", "lo"]}
[phrase.mood]
say = ["mood [is] <level> [now]", "spirits <count> of ten"]
event = {kind = "remark"}
[talk.no]
say = ["never"]
reason = "a negation"
"""


def test_every_example_of_the_shipped_grammar_passes() -> None:
    said = [
        " ".join(word.text for word in words_of(text))
        for phrase in load_grammar().phrases
        if phrase.kind not in {"talk", "filler"}
        for text in phrase.examples
    ]
    spoken = [text for text in said if not any(sign.isdigit() for sign in text)]
    assert len(spoken) > 100
    passed = accepts(shipped(), *spoken)
    assert [text for text, passes in zip(spoken, passed, strict=True) if not passes] == []


@pytest.mark.parametrize(
    ("text", "passes"),
    [
        ("mood high", True),
        ("mood is low now", True),
        ("mood", False),
        ("high mood", False),
        ("mood high mood low", True),
        ("never mood high", True),
        ("phone-a phone-b phone-b", True),
        ("mood high phone-a", True),
        ("spirits one twenty of ten", True),
        ("spirits twelve", False),
        ("spirits twenty fifteen of ten", False),
    ],
)
def test_a_small_grammar(tmp_path: Path, text: str, passes: bool) -> None:
    net = word_net(small(tmp_path, MOOD), frozenset(), GARBAGE, Weights())
    assert accepts(net, text) == [passes]


def test_a_number_used_twice_in_a_phrase_may_go_on_as_either_use_does(tmp_path: Path) -> None:
    twice = MOOD.replace("spirits <count> of ten", "spirits <count> of <count>")
    net = word_net(small(tmp_path, twice), frozenset(), GARBAGE, Weights())
    # The second is let through for the sake of size; the parser refuses it.
    assert accepts(net, "spirits six of ten", "spirits six") == [True, True]


def test_a_word_left_out_cannot_be_said(tmp_path: Path) -> None:
    net = word_net(small(tmp_path, MOOD), {"lo", "is"}, GARBAGE, Weights())
    assert accepts(net, "mood lo", "mood is low", "mood low") == [False, False, True]
    assert not net.words & {"lo", "is"}


def test_no_state_is_a_trap(tmp_path: Path) -> None:
    net = word_net(small(tmp_path, MOOD), {"of"}, GARBAGE, Weights())
    assert "spirits" not in net.words


def test_weights_multiply_along_empty_arcs(tmp_path: Path) -> None:
    net = word_net(small(tmp_path, MOOD), frozenset(), GARBAGE, Weights(talk=0.5, again=0.25))
    never = next(source for source, _, _, word in net.arcs if word == "never")
    ended = next(target for _, target, _, word in net.arcs if word == "never")
    weights = {(source, target): weight for source, target, weight in net.empty}
    assert weights[START, never] == 0.5
    assert weights[ended, never] == 0.125


def test_no_two_empty_arcs_need_be_walked_in_a_row() -> None:
    pairs = {(source, target) for source, target, _ in shipped().empty}
    useful = {source for source, *_ in shipped().arcs} | {END}
    onward: dict[int, list[int]] = {}
    for source, target in pairs:
        onward.setdefault(source, []).append(target)
    begins = {target for _, target, *_ in shipped().arcs}
    short = [
        (source, last)
        for source, target in pairs
        if source in begins
        for last in onward.get(target, ())
        if last in useful and last != source and (source, last) not in pairs
    ]
    assert short == []


def test_states_that_act_alike_are_merged() -> None:
    # a b | c b: both middle states accept b alone.
    steps = [{"a": 1, "c": 2}, {"b": 3}, {"b": 4}, {}, {}]
    table, finals = minimal((steps, [False, False, False, True, True]))
    assert len(table) == 3
    assert table[0]["a"] == table[0]["c"]
    assert sum(finals) == 1
