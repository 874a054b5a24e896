"""The checks over the whole case, in the dialogue: found once, said once, kept in the file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.checks.protocol import load_protocol
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance
from voicelog.session import Session

START = datetime(2026, 3, 4, 10, tzinfo=UTC)


class Talk:
    """A case in which something is said at a minute of a simulated clock."""

    def __init__(self, case: CaseFile) -> None:
        self.session = Session(load_grammar(), case, "script", protocol=load_protocol())

    def say(self, minute: float, text: str) -> str:
        """What is said to it."""
        at = START + timedelta(minutes=minute)
        drafts = self.session.hear(Utterance((Hypothesis(words_of(text)),)), at)
        return " ".join(draft.body["text"] for draft in drafts if draft.type in {"read_back", "question"})

    def tick(self, minute: float) -> str:
        """What is said because time went by."""
        drafts = self.session.tick(START + timedelta(minutes=minute))
        return " ".join(draft.body["text"] for draft in drafts)

    def findings(self) -> list[str]:
        return [entry.body["check"] for entry in self.session.case.entries() if entry.type == "finding"]


@pytest.fixture
def talk(tmp_path: Path) -> Iterator[Talk]:
    with CaseFile.create(tmp_path / "case.voicelog", {"source": "test"}, START) as case:
        yield Talk(case)


def test_a_sudden_change_waits_for_a_confirm(talk: Talk) -> None:
    talk.say(0, "heart rate one thirty two")
    said = talk.say(1, "heart rate thirty two")
    assert said == "Heart rate three two, heart rate was one three two, now three two. Confirm?"
    (first, second) = fold(talk.session.case.entries()).events
    assert (first.flags, second.flags, second.status) == ((), ("sudden_change",), "unconfirmed")
    talk.say(1.2, "confirm")
    assert fold(talk.session.case.entries()).events[1].status == "confirmed"
    assert talk.findings() == ["sudden_change"]


def test_a_drug_before_the_protocol_time_is_said(talk: Talk) -> None:
    talk.say(0, "bag valve mask ventilation started")
    said = talk.say(0.5, "naloxone two milligrams i n")
    # One minute of ventilation before the drug: common practice, no source; a row of the protocol file.
    assert "three zero seconds after ventilation began, the protocol has one minute" in said


def test_what_is_left_of_a_prepared_drug_is_told_without_a_question(talk: Talk) -> None:
    for minute, text in enumerate(("midazolam five milligrams prepared", "confirm")):
        talk.say(minute, text)
    said = talk.say(2, "midazolam three milligrams i m")
    assert "Two milligrams of midazolam left, to be accounted for. Confirm?" in said
    assert talk.findings() == ["left_over"]


def test_a_later_allergy_makes_the_drug_wait_again(talk: Talk) -> None:
    talk.say(0, "aspirin three hundred milligrams p o")
    talk.say(0.2, "confirm")
    talk.say(1, "patient is allergic to aspirin")
    assert fold(talk.session.case.entries()).events[0].status == "unconfirmed"
    talk.say(1.2, "confirm")
    assert fold(talk.session.case.entries()).events[0].status == "confirmed"


def test_what_falls_due_is_said_once(talk: Talk) -> None:
    talk.say(0, "naloxone two milligrams i n")
    talk.say(0.2, "confirm")
    assert talk.tick(4) == ""
    # Vital signs five minutes after a drug: common practice, no source; a row of the protocol file.
    assert "naloxone" in talk.tick(5.5).lower()
    assert talk.tick(5.6) == ""


def test_what_is_due_names_the_clocks(talk: Talk) -> None:
    talk.say(0, "naloxone two milligrams i n")
    talk.say(0.2, "confirm")
    assert "naloxone" in talk.say(6, "what is due").lower()


def test_an_uneventful_callout_raises_nothing(talk: Talk) -> None:
    assert talk.say(0, "heart rate ninety two") == "Heart rate nine two."
    assert talk.findings() == []
