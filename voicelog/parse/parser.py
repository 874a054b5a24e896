"""The parser: one utterance's words in, one ParseResult out; it never raises on any text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from voicelog.events import event_fields
from voicelog.grammar.model import Grammar
from voicelog.parse.drafts import draft_of
from voicelog.parse.result import Context, Draft, Outcome, ParseResult, Question
from voicelog.parse.search import MARGIN, Capture, Reading, readings
from voicelog.recognisers.base import Word

PAUSE_S = 0.6
"""A silence this long between two words ends a number, seconds."""
LEFT_OVER_WORDS = 2
"""Most words a flagged callout may leave unexplained; with more it is not a callout."""
_EMPTY = Context()


def parse(words: Sequence[Word], grammar: Grammar, context: Context = _EMPTY) -> ParseResult:
    """The meaning of one utterance.

    Args:
        words: as recognised or typed, lower case; times in seconds where known.
        grammar: what may be said.
        context: what the case so far lets a callout leave out.

    Returns:
        Draft events, commands, a question, or the reason why nothing was understood. Two readings with different
        values are always ``ambiguous``.
    """
    words = tuple(words)
    if not words:
        return ParseResult("not_understood", reason="nothing was said")
    plain = _parsed(words, grammar, context)
    if not context.expects_value or plain.outcome == "command":
        return plain
    return _parsed((Word("correction"), *words), grammar, context)


def _parsed(words: tuple[Word, ...], grammar: Grammar, context: Context) -> ParseResult:
    if any(word.text == "?" for word in words):
        return ParseResult("not_understood", words, reason="a question")
    found = readings(grammar.compiled, [word.text for word in words], _pauses(words))
    best = found[0]
    near = [reading for reading in found if reading.cost < best.cost + MARGIN]
    # Talk that is nearly as good an explanation as a callout decides: rejecting is cheap, a wrong entry is not.
    refusal = next(filter(None, map(_talk, near)), "") or _refusal(best, words, grammar)
    if refusal:
        return ParseResult("not_understood", words, reason=refusal)
    rivals = [reading for reading in near if not _refusal(reading, words, grammar)]
    results = [_meaning(reading, words, grammar, context) for reading in rivals]
    answers = list({_key(result): result for result in results}.values())
    if len(answers) == 1:
        return answers[0]
    return _ambiguous(answers, words)


def _pauses(words: tuple[Word, ...]) -> frozenset[int]:
    """Indices of the words that follow a pause."""
    return frozenset(
        number
        for number in range(1, len(words))
        if (start := words[number].start) is not None
        and (end := words[number - 1].end) is not None
        and start - end > PAUSE_S
    )


def _talk(reading: Reading) -> str:
    """Why a reading is talk, or ''."""
    return next((edge.phrase.reason for edge in reading.edges if edge.phrase.kind == "talk"), "")


def _refusal(reading: Reading, words: tuple[Word, ...], grammar: Grammar) -> str:
    """Why a reading cannot be a callout at all, or ''."""
    meant = [edge for edge in reading.edges if edge.phrase.kind != "talk"]
    left = reading.unexplained
    if not meant:
        return _talk(reading) or "no callout in it"
    if _talk(reading):
        return _talk(reading)
    if not left:
        return ""
    carries_value = [words[n].text for n in left if _is_value(words[n].text, grammar)]
    if carries_value:
        return f"{carries_value[0]!r} fits nowhere"
    explained = sum(edge.end - edge.start for edge in meant)
    if len(left) > LEFT_OVER_WORDS or explained < 2 * len(left):
        return "too much of it is not a callout"
    return ""


def _is_value(word: str, grammar: Grammar) -> bool:
    return word[0].isdigit() or word in grammar.value_words


def _meaning(reading: Reading, words: tuple[Word, ...], grammar: Grammar, context: Context) -> ParseResult:
    drafts: list[Draft] = []
    commands: list[str] = []
    questions: list[Question] = []
    fragment: dict[str, Any] = {}
    named_drug = None
    extra = ("words_left_over",) if reading.unexplained else ()
    for edge in reading.edges:
        if edge.phrase.kind == "command":
            commands.append(edge.phrase.name)
            fragment |= _fragment(edge.captures)
            named_drug = fragment.pop("drug", named_drug)
        else:
            if edge.phrase.kind == "fragment":
                fragment |= _fragment(edge.captures)
            made = draft_of(edge, words, grammar.drugs, context)
            if isinstance(made, Question):
                questions.append(made)
            else:
                drafts.append(Draft(made.event, made.flags + extra))
    if questions:
        return ParseResult("ambiguous", words, tuple(drafts), tuple(commands), named_drug, tuple(questions), fragment)
    outcome: Outcome = "command" if commands else "events"
    return ParseResult(outcome, words, tuple(drafts), tuple(commands), named_drug, (), fragment)


def _fragment(captures: tuple[Capture, ...]) -> dict[str, Any]:
    return {c.field: c.value for c in captures if c.field and not c.field.startswith("said_") and not c.out_of_range}


def _key(result: ParseResult) -> str:
    """What a result comes to, for telling whether two readings differ."""
    events = [event_fields(draft.event) for draft in result.drafts]
    questions = [(question.about, sorted(map(str, question.understood.items()))) for question in result.questions]
    return repr((events, result.commands, result.named_drug, questions, sorted(map(str, result.fragment.items()))))


def _ambiguous(answers: list[ParseResult], words: tuple[Word, ...]) -> ParseResult:
    readings_found = tuple(answer.drafts for answer in answers)
    questions = tuple(question for answer in answers for question in answer.questions)
    which = Question("which_reading", "", readings=readings_found)
    return ParseResult("ambiguous", words, questions=(which, *questions))
