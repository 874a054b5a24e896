"""Typed callouts as one course: each line is parsed, checked and talked over like a spoken one, and nothing is kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from voicelog.dialogue.machine import context_of, step
from voicelog.dialogue.state import DialogueState, Heard, Standing, Step
from voicelog.dialogue.times import moment_of
from voicelog.dialogue.wording import question_text
from voicelog.parse.parser import parse
from voicelog.parse.result import Draft, ParseResult
from voicelog.parse.tokens import words_of

if TYPE_CHECKING:
    from voicelog.checks.protocol import Protocol
    from voicelog.grammar.model import Grammar

LOOKS_BACK = 100
"""Entries of a course that a new one is held against: more than a call has, and a bound on the time of an answer."""


class TypedCourse:
    """A case in memory. A confirmed "end of case" ends it, and the next callout begins another.

    Nobody knows when typed words were said, so a stated time sets the clock of the course forward, the first one to
    wherever it lies: what is said next is that much later, and only a time that runs backwards is asked about.
    """

    def __init__(self, grammar: Grammar, protocol: Protocol) -> None:
        """Begin.

        Args:
            grammar: what may be said.
            protocol: the rules of the checks over the whole course.
        """
        self.grammar = grammar
        self.protocol = protocol
        self.state = DialogueState()
        self._lines = 0
        self._ahead: timedelta | None = None

    def answer(self, text: str, at: datetime) -> tuple[ParseResult, str, tuple[str, ...]]:
        """Take one callout.

        Args:
            text: the words.
            at: when it was read, aware; the time between two callouts counts for the rules of time.

        Returns:
            What it means, with the entries as they stand now and the question that is open; what is said back, without
            that question; and every flag, those of older entries that this callout casts doubt on among them.
        """
        self._lines += 1
        name = f"U{self._lines}"
        result = parse(words_of(text), self.grammar, context_of(self.state))
        heard = Heard(name, self._said_at(result, at), result)
        outcome = step(self.state, heard, self.grammar.drugs, self.protocol)
        self.state = replace(outcome.state, standing=outcome.state.standing[-LOOKS_BACK:])
        if outcome.state.ended:
            self.state, self._ahead = DialogueState(), None
        result = _as_entered(result, [entry for entry in outcome.state.standing if entry.group == name], outcome)
        asked = {question_text(question) for question in result.questions}
        said = " ".join(text for text in outcome.say if text not in asked)
        return result, said, _flags(result, outcome)

    def _said_at(self, result: ParseResult, at: datetime) -> datetime:
        clock = at + (self._ahead or timedelta(0))
        stated = [draft.event.stated_time for draft in result.drafts]
        moments = [moment_of(time, clock) for time in stated if time]
        if moments and (self._ahead is None or max(moments) > clock):
            self._ahead = max(moments) - at
            return max(moments)
        return clock


def _as_entered(result: ParseResult, entered: list[Standing], outcome: Step) -> ParseResult:
    """The result with the entries that the dialogue made of it; untimed, like every typed callout."""
    asks = any(entry.type == "question" for entry in outcome.enter)
    if asks and outcome.state.question and outcome.state.question not in result.questions:
        result = replace(result, questions=(*result.questions, outcome.state.question))
    if not entered:
        return result
    untimed = {"occurred_at": None, "heard_at": None}
    drafts = tuple(Draft(entry.event.model_copy(update=untimed), entry.flags) for entry in entered)
    if not asks:
        # What was a fragment or a question by itself completed what was asked before.
        result = replace(result, questions=(), outcome="command" if result.commands else "events")
    return replace(result, drafts=drafts)


def _flags(result: ParseResult, outcome: Step) -> tuple[str, ...]:
    found = [entry.body for entry in outcome.enter if entry.type == "finding"]
    doubts = (str(body["check"]) for body in found if body["severity"] != "note")
    return tuple(dict.fromkeys((*result.flags, *doubts)))
