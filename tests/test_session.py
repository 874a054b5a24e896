"""A session with a real case file: what was heard is in the file, with its audio, before anything is said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from dialogue_talk import grammar

from voicelog.audio.flac import encode_flac
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance, Word
from voicelog.session import Session, Span

START = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
AUDIO = encode_flac(np.zeros(16_000, np.int16))


def heard(text: str) -> Utterance:
    """Words half a second apart, as a recogniser gives them."""
    words = words_of(text)
    timed = tuple(Word(word.text, 5 + n / 2, 5.4 + n / 2, 0.875) for n, word in enumerate(words))
    return Utterance((Hypothesis(timed),))


def span(cut: bool = False) -> Span:
    return Span(Decimal("4.500"), Decimal("8.250"), AUDIO, cut)


@pytest.fixture
def case(tmp_path: Path) -> Iterator[CaseFile]:
    with CaseFile.create(tmp_path / "case.voicelog", {"version": "test"}, START) as file:
        yield file


@pytest.fixture
def session(case: CaseFile) -> Session:
    return Session(grammar(), case, "script")


def said(session: Session, *texts: str, cut: bool = False) -> list[str]:
    """What is said to the last of the utterances."""
    for number, text in enumerate(texts, start=1):
        drafts = session.hear(heard(text), START + timedelta(seconds=10 * number), span(cut))
    return [draft.body["text"] for draft in drafts if draft.type in {"read_back", "question"}]


def state(case: CaseFile) -> CaseState:
    return fold(case.entries())


def test_what_is_returned_is_what_the_file_holds(session: Session, case: CaseFile) -> None:
    drafts = session.hear(heard("pulse ninety"), START, span())
    assert [draft.type for draft in drafts] == ["utterance", "event", "read_back"]
    assert [entry.type for entry in case.entries()] == ["case_opened", "utterance", "event", "read_back"]


def test_an_utterance_keeps_its_words_times_confidence_and_audio(session: Session, case: CaseFile) -> None:
    session.hear(heard("pulse ninety"), START, span())
    (utterance,) = state(case).utterances
    assert (utterance.id, utterance.start, utterance.end, utterance.listener) == (
        "U1", Decimal("4.500"), Decimal("8.250"), "script",
    )  # fmt: skip
    assert [(word.text, word.start, word.confidence) for word in utterance.alternatives[0]] == [
        ("pulse", Decimal("5.000"), Decimal("0.8750")),
        ("ninety", Decimal("5.500"), Decimal("0.8750")),
    ]
    assert utterance.clip
    assert case.clip(utterance.clip) == AUDIO


def test_an_entry_is_traced_to_its_words_and_their_times(session: Session, case: CaseFile) -> None:
    session.hear(heard("pulse ninety"), START, span())
    evidence = state(case).events[0].event.evidence["value"]
    assert (evidence.words, evidence.start, evidence.end) == ("ninety", Decimal("5.5"), Decimal("5.9"))


def test_a_corrected_value_is_traced_to_the_times_of_the_correction(session: Session, case: CaseFile) -> None:
    said(session, "pulse ninety", "correction one hundred")
    evidence = state(case).events[1].event.evidence["value"]
    assert (evidence.start, evidence.end) == (Decimal("5.0"), Decimal("6.4"))


def test_speech_without_meaning_stays_in_the_file_with_its_audio(session: Session, case: CaseFile) -> None:
    assert said(session, "<garbage>") == []
    recorded = state(case)
    assert (recorded.events, len(recorded.utterances)) == ((), 1)
    assert [entry.type for entry in case.entries()] == ["case_opened", "utterance", "not_understood"]


def test_an_utterance_in_which_nothing_was_heard_stays_in_the_file(session: Session, case: CaseFile) -> None:
    session.hear(Utterance(), START, span())
    assert state(case).utterances[0].alternatives == ()


def test_typed_words_have_no_audio(session: Session, case: CaseFile) -> None:
    session.hear(Utterance((Hypothesis(words_of("pulse ninety")),)), START)
    (utterance,) = state(case).utterances
    assert (utterance.clip, utterance.start) == (None, None)


def test_all_readings_of_a_recogniser_are_kept(session: Session, case: CaseFile) -> None:
    two = Utterance((*heard("pulse ninety").alternatives, *heard("pulse nineteen").alternatives))
    session.hear(two, START, span())
    texts = [" ".join(word.text for word in reading) for reading in state(case).utterances[0].alternatives]
    assert texts == ["pulse ninety", "pulse nineteen"]
    assert len(state(case).events) == 1


def test_a_torn_callout_waits_for_a_confirm(session: Session, case: CaseFile) -> None:
    assert said(session, "pulse ninety", cut=True) == ["Heart rate nine zero, cut off. Confirm?"]
    assert state(case).events[0].status == "unconfirmed"


@pytest.mark.parametrize("command", ["confirm", "scratch that", "correction two milligrams"])
def test_a_torn_command_is_not_obeyed_and_asked_for_again(session: Session, case: CaseFile, command: str) -> None:
    said(session, "midazolam five milligrams i m")
    session.hear(heard(command), START, span(cut=True))
    (recorded,) = state(case).events
    assert recorded.status == "unconfirmed"
    assert session.state.last_said == "Say again."


def test_what_the_file_refuses_changes_nothing(session: Session, case: CaseFile) -> None:
    said(session, "midazolam five milligrams i m")
    before = session.state
    case.close_case(START)
    with pytest.raises(CaseFileError):
        session.hear(heard("confirm"), START, span())
    assert session.state == before
    assert state(case).events[0].status == "unconfirmed"


def test_closing_settles_what_stands_and_confirms_no_drug(session: Session, case: CaseFile) -> None:
    said(session, "midazolam five milligrams i m", "pulse ninety")
    session.close(START + timedelta(minutes=5))
    recorded = state(case)
    assert [(event.status, event.basis) for event in recorded.events] == [
        ("unconfirmed", "never confirmed"), ("confirmed", "stood after read-back"),
    ]  # fmt: skip
    assert recorded.closed
    assert case.problems() == []


def test_a_gap_is_an_entry(session: Session, case: CaseFile) -> None:
    session.note_gap(Decimal("1.5"), None, "the recording is damaged", START)
    *_, gap = case.entries()
    assert (gap.type, gap.body["reason"]) == ("gap", "the recording is damaged")


def test_word_times_without_a_recogniser_confidence_are_kept_as_none(session: Session, case: CaseFile) -> None:
    words = tuple(replace(word, confidence=None) for word in heard("pulse ninety").best.words)
    session.hear(Utterance((Hypothesis(words),)), START, span())
    assert state(case).utterances[0].alternatives[0][0].confidence is None
