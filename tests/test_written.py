"""Spoken words and written text held against each other: numbers, names, and what may be taken for what."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.grammar.loader import load_grammar
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.parse.written import numbers_in, runs, spoken, unvouched
from voicelog.recognisers.written import MOST_CANDIDATES, candidates, written

GRAMMAR = load_grammar()


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("heart rate one twenty four", "Heart rate 124."),
        ("heart rate one hundred and five", "Heart rate 105."),
        ("blood pressure one eighteen over seventy six", "Blood pressure 118 over 76."),
        ("s p o two ninety four percent on room air", "SpO2 94% on room air."),
        ("e t c o two forty five", "ETCO2 45."),
        ("glucose five point six millimoles", "Glucose 5.6 millimoles."),
        (
            "epinephrine one to ten thousand zero point three milligrams i v",
            "Epinephrine 1 to 10000 0.3 milligrams IV.",
        ),
        ("d ten two hundred and fifty milliliters", "D10 250 milliliters."),
        ("arrived on scene at ten forty five", "Arrived on scene at 10:45."),
        ("on scene at oh nine oh five", "On scene at 09:05."),
        ("prednisone fifty milligrams p o", "Prednisone 50 milligrams PO."),
        ("heart rate one o five", "Heart rate 105."),
        ("twelve lead e c g done", "12 lead ECG done."),
        ("give a shock", "Give a shock."),
        ("confirm", "Confirm."),
        ("", ""),
    ],
)
def test_words_are_written_as_a_free_text_recogniser_writes_them(said: str, text: str) -> None:
    assert written(said.split()) == text


def test_digits_said_one_by_one_can_be_written_so() -> None:
    assert written("pulse one four five".split(), apart=True) == "Pulse 1 4 5."
    assert written("pulse one forty five".split(), apart=True) == "Pulse 145."


@pytest.mark.parametrize(
    ("said", "others"),
    [
        ("heart rate fifteen", ["heart rate one fifteen", "heart rate fifty"]),
        ("heart rate one fifty", ["heart rate of fifty", "heart rate one fifteen"]),
        ("sugar of sixty eight", ["sugar one sixty eight"]),
        ("glucose now seventy", ["glucose one seventy", "glucose now one seventy", "glucose now seventeen"]),
        ("b p one twenty over one ten", ["b p of twenty over one ten"]),
        ("heart rate forty", ["heart rate one forty", "heart rate fourteen"]),
        ("heart rate forty four", ["heart rate one forty four"]),
        ("heart rate ten", ["heart rate one ten"]),
        (
            "fentanyl fifty micrograms",
            ["fentanyl one fifty micrograms", "fentanyl fifteen micrograms", "sufentanil fifty micrograms"],
        ),
        ("aspirin i m", ["aspirin i v", "aspirin i n"]),
        ("patient contact", []),
    ],
)
def test_candidates_change_one_value_each(said: str, others: list[str]) -> None:
    found = [" ".join(row) for row in candidates(said.split(), GRAMMAR)]
    assert found[0] == said
    assert found[1:] == others


@given(
    st.lists(st.sampled_from([*sorted(NUMBER_WORDS), "heart", "rate", "epinephrine", "over", "i", "v"]), max_size=12)
)
def test_candidates_are_few_and_none_twice(words: list[str]) -> None:
    found = candidates(words, GRAMMAR)
    assert found[0] == tuple(words)
    assert len(set(found)) == len(found) <= MOST_CANDIDATES
    assert all(isinstance(written(row), str) for row in found)


@pytest.mark.parametrize(
    ("words", "numbers"),
    [
        ("blood pressure one eighteen over seventy six", ["118", "76"]),
        ("blood pressure 118 over 76", ["118", "76"]),
        ("one hundred and five", ["105"]),
        ("zero point three", ["0.3"]),
        ("half a milligram", ["0.5"]),
        ("a half milligram", ["0.5"]),
        ("two and a half milligrams", ["2.5"]),
        ("two and a bolus", ["2"]),
        ("0.30", ["0.3"]),
        (".5", ["0.5"]),
        ("one to ten thousand zero point three", ["1", "10000", "0.3"]),
        ("10:45", ["1045"]),
        ("ten forty five", ["1045"]),
        ("spo2 2-94", ["2", "94"]),
        ("k4m the 10th", []),
        ("and", []),
    ],
)
def test_numbers_in_words_and_in_digits_are_found_alike(words: str, numbers: list[str]) -> None:
    assert numbers_in(words.split()) == numbers


@pytest.mark.parametrize(
    ("number", "text"),
    [
        ("118", "1-18"),
        ("312", "300 and 12"),
        ("105", "bp105 over 62"),
        ("10", "m10 milligrams"),
        ("118", "1 18"),
        ("102", "1 0 2"),
        ("76", "118 over 76"),
        ("1045", "10.45"),
        ("1045", "10:45"),
        ("0.5", ".5"),
        ("2", "to"),
        ("6", "six"),
        ("124", "one twenty four"),
    ],
)
def test_a_number_is_vouched_for_by_another_way_to_write_it(number: str, text: str) -> None:
    assert unvouched([number], text.split()) == []


@pytest.mark.parametrize(
    ("number", "text"),
    [
        ("50", "15"),
        ("5", "50"),
        ("18", "118"),
        ("118", "1180"),
        ("1.5", "15"),
        ("1.5", "1 5"),
        ("125", "1.25"),
        ("0.3", "3"),
        ("3", "0.3"),
        ("40", "k40m"),
        ("112", "12 and 100"),
        ("2", "spo2 94"),
        ("4", ""),
    ],
)
def test_a_number_is_not_vouched_for_by_another_number(number: str, text: str) -> None:
    assert unvouched([number], text.split()) == [number]


@pytest.mark.parametrize("said", ["half a", "a half", "two and a half", "fifteen", "one hundred and five"])
def test_the_small_words_of_a_number_belong_to_it(said: str) -> None:
    assert [run for run, is_number in runs(f"give {said} milligram".split()) if is_number] == [said.split()]


def test_numbers_must_stand_in_the_same_order() -> None:
    assert unvouched(["118", "76"], ["76", "over", "118"]) == ["76"]


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("12-lead ECG done.", {"procedure": "twelve_lead_ecg"}),
        ("SpO2 94%", {"sign": "oxygen_saturation"}),
        ("BP 118/76", {"sign": "blood_pressure", "systolic": 118, "diastolic": 76}),
        ("Heart rate 1-18.", {"sign": "heart_rate"}),
        ("Glucose 5.6 mmol", {"sign": "blood_glucose", "unit": "mmol/L"}),
        ("Epinephrine 0.3 mg IM.", {"drug": "epinephrine", "unit": "mg", "route": "intramuscular"}),
        ("Epinephrine 1 to 10,000 0.1 mg IV", {"drug": "epinephrine", "unit": "mg", "route": "intravenous"}),
        ("Pain score 2 out of 10", {"sign": "pain_score"}),
    ],
)
def test_free_text_is_read_as_a_callout(text: str, fields: dict[str, object]) -> None:
    (draft,) = parse(spoken(words_of(text)), GRAMMAR).drafts
    assert {name: getattr(draft.event, name) for name in fields} == fields


@given(st.text(max_size=40) | st.text("0123456789.,:-/ aebp", max_size=12))
def test_any_text_can_be_held_against_numbers(text: str) -> None:
    words = spoken(words_of(text))
    numbers = numbers_in([word.text for word in words])
    assert set(unvouched(["118"], [word.text for word in words])) <= {"118"}
    assert unvouched([], numbers) == []
