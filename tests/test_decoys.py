"""What else the shape of a reading could hold."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.written import numbers_in
from voicelog.recognisers.base import Word
from voicelog.recognisers.decoys import MOST_NUMBERS, by_name, by_number
from voicelog.recognisers.written import named_drugs, said

GRAMMAR = load_grammar()


def drugs(words: tuple[str, ...]) -> list[str]:
    return [drug for _, _, drug in named_drugs(words, GRAMMAR)]


@pytest.mark.parametrize(
    ("reading", "among"),
    [
        ("heart rate fifteen", "heart rate fifty"),
        ("heart rate fifty", "heart rate fifteen"),
        ("heart rate sixty", "heart rate one sixty"),
        ("heart rate one sixty", "heart rate sixty"),
        ("heart rate sixty five", "heart rate sixty four"),
        ("epinephrine zero point three milligrams i m", "epinephrine zero point five milligrams i m"),
        ("blood pressure ninety over fifty", "blood pressure eighty over fifty"),
        ("blood pressure ninety over fifty", "blood pressure ninety over forty"),
    ],
)
def test_other_numbers_are_there(reading: str, among: str) -> None:
    assert tuple(among.split()) in by_number(reading.split())


@pytest.mark.parametrize(
    ("reading", "among"),
    [
        ("ketamine fifty milligrams i v", "ketamine fifty milligrams i m"),
        ("naloxone two milligrams intranasal", "naloxone two milligrams intramuscular"),
        ("fentanyl fifty micrograms i v", "fentanyl fifty milligrams i v"),
        ("epinephrine zero point three milligrams left thigh", "epinephrine zero point three milligrams right thigh"),
        ("epinephrine one milligram i v", "norepinephrine one milligram i v"),
    ],
)
def test_other_names_are_there(reading: str, among: str) -> None:
    assert tuple(among.split()) in by_name(reading.split(), GRAMMAR)


def test_a_drug_stands_beside_many_others_and_those_asked_for() -> None:
    found = by_name(("ketamine", "fifty", "milligrams"), GRAMMAR, ["labetalol"])
    assert len({drug for row in found for drug in drugs(row)}) >= 12
    assert ("labetalol", "fifty", "milligrams") in found


@pytest.mark.parametrize("reading", ["patient contact", "confirm", ""])
def test_what_holds_no_value_has_none(reading: str) -> None:
    assert by_number(reading.split()) == []
    assert by_name(reading.split(), GRAMMAR) == []


@given(st.integers(0, 300), st.integers(0, 9))
def test_no_decoy_says_the_same_number(value: int, tenths: int) -> None:
    for number in (str(value), f"{value}.{tenths}"):
        reading = ("heart", "rate", *said(number))
        found = by_number(reading)
        assert 0 < len(found) <= MOST_NUMBERS
        assert len(set(found)) == len(found)
        assert all(numbers_in(row) != numbers_in(reading) for row in found)


@given(st.sampled_from(sorted(GRAMMAR.drugs)))
def test_no_decoy_names_the_same_drug(name: str) -> None:
    for form in GRAMMAR.drugs[name].spoken:
        reading = (*form.split(), "five", "milligrams")
        for row in by_name(reading, GRAMMAR):
            if row[-2:] == reading[-2:]:
                assert drugs(row) != drugs(reading)


@settings(deadline=None)
@given(
    st.lists(st.sampled_from("heart rate one two fifty point hundred and i v m over at ketamine".split()), max_size=9)
)
def test_any_words_are_no_error(words: list[str]) -> None:
    for row in (*by_number(words), *by_name(words, GRAMMAR)):
        parse([Word(word) for word in row], GRAMMAR)
