"""Typed text to words: digits stay, short forms are opened, and what is no clean number stays one word."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.parse.tokens import words_of


def split(text: str) -> str:
    """The words joined by blanks."""
    return " ".join(word.text for word in words_of(text))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("BP 118/76", "bp 118 over 76"), ("BP: 118 / 76,", "bp 118 over 76"), ("pain 8/10", "pain 8 over 10"),
        ("90/P", "90 over p"), ("pressure's up", "pressure is up"), ("don't", "do not"), ("can't", "can not"),
        ("I've given", "i have given"), ("let's go", "let us go"), ("we'd", "we would"), ("B.P. 90", "b p 90"),
        ("0.3mg", "0.3 mg"), (".3 mg", ".3 mg"), ("50mcg", "50 mcg"), ("50\u00b5g", "50 mcg"), ("15L NRB", "15 l nrb"),
        ("1,000 mg", "1000 mg"), ("10,000 units", "10000 units"), ("mg/kg", "mg per kg"), ("98%", "98 percent"),
        ("38.5\u00b0C", "38.5 degrees c"), ("101.3F", "101.3 f"), ("54yo", "54 year old"),
        ("72 y/o F", "72 year old f"),
        ("A&O x4", "a and o times 4"), ("D10", "d ten"), ("D50", "d fifty"), ("E2 V4 M5", "e 2 v 4 m 5"),
        ("1:1000", "one to one thousand"), ("1:10,000", "one to ten thousand"), ("9:05 pm", "21:05"),
        ("12 am", "00:00"), ("2 mg IN", "2 mg i n"), ("in the box", "in the box"), ("IN THE BOX", "in the box"),
        ("12-lead", "12 lead"), ("non-rebreather", "non rebreather"), ("sats > 94", "sats above 94"),
        ("sats \u2265 94", "sats above 94"), ("pressure < 90", "pressure below 90"), ("ok?", "ok ?"),
        ("a <garbage> b", "a <garbage> b"), ("", ""), ("\x00\x1b[31m", "31 m"), ("\u201cpulse 88\u201d", "pulse 88"),
        ("pressure\u2019s", "pressure is"), ("\uff11\uff18", "18"),
    ],
)  # fmt: skip
def test_text_becomes_words(text: str, words: str) -> None:
    assert split(text) == words


@pytest.mark.parametrize("text", ["2,5", "5-10", "1.2.3", "118/76/90", "1/2", "10:45:30", "555-1234"])
def test_a_run_of_digits_that_is_no_number_stays_one_word(text: str) -> None:
    assert split(f"morphine {text} mg") == f"morphine {text} mg"


@given(st.text(max_size=60))
def test_any_text_becomes_lower_case_words_without_blanks(text: str) -> None:
    assert all(word.text and word.text == word.text.lower() and " " not in word.text for word in words_of(text))


@given(st.text(max_size=60))
def test_words_are_stable(text: str) -> None:
    once = [word.text for word in words_of(text) if word.text[0] not in "<0123456789."]
    assert [word.text for word in words_of(" ".join(once))] == once
