"""When the second listener falls behind: the entry is there at once, doubtful, and is settled when it answers."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from voicelog.casefile.state import RecordedEvent, fold
from voicelog.casefile.store import CaseFile
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers import pair
from voicelog.recognisers.base import LATE, Fit, Hypothesis, SecondOpinion, Utterance
from voicelog.session import Session

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with CaseFile.create(tmp_path / "case.voicelog", {"source": "test"}, NOON) as case:
        yield Session(load_grammar(), case, "pair")


def late(text: str) -> Utterance:
    return Utterance((Hypothesis(words_of(text)),), SecondOpinion(refusal=LATE, ticket=1))


def opinion(text: str, free: str, gap: float) -> Utterance:
    words = words_of(text)
    fit = Fit(tuple(word.text for word in words), text, -0.5 - gap)
    return Utterance((Hypothesis(words),), SecondOpinion(words_of(free), "", -0.5, (fit,)))


def events(session: Session) -> list[RecordedEvent]:
    return list(fold(session.case.entries()).events)


def said(session: Session) -> list[str]:
    return [entry.body["text"] for entry in session.case.entries() if entry.type == "read_back"]


def test_it_is_entered_at_once_and_waits(session: Session) -> None:
    session.hear(late("heart rate ninety two"), NOON)
    (event,) = events(session)
    assert (event.status, event.flags) == ("unconfirmed", ("second_listener_late",))
    assert said(session) == ["Heart rate nine two, not checked yet. Confirm?"]


def test_it_stands_when_the_second_listener_agrees(session: Session) -> None:
    session.hear(late("heart rate ninety two"), NOON)
    session.settle(1, opinion("heart rate ninety two", "heart rate 92", 0.1), NOON)
    (event,) = events(session)
    assert (event.status, event.basis) == ("confirmed", "the second listener agreed")


def test_it_is_asked_about_when_the_second_listener_does_not(session: Session) -> None:
    session.hear(late("heart rate ninety two"), NOON)
    session.settle(1, opinion("heart rate ninety two", "heart rate 52", 0.6), NOON)
    assert [event.status for event in events(session)] == ["unconfirmed"]
    assert said(session)[-1] == "Heart rate nine two: not sure. Confirm, or correct it."


def test_a_drug_waits_for_a_spoken_confirm_all_the_same(session: Session) -> None:
    text = "naloxone two milligrams i n"
    session.hear(late(text), NOON)
    session.settle(1, opinion(text, "naloxone 2 milligrams IN", 0.1), NOON)
    assert [event.status for event in events(session)] == ["unconfirmed"]


def test_no_command_is_obeyed_on_one_listener(session: Session) -> None:
    session.hear(Utterance((Hypothesis(words_of("naloxone two milligrams i n")),)), NOON)
    session.hear(late("confirm"), NOON)
    assert [event.status for event in events(session)] == ["unconfirmed"]
    assert said(session)[-1] == "Say again."


def test_an_answer_on_one_listener_waits_too(session: Session) -> None:
    session.hear(Utterance((Hypothesis(words_of("pressure one twenty")),)), NOON)
    session.hear(late("over eighty"), NOON)
    assert [event.flags for event in events(session)] == [("second_listener_late",)]


def test_an_answer_that_nobody_waits_for_changes_nothing(session: Session) -> None:
    assert session.settle(7, opinion("heart rate ninety two", "heart rate 92", 0.1), NOON) == []


@pytest.mark.skipif(not pair.is_available().ready, reason="the second listener is not installed")
def test_the_pair_gives_what_it_has_and_the_rest_later() -> None:
    from test_whisper import line

    listener = pair.open(load_grammar(), patience_s=0.0)
    try:
        listener.feed(line("asthma", "heart rate one twenty four"))
        first = listener.finish()
        assert first.best.text == "heart rate one twenty four"
        assert first.second == SecondOpinion(refusal=LATE, ticket=1)
        found: list[tuple[int, Utterance]] = []
        while not found:
            time.sleep(0.05)
            found = listener.late()
        ((ticket, whole),) = found
        assert ticket == 1
        assert whole.second is not None
        assert whole.second.fits
        assert replace(whole, second=None).best.text == first.best.text
        assert listener.late() == []
    finally:
        listener.close()
