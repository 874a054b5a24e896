"""A case talked through in typed words: the real grammar, parser, state machine and fold, without audio or a file."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

from voicelog.casefile.chain import Entry
from voicelog.casefile.state import CaseState, RecordedEvent, fold
from voicelog.dialogue.machine import close, context_of, step
from voicelog.dialogue.state import DialogueState, Heard, Step
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.views.labels import written

START = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
GAP = timedelta(seconds=20)


@cache
def grammar() -> Grammar:
    """The shipped grammar, read once."""
    return load_grammar()


class Talk:
    """A case under way."""

    def __init__(self, *texts: str) -> None:
        self.state = DialogueState()
        self.steps: list[Step] = []
        self.entries: list[Entry] = []
        for text in texts:
            self.say(text)

    def say(self, text: str) -> str:
        """Say one utterance; returns what voicelog says to it."""
        number = len(self.steps) + 1
        at = START + GAP * number
        result = parse(words_of(text), grammar(), context_of(self.state))
        return self._take(step(self.state, Heard(f"U{number}", at, result), grammar().drugs), at)

    def close(self) -> str:
        """End the case; returns what voicelog says."""
        return self._take(close(self.state), START + GAP * (len(self.steps) + 1))

    def _take(self, outcome: Step, at: datetime) -> str:
        self.state = outcome.state
        self.steps.append(outcome)
        for entry in outcome.enter:
            self.entries.append(Entry(len(self.entries) + 1, at, entry.type, dict(entry.body), "", ""))
        return " ".join(outcome.say)

    @property
    def case(self) -> CaseState:
        """Where the case stands."""
        return fold(self.entries)

    @property
    def record(self) -> list[str]:
        """Every event ever entered and its status, such as ``E1 heart rate 90/min: confirmed``."""
        return [f"{recorded.id} {written(recorded.event)}: {recorded.status}" for recorded in self.case.events]

    def event(self, name: str) -> RecordedEvent:
        """One event by its id."""
        return next(recorded for recorded in self.case.events if recorded.id == name)
