"""What is made of words heard while voicelog spoke: its own voice enters and confirms nothing, callouts are kept."""

from __future__ import annotations

from decimal import Decimal

import pytest
from dialogue_talk import grammar

from voicelog.dialogue.echo import (
    ECHO,
    FLAG,
    OWN_VOICE,
    SPOKE,
    Sounded,
    after_read_back,
    is_echo,
    sounded_meanwhile,
    while_speaking,
    without_answers,
)
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, ParseResult
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word

EPI = "Epinephrine, echo papa india, zero point three milligrams intramuscular left thigh. Confirm?"
PRESSURE = "Pressure one one eight over seven six."


def heard(text: str) -> ParseResult:
    return parse(words_of(text), grammar(), Context())


def at(start: str, end: str, text: str = EPI) -> Sounded:
    return Sounded(Decimal(start), Decimal(end), text)


def timed(text: str, start: float) -> list[Word]:
    return [Word(word, start + n / 2, start + n / 2 + 0.4) for n, word in enumerate(text.split())]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("pressure one one eight over seven six", PRESSURE),
        ("one one eight over seven six", PRESSURE),
        ("epinephrine zero point three milligrams intramuscular left thigh confirm", EPI),
        ("confirm", EPI),
        ("left thigh confirm", EPI),
        ("say again", "Say again."),
        ("the case say confirm", "End the case? Say confirm."),
    ],
)
def test_our_own_words_are_an_echo(text: str, said: str) -> None:
    assert while_speaking(heard(text), said).reason == ECHO


def test_a_confirm_from_the_loudspeaker_is_never_a_command() -> None:
    for text in ("confirm", "confirmed", "confirm epinephrine", "i confirm", "epinephrine confirm"):
        assert not while_speaking(heard(text), EPI).commands, text


@pytest.mark.parametrize("text", ["confirm", "take back the last entry", "end of case", "correction one ten"])
def test_no_command_said_over_a_read_back_is_obeyed(text: str) -> None:
    result = while_speaking(heard(text), PRESSURE)
    assert (result.outcome, result.commands, result.reason) == ("not_understood", (), SPOKE)


@pytest.mark.parametrize(
    "text",
    [
        "pressure one one eight over seven nine",
        "pressure one ten over seventy six",
        "heart rate one thirty two",
    ],
)
def test_a_callout_with_another_number_is_taken_and_waits(text: str) -> None:
    result = while_speaking(heard(text), PRESSURE)
    assert result.outcome == "events"
    assert result.marks == (FLAG,)


@pytest.mark.parametrize(
    "text",
    [
        "epinephrine zero point three milligrams intravenous",
        "epinephrine zero point three milligrams intramuscular right thigh",
        "ephedrine zero point three milligrams intramuscular left thigh",
    ],
)
def test_a_callout_with_another_drug_route_or_site_is_no_echo(text: str) -> None:
    assert not is_echo(heard(text), EPI)


def test_a_number_alone_answers_nothing_over_a_read_back() -> None:
    context = Context("epinephrine", expects_value=True, asks_for="value")
    assert without_answers(context) == Context("epinephrine")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("epinephrine contrast i n t x a zero point three milligrams intramuscular left thigh", EPI),
        ("epinephrine egg o puff in p r zero point three milligrams intramuscular left thigh", EPI),
        ("can again", "Say again."),
    ],
)
def test_a_read_back_heard_badly_is_not_asked_for_again(text: str, said: str) -> None:
    assert while_speaking(heard(text), said).reason in OWN_VOICE


def test_what_may_be_a_number_said_over_it_is_asked_for_again() -> None:
    assert while_speaking(heard("no zero point five"), EPI).reason == SPOKE


def test_an_answer_that_comes_at_once_is_taken_by_itself() -> None:
    words = [*timed("left thigh confirm", 3.5), *timed("confirmed", 5.4)]
    assert after_read_back(words, Decimal(3), Decimal(7), [at("1.2", "5.0")]) == tuple(words[3:])


@pytest.mark.parametrize("start", [4.6, 5.2])
def test_a_word_that_may_be_the_end_of_the_read_back_is_no_answer(start: float) -> None:
    words = [*timed("left thigh", 3.5), *timed("confirmed", start)]
    assert after_read_back(words, Decimal(3), Decimal(7), [at("1.2", "5.0")]) == ()


def test_no_answer_is_taken_out_of_another_callout() -> None:
    words = [*timed("zero point five", 3.5), *timed("confirmed", 5.4)]
    assert after_read_back(words, Decimal(3), Decimal(7), [at("1.2", "5.0")]) == ()


def test_without_a_read_back_there_is_nothing_to_take_out() -> None:
    assert after_read_back(timed("confirm", 5), Decimal(3), Decimal(7), [at("1.2", "2.0")]) == ()


def test_nothing_heard_is_no_echo() -> None:
    assert not is_echo(ParseResult("not_understood", (Word("<garbage>"),), reason="?"), PRESSURE)


@pytest.mark.parametrize(("start", "over"), [(0.0, False), (1.0, True), (4.9, True), (5.2, True), (5.4, False)])
def test_words_count_from_their_own_times(start: float, over: bool) -> None:
    # The utterance's sound begins half a second before its first word; a word just after the end may be the room's.
    said = sounded_meanwhile(timed("confirm", start), Decimal(0), Decimal(9), [at("1.2", "5.0")])
    assert bool(said) == over


def test_words_without_times_count_from_the_whole_utterance() -> None:
    assert sounded_meanwhile([Word("confirm")], Decimal("4.9"), Decimal(7), [at("1.2", "5.0")]) == EPI


def test_all_that_sounded_meanwhile_counts() -> None:
    said = sounded_meanwhile(
        timed("one two three four", 1), Decimal(0), Decimal(9), [at("0", "1.2", "A."), at("1.5", "2", "B.")]
    )
    assert said == "A. B."
