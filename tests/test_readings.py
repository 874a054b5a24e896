"""What is made of the readings of two listeners before they are judged."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.events import event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Word
from voicelog.recognisers.readings import IDLE, lean, own_callouts, trimmed, whole

GRAMMAR = load_grammar()


def reading(text: str) -> Hypothesis:
    return Hypothesis(tuple(Word(word) for word in text.split()))


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("Heart rate 124.", ["heart rate 124"]),
        ("Pressure is up to 1 30 over 84.", ["pressure is up to 130 over 84"]),
        ("Heart rate 1-20 4", ["heart rate 124"]),
        ("Hard rate 124", []),
        ("His heart rate was 124 yesterday.", []),
        ("Thank you.", []),
    ],
)
def test_a_free_text_that_is_a_callout_as_it_stands(text: str, rows: list[str]) -> None:
    assert [" ".join(row) for row in own_callouts(words_of(text), GRAMMAR)] == rows


def test_a_number_with_a_point_may_be_one_said_in_two_parts() -> None:
    rows = own_callouts(words_of("Heart rate is 1.32"), GRAMMAR)
    # A pulse of 1.32 is none, so the other way comes first; a dose may be either, and is taken as written.
    assert rows == [("heart", "rate", "is", "132"), ("heart", "rate", "is", "1.32")]
    assert own_callouts(words_of("Lorazepam 1.25 milligrams IV"), GRAMMAR)[0][1] == "1.25"


@pytest.mark.parametrize(
    ("said", "second", "kept"),
    [
        ("<garbage> heart rate eighty <garbage>", "Heart rate 80.", "heart rate eighty"),
        ("<garbage> heart rate eighty", "His heart rate 80.", "<garbage> heart rate eighty"),
        ("heart rate <garbage> eighty <garbage>", "Heart rate 80.", "heart rate <garbage> eighty <garbage>"),
        ("<garbage>", "", "<garbage>"),
    ],
)
def test_sounds_at_the_ends_are_dropped_where_the_other_one_wrote_no_more(said: str, second: str, kept: str) -> None:
    if kept == "<garbage>":
        assert trimmed(reading(said), words_of(second)).words == ()
    else:
        assert trimmed(reading(said), words_of(second)).text == kept


def timed(text: str, end: float) -> Hypothesis:
    words = text.split()
    return Hypothesis(
        tuple(Word(word, end * n / len(words), end * (n + 1) / len(words)) for n, word in enumerate(words))
    )


@pytest.mark.parametrize(
    ("reading_end", "second", "text"),
    [
        (1.0, "fells 1-10 to regulate", "pulse one ten <garbage>"),
        (1.0, "pulse 110", "pulse one ten"),
        (1.9, "fells 1-10 to regulate", "pulse one ten"),
    ],
)
def test_speech_that_a_reading_leaves_out_is_garbage(reading_end: float, second: str, text: str) -> None:
    found = whole(timed("pulse one ten", reading_end), timed("pulse one two vec hand", 2.0), words_of(second))
    assert found.text == text


def test_idle_words_are_left_out() -> None:
    texts = [shorter.text for shorter in lean(reading("heart rate is an one thirty two"), GRAMMAR)]
    assert "heart rate is one thirty two" in texts
    assert "heart rate one thirty two" in texts


def test_words_that_something_rests_on_are_kept() -> None:
    assert lean(reading("temperature is down"), GRAMMAR) == []
    assert all("in" in shorter.text.split() for shorter in lean(reading("oral airway in place"), GRAMMAR))


EXAMPLES = sorted({text for phrase in GRAMMAR.phrases for text in phrase.examples})


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(EXAMPLES), st.sampled_from(sorted(IDLE)), st.integers(0, 12))
def test_no_event_changes_when_idle_words_are_left_out(text: str, idle: str, place: int) -> None:
    words = text.lower().split()
    words.insert(min(place, len(words)), idle)
    said = reading(" ".join(words))
    meant = [event_fields(draft.event) for draft in parse(said.words, GRAMMAR).drafts]
    for shorter in lean(said, GRAMMAR):
        assert [event_fields(draft.event) for draft in parse(shorter.words, GRAMMAR).drafts] == meant
