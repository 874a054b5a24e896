"""The phrase list holds every pair of words the grammar lets follow each other, and no other pair."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar, Phrase, Place, ValueList
from voicelog.grammar.phrases import Pairs, cover, pairs_of, phrase_list
from voicelog.grammar.template import parse_template
from voicelog.recognisers.pronunciations import typed_only

PLACE = Place(Path("own.toml"), 1)
WORDS = st.sampled_from("a b c d e f".split())


def grammar_of(*templates: str, routes: tuple[str, ...] = ("nose", "vein")) -> Grammar:
    routes_list = ValueList("way", "way", tuple(((("", name),), parse_template(name)) for name in routes), PLACE)
    phrases = tuple(Phrase(f"p{n}", "event", (parse_template(text),)) for n, text in enumerate(templates))
    return Grammar({"way": routes_list}, {"by": (parse_template("by <way>"),)}, phrases, {}, "digest")


def pairs_in(phrases: list[str]) -> set[tuple[str, str]]:
    """Every pair of neighbours, the edge of a phrase written as ''."""
    rows = [["", *phrase.split(), ""] for phrase in phrases]
    return {pair for row in rows for pair in itertools.pairwise(row)}


def test_optional_and_alternative_words_are_paired_with_their_neighbours() -> None:
    found = pairs_in(phrase_list(grammar_of("pulse [is] (weak | strong)")))
    assert found == {
        ("", "pulse"), ("pulse", "is"), ("pulse", "weak"), ("pulse", "strong"), ("is", "weak"), ("is", "strong"),
        ("weak", ""), ("strong", ""),
    }  # fmt: skip


def test_rules_and_lists_are_spelled_out() -> None:
    assert {("by", "nose"), ("by", "vein"), ("nose", "now")} <= pairs_in(phrase_list(grammar_of("[<by>] now")))


def test_words_left_out_take_their_alternatives_with_them() -> None:
    assert phrase_list(grammar_of("(iv line | i v) in"), without={"iv"}) == ["i v in"]


def test_phrase_that_needs_a_word_left_out_is_dropped_through_its_rule() -> None:
    assert phrase_list(grammar_of("give <by>", "stop"), without={"nose", "vein"}) == ["stop"]


def test_word_is_put_as_other_words() -> None:
    found = phrase_list(grammar_of("give midazolam [now]"), said_as={"midazolam": ("mid", "as", "alam")})
    assert sorted(found) == ["give mid as alam", "give mid as alam now"]


def test_numbers_are_said_as_the_grammar_says_them() -> None:
    found = pairs_in(phrase_list(grammar_of("gauge <gauge>")))
    assert ("twenty", "two") in found
    assert ("twenty", "eleven") not in found


def test_grammar_without_phrases_gives_none() -> None:
    assert phrase_list(grammar_of()) == []


@given(st.lists(st.lists(WORDS, min_size=1, max_size=6), min_size=1, max_size=8))
def test_cover_holds_exactly_the_pairs(phrases: list[list[str]]) -> None:
    wanted = pairs_in([" ".join(words) for words in phrases])
    pairs = Pairs(
        empty=False,
        first=frozenset(b for a, b in wanted if not a),
        last=frozenset(a for a, b in wanted if not b),
        inside=frozenset(pair for pair in wanted if all(pair)),
    )
    assert pairs_in(cover(pairs)) == wanted


@pytest.fixture(scope="module")
def shipped() -> Grammar:
    return load_grammar()


def test_list_of_the_shipped_grammar_is_small_and_complete(shipped: Grammar) -> None:
    silent = typed_only(shipped.vocabulary)
    pairs = pairs_of(shipped, silent)
    phrases = cover(pairs)
    assert len(pairs_in(phrases) - {("", "")}) == len(pairs.inside) + len(pairs.first) + len(pairs.last)
    # A phrase that repeats known pairs on its way to new ones weighs them more: at most twice on average.
    assert sum(len(phrase.split()) + 1 for phrase in phrases) < 2 * len(pairs.inside)
    assert len(phrases) < 5_000
