"""Spoken numbers: what each kind lets through, and the one value of the words."""

from __future__ import annotations

from decimal import Decimal
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.drill.adapt import spoken_numbers as say
from voicelog.grammar.net import build_number
from voicelog.grammar.numbers import KINDS, value_of


def accepted(kind: str, words: list[str]) -> bool:
    """Whether the words are one number of the kind."""
    place = build_number(KINDS[kind].say)
    for word in words:
        if word not in place.steps:
            return False
        place = place.steps[word]
    return place.final


@pytest.mark.parametrize(
    ("spoken", "value"),
    [
        ("zero", "0"), ("seven", "7"), ("ten", "10"), ("sixteen", "16"), ("sixty", "60"), ("sixty four", "64"),
        ("one hundred", "100"), ("a hundred", "100"), ("one hundred and eighteen", "118"),
        ("one hundred eighteen", "118"), ("one eighteen", "118"), ("one one eight", "118"), ("one oh two", "102"),
        ("one o two", "102"), ("one zero two", "102"), ("three twenty four", "324"), ("two fifty", "250"),
        ("two hundred and fifty", "250"), ("two five zero", "250"), ("niner niner", "99"), ("niner two", "92"),
        ("fower fife", "45"), ("tree hundred", "300"), ("one oh two point four", "102.4"),
        ("one hundred and two point four", "102.4"), ("zero point three", "0.3"), ("point three", "0.3"),
        ("oh point three", "0.3"), ("decimal three", "0.3"), ("point one five", "0.15"), ("point oh one", "0.01"),
        ("point twenty five", "0.25"), ("one point two five", "1.25"), ("two and a half", "2.5"), ("half", "0.5"),
        ("a half", "0.5"), ("half a", "0.5"), ("fourteen hundred", "1400"), ("one thousand", "1000"),
        ("one thousand five hundred", "1500"), ("ten thousand", "10000"), ("five thousand", "5000"),
        ("twelve thousand three hundred and forty", "12340"), ("a", "1"), ("an", "1"), ("118", "118"), ("0.3", "0.3"),
        (".3", "0.3"), ("one 18", "118"),
    ],
)  # fmt: skip
def test_the_value_of_spoken_words(spoken: str, value: str) -> None:
    assert value_of(spoken.split()) == Decimal(value)


@pytest.mark.parametrize(
    "spoken",
    ["", "point", "hello", "one point", "hundred hello", "10:45", "1.2.3", "5-10", "2,5", "\u0663", "1e5"],
)
def test_what_is_no_number_has_no_value(spoken: str) -> None:
    assert value_of(spoken.split()) is None


@pytest.mark.parametrize("number", range(1000))
def test_every_whole_number_has_one_value_however_it_is_said(number: int) -> None:
    for seed in range(3):
        words = say.below_thousand(number, Random(seed))
        assert (value_of(words), accepted("count", words)) == (Decimal(number), True), words


@given(st.integers(0, 9_999), st.integers(0, 999), st.randoms(use_true_random=False))
def test_every_decimal_dose_has_one_value(number: int, thousandths: int, random: Random) -> None:
    value = Decimal(number) + Decimal(thousandths).scaleb(-3)
    words = say.decimal_number(value.normalize() if thousandths else Decimal(number), random)
    assert (value_of(words), accepted("dose", words)) == (value, True)


@pytest.mark.parametrize(
    ("teen", "ten"),
    [("thirteen", "thirty"), ("fourteen", "forty"), ("fifteen", "fifty"), ("sixteen", "sixty"),
     ("seventeen", "seventy"), ("eighteen", "eighty"), ("nineteen", "ninety")],
)  # fmt: skip
def test_teens_and_tens_are_never_the_same_number(teen: str, ten: str) -> None:
    low, high = value_of([teen]), value_of([ten])
    assert low is not None
    assert high is not None
    assert high == (low - 10) * 10


@pytest.mark.parametrize(
    ("kind", "spoken"),
    [
        ("count", "twenty fifteen"), ("count", "ten ten"), ("count", "one point five"), ("count", "thirty hundred"),
        ("score", "twenty"), ("score", "one one"), ("pain", "six ten"), ("gauge", "one"), ("percentage", "half"),
        ("pressure", "ninety sixty"), ("pressure", "point five"), ("part_dose", "one point five"),
        ("part_dose", "five"),
        ("dose", "one half"), ("dose", "point"), ("one_dose", "one"),
    ],
)  # fmt: skip
def test_a_kind_refuses_what_it_does_not_say(kind: str, spoken: str) -> None:
    assert not accepted(kind, spoken.split())


@pytest.mark.parametrize(
    ("kind", "word", "fits"),
    [
        ("count", "118", True), ("count", "1" * 13, False), ("count", "5-10", False), ("dose", ".3", True),
        ("dose", "0.3", True), ("dose", "\u0663", False), ("clock", "10:45", True), ("clock", "1045", True),
        ("clock", "10", False), ("part_dose", "0.3", True), ("part_dose", "3", False), ("one_dose", "1", False),
    ],
)  # fmt: skip
def test_typed_digits_fit_a_kind_or_not(kind: str, word: str, fits: bool) -> None:
    assert KINDS[kind].accepts_typed(word) is fits
