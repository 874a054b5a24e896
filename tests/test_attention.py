"""With an attention word only callouts that begin with it are taken; answers need none."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.dialogue.attention import with_attention
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance
from voicelog.session import Session

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
WORD = "scribe"


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with CaseFile.create(tmp_path / "case.voicelog", {"source": "test"}, NOON) as case:
        yield Session(with_attention(load_grammar(), WORD), case, "script", WORD)


def say(session: Session, *texts: str) -> list[str]:
    """The events after the texts, with their states."""
    for text in texts:
        session.hear(Utterance((Hypothesis(words_of(text)),)), NOON)
    return [f"{recorded.event.kind} {recorded.status}" for recorded in fold(session.case.entries()).events]


@pytest.mark.parametrize("text", ["scribe heart rate ninety", "uh scribe heart rate ninety", "Scribe, heart rate 90."])
def test_a_callout_with_the_word_is_taken(session: Session, text: str) -> None:
    assert say(session, text) == ["vital_sign proposed"]


@pytest.mark.parametrize("text", ["heart rate ninety", "heart rate ninety scribe", "described heart rate ninety"])
def test_a_callout_without_it_is_not(session: Session, text: str) -> None:
    assert say(session, text) == []


def test_it_is_kept_as_heard_all_the_same(session: Session) -> None:
    say(session, "heart rate ninety")
    kept = [entry.body for entry in session.case.entries() if entry.type == "not_understood"]
    assert [body["reason"] for body in kept] == ["said without the attention word"]


def test_a_confirm_and_an_answer_need_none(session: Session) -> None:
    drug = "scribe naloxone i n"
    assert say(session, drug, "two milligrams", "confirm") == ["medication confirmed"]


def test_while_a_drug_waits_a_callout_still_needs_it(session: Session) -> None:
    drug = "scribe naloxone two milligrams i n"
    assert say(session, drug, "heart rate ninety") == ["medication unconfirmed"]
    # It may have been meant for the record all the same, so a bare confirm after it does not count either.
    assert say(session, "confirm") == ["medication unconfirmed"]
    assert say(session, "scribe confirm naloxone") == ["medication confirmed"]


def test_the_whole_callout_may_be_said_again_for_an_answer(session: Session) -> None:
    assert say(session, "scribe naloxone i n", "naloxone two milligrams i n") == ["medication unconfirmed"]


def test_a_confirm_for_which_nothing_waits_needs_it(session: Session) -> None:
    say(session, "confirm")
    assert [entry.type for entry in session.case.entries()][1:] == ["utterance", "not_understood"]


@pytest.mark.parametrize("text", ["pulse", "a", "", "one two three four", "log 5", "heart rate"])
def test_a_word_that_cannot_be_told_apart_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        with_attention(load_grammar(), text)


def test_sphinx_can_hear_it() -> None:
    from voicelog.recognisers import sphinx

    sphinx.open(with_attention(load_grammar(), WORD)).close()
