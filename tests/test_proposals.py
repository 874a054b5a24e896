"""What a free text may stand for, and listening for it again with the real engine."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_sphinx import clips

from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.parse.written import numbers_in
from voicelog.recognisers.again import HANDICAPS, Again
from voicelog.recognisers.proposals import MOST_PROPOSALS, drugs_like, proposals, templates

GRAMMAR = load_grammar()


@pytest.mark.parametrize(
    ("text", "callout"),
    [
        ("Heart rate 102", "heart rate 102"),
        ("Debutamine 5 micrograms per kilogram per minute IV.", "dobutamine 5 micrograms per kilogram per minute iv"),
        ("I'm your own 300 milligrams IV push", "amiodarone 300 milligrams iv push"),
        ("Sign us tack on the monitor.", "sinus tach on the monitor"),
        ("magnesium 2 grants IV over 20 minutes.", "magnesium 2 grams iv over 20 minutes"),
        ("Chuck at 200 joules", "shock at 200 joules"),
        ("Confirm Appinephrine.", "confirm epinephrine"),
    ],
)
def test_an_odd_spelling_is_put_as_the_callout_it_looks_like(text: str, callout: str) -> None:
    assert " ".join(proposals(words_of(text), GRAMMAR)[0].words) == callout


@pytest.mark.parametrize("text", ["", "we are nearly there", "What was the heart rate 102?", "Thank you."])
def test_talk_proposes_nothing(text: str) -> None:
    assert proposals(words_of(text), GRAMMAR) == []


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("Hatred 130", "heart rate 130"),
        ("VP 130 over 60", "blood pressure 130 over 60"),
        ("arc rate is 1 6 6", "heart rate 166"),
        ("hark rate 1 40", "heart rate 140"),
        ("hot ready 30 6", "heart rate 36"),
        ("Love it at our 20 milligrams high V.", "20 milligrams of"),
        ("Nor, I'm freeing 8 micrograms per minute IV.", "8 micrograms per minute"),
        ("We are 5 minutes out, 2 of us, 3 bags", ""),
        ("Thank you.", ""),
    ],
)
def test_numbers_alone_say_what_may_have_been_called_out(text: str, row: str) -> None:
    rows = [" ".join(words) for words in templates(words_of(text), GRAMMAR)]
    assert any(row in one for one in rows) if row else rows == []


@pytest.mark.parametrize(
    ("text", "drug"), [("Debutamine 5 micrograms", "dobutamine"), ("I'm your own 300 milligrams", "amiodarone")]
)
def test_drugs_that_look_like_the_text_are_named(text: str, drug: str) -> None:
    assert drug in drugs_like(words_of(text), GRAMMAR)


TEXT = st.lists(
    st.sampled_from(
        "hart rate heart 118 over 76 epinefrin 0.3 milligrams IV iv resk sats 94 percent to fifteen".split()
    ),
    max_size=8,
).map(" ".join)


@settings(max_examples=60, deadline=None)
@given(st.one_of(TEXT, st.text(max_size=30)))
def test_no_proposal_makes_or_loses_a_number(text: str) -> None:
    words = words_of(text)
    found = proposals(words, GRAMMAR)
    assert len(found) <= MOST_PROPOSALS
    for proposal in found:
        assert numbers_in(proposal.words) == numbers_in([word.text for word in words])


@pytest.fixture(scope="module")
def again() -> Iterator[Again]:
    listener = Again(GRAMMAR)
    yield listener
    listener.close()


def test_typed_short_forms_are_listened_for_as_they_are_spoken(again: Again) -> None:
    row = tuple("epinephrine 0.3 mg iv".split())
    assert again.spoken(row) == tuple("epinephrine 0.3 milligrams i v".split())


def test_a_word_that_nobody_can_say_is_not_listened_for(again: Again) -> None:
    assert again.spoken(("heart", "r\u00e4te")) is None


@pytest.mark.parametrize("proposed", ["heart rate 136", "heart rate 76", "heart rate 5"])
def test_the_number_is_heard_anew_whatever_was_proposed(again: Again, proposed: str) -> None:
    words = again.heard(clips()["heart rate one thirty six"], [tuple(proposed.split())])
    assert " ".join(word.text for word in words) == "heart rate one thirty six"


@pytest.mark.parametrize("proposed", ["patient contact", "ketamine 50 milligrams i v"])
def test_what_was_not_said_is_not_heard(again: Again, proposed: str) -> None:
    words = again.heard(clips()["heart rate one thirty six"], [tuple(proposed.split())])
    assert "<garbage>" in [word.text for word in words] or words == ()


def test_nothing_proposed_is_nothing_heard(again: Again) -> None:
    assert again.heard(clips()["patient contact"], []) == ()
    assert again.heard(np.zeros(0, dtype=np.int16), [("patient", "contact")]) == ()


def test_what_it_is_held_to_is_heard_with_the_values_that_were_said(again: Again) -> None:
    words = again.held(clips()["heart rate one thirty six"], tuple("heart rate 58".split()))
    assert " ".join(word.text for word in words) == "heart rate one thirty six"


def test_names_are_open_where_it_is_held_to_a_sentence(again: Again) -> None:
    audio = clips()["albuterol two point five milligrams by nebulizer"]
    words = again.held(audio, tuple("morphine 4 milligrams by mouth".split()))
    assert " ".join(word.text for word in words).startswith("albuterol two point five milligrams by ")


def test_the_listener_must_choose_where_the_proposals_are_closed(again: Again) -> None:
    rows = [tuple(row.split()) for row in ("pain 3", "temperature 38", "heart rate 58", "sugar 90")]
    words = again.heard(clips()["heart rate one thirty six"], rows, closed=True)
    assert " ".join(word.text for word in words) == "heart rate one thirty six"


def test_a_reading_is_kept_beside_what_was_not_said(again: Again) -> None:
    audio = clips()["heart rate one thirty six"]
    said, other = (tuple(f"heart rate one {tail} six".split()) for tail in ("thirty", "fifty"))
    assert again.keeps(audio, said, [other])[other] >= HANDICAPS[0]
    assert again.keeps(audio, other, [said]) == {said: -1}


def test_the_digit_in_a_name_is_no_number(again: Again) -> None:
    assert again.spoken(tuple("s p o 2 94".split())) == tuple("s p o two 94".split())
