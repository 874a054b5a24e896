"""How alike names sound: costs as documented, the published pairs found, and a list short enough to read."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.grammar.coverage import close_drugs, drug_words, pronunciations
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.soundalike import CLOSE, SAYINGS_LIMIT, close_pairs, distance, sayings
from voicelog.recognisers.pronunciations import PHONES

phones = st.lists(st.sampled_from(PHONES), max_size=8).map(tuple)
CLOSE_DRUGS = close_drugs(load_grammar(), pronunciations(drug_words(load_grammar())))
FOUND = {frozenset(pair.names): pair for pair in CLOSE_DRUGS}


# Worked by hand: edits over the phones of the longer name.
@pytest.mark.parametrize(
    ("one", "other", "far"),
    [
        ("K AE T", "K AE T", 0),
        ("K AE T", "K AA T", 0.5 / 3),  # a vowel for a vowel
        ("K AE T", "K AE D", 0.5 / 3),  # voiced for unvoiced
        ("K AE T", "K AE S", 1 / 3),  # another consonant
        ("K AE T", "K AE T S", 1 / 4),  # one more at the end
        ("AE T", "K AE T", 0.5 / 3),  # one more before the other begins
        ("K T", "K AE T", 1 / 3),  # one more inside
        ("K", "AE", 1),
    ],
)
def test_distance_counts_as_documented(one: str, other: str, far: float) -> None:
    assert distance(tuple(one.split()), tuple(other.split())) == pytest.approx(far)


@given(phones, phones)
def test_distance_is_the_same_both_ways_and_zero_for_the_same_alone(
    one: tuple[str, ...], other: tuple[str, ...]
) -> None:
    assert distance(one, other) == distance(other, one)
    assert 0 <= distance(one, other) <= 1
    assert (distance(one, other) == 0) == (one == other)


@given(st.lists(phones.filter(bool), min_size=2, max_size=6, unique=True), st.sampled_from([0.1, 0.35, 0.6]))
def test_close_pairs_are_all_those_within_the_limit(names: list[tuple[str, ...]], limit: float) -> None:
    ways = {f"w{number}": [" ".join(said)] for number, said in enumerate(names)}
    found = close_pairs({word: [word] for word in ways}, ways, limit)
    assert {pair.names for pair in found} == {
        (f"w{first}", f"w{second}")
        for (first, one), (second, other) in combinations(enumerate(names), 2)
        if distance(one, other) <= limit
    }


def test_the_nearest_forms_of_two_names_are_told_and_the_closest_pair_comes_first() -> None:
    ways = {"cat": ["K AE T"], "cad": ["K AE D"], "dog": ["D AO G"], "dock": ["D AA K"]}
    first, second = close_pairs({"a": ["dog", "cat"], "b": ["cad"], "c": ["dock"]}, ways)
    assert (first.names, first.forms) == (("a", "b"), ("cat", "cad"))
    assert (second.names, second.forms) == (("a", "c"), ("dog", "dock"))


def test_every_way_to_say_a_form_counts_and_its_words_are_one() -> None:
    ways = {"big": ["B IH G"], "cat": ["K AE T", "K AA T"]}
    assert sayings("big cat", ways) == (("B", "IH", "G", "K", "AE", "T"), ("B", "IH", "G", "K", "AA", "T"))


def test_a_form_with_a_word_that_nobody_can_say_has_no_sound() -> None:
    assert sayings("big cat", {"big": ["B IH G"]}) == ()


def test_a_form_of_many_words_with_many_ways_is_bounded() -> None:
    assert len(sayings("a a a a a a a a", {"a": ["AH", "EY"]})) == SAYINGS_LIMIT


# Tall-man letters list, ISMP/FDA, 2023: dopamine, diphenhydramine; its 2008 copy: fentanyl, epinephrine - ephedrine,
# morphine; epinephrine - norepinephrine and hydralazine: from memory (check-values 6.1).
@pytest.mark.parametrize(
    "pair",
    [
        "dopamine dobutamine",
        "diphenhydramine dimenhydrinate",
        "epinephrine ephedrine",
        "fentanyl sufentanil",
        "morphine hydromorphone",
        "epinephrine norepinephrine",
        "hydralazine hydroxyzine",
    ],
)
def test_published_pairs_that_sound_alike_are_close(pair: str) -> None:
    assert FOUND[frozenset(pair.split())].distance <= CLOSE


# In the same lists for how they look in writing or for a short form, not for how they sound: by the same measure.
@pytest.mark.parametrize("pair", ["cefazolin ceftriaxone", "ketamine ketorolac", "atropine adenosine"])
def test_published_pairs_that_look_alike_are_left_to_the_declared_list(pair: str) -> None:
    grammar = load_grammar()
    assert frozenset(pair.split()) not in FOUND
    assert frozenset(pair.split()) in grammar.unsure_pairs


def test_the_list_for_the_shipped_formulary_is_short_enough_to_read() -> None:
    # One percent of the pairs there are.
    assert len(CLOSE_DRUGS) < len(load_grammar().drugs) ** 2 / 2 / 100


def test_names_that_carry_a_strength_count() -> None:
    assert FOUND[frozenset({"dextrose", "nitroglycerin"})].forms == ("d ten", "g t n")


def test_pairs_that_share_nothing_are_not_close() -> None:
    assert frozenset({"aspirin", "ketamine"}) not in FOUND
    assert frozenset({"naloxone", "furosemide"}) not in FOUND
