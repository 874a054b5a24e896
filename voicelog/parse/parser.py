"""The parser: one utterance's words in, one ParseResult out; it never raises on any text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from voicelog.events import Evidence, event_fields
from voicelog.grammar.model import TYPED_SIGNS, Grammar
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.contradictions import settled
from voicelog.parse.drafts import draft_of
from voicelog.parse.reading import Capture, Edge, Reading
from voicelog.parse.result import Context, Draft, Outcome, ParseResult, Question
from voicelog.parse.search import MARGIN, readings
from voicelog.recognisers.base import Word

PAUSE_S = 0.6
"""A silence this long between two words ends a number, seconds."""
EXPLAINED_PER_LEFT_OVER = 3
"""Words of vital signs that must be explained for each word that is not."""
MAX_WORDS = 500
"""Longest utterance that is searched; no breath is as long, and so time is bounded."""
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
    if len(words) > MAX_WORDS:
        return ParseResult("not_understood", words, reason="too long for one callout")
    plain = _parsed(words, grammar, context)
    if context.expects_value and plain.outcome != "command":
        return _parsed((Word("correction"), *words), grammar, context)
    if plain.outcome in {"events", "command"}:
        return plain
    return _rest(words, grammar, context) or _number_alone(words, grammar, context) or plain


def _rest(words: tuple[Word, ...], grammar: Grammar, context: Context) -> ParseResult | None:
    """Words that complete the callout asked about, such as ``millimoles`` after ``glucose five``, or None."""
    if not context.unfinished or len(context.unfinished) + len(words) > MAX_WORDS:
        return None
    # A number ends with its utterance: "one twenty" and then "two over eighty" is no 122.
    whole = _parsed((*context.unfinished, *words), grammar, context, frozenset({len(context.unfinished)}))
    return whole if whole.outcome == "events" and len(whole.drafts) == 1 else None


def _number_alone(words: tuple[Word, ...], grammar: Grammar, context: Context) -> ParseResult | None:
    """A number alone as the answer to what was asked, or None."""
    if not context.asks_for:
        return None
    corrected = _parsed((Word("correction"), *words), grammar, context)
    if corrected.outcome != "command" or corrected.drafts or corrected.fragment.keys() != {"value"}:
        return None
    said = Evidence(
        words=" ".join(word.text for word in words), start=_exact(words[0].start), end=_exact(words[-1].end)
    )
    number = {context.asks_for: corrected.fragment["value"]}
    answer = Question("value", "Not clear. Say it again.", understood=number, evidence={context.asks_for: said})
    return ParseResult("ambiguous", words, questions=(answer,))


def _exact(seconds: float | None) -> Decimal | None:
    return None if seconds is None else Decimal(str(round(seconds, 3)))


def _parsed(
    words: tuple[Word, ...], grammar: Grammar, context: Context, breaks: frozenset[int] = frozenset()
) -> ParseResult:
    if any(word.text == "?" for word in words):
        return ParseResult("not_understood", words, reason="a question")
    found = readings(grammar.compiled, [word.text for word in words], breaks | _pauses(words))
    best = found[0]
    near = [reading for reading in found if reading.cost < best.cost + MARGIN]
    # Talk that is nearly as good an explanation as a callout decides: rejecting is cheap, a wrong entry is not.
    refusal = next(filter(None, map(_talk, near)), "") or _refusal(best, words, grammar)
    if refusal:
        return ParseResult("not_understood", words, reason=refusal)
    rivals = [reading for reading in near if not _refusal(reading, words, grammar)]
    results = [_meaning(reading, words, grammar, context) for reading in rivals]
    sound = [result for result in results if not any(question.contradicts for question in result.questions)]
    answers = list({_key(result): result for result in sound or results}.values())
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
    if not meant or _talk(reading):
        return _talk(reading) or "no callout in it"
    if not left:
        return ""
    # A word that is not understood may turn a drug, a procedure or a command around; beside a vital sign it is noise.
    plain = all(edge.phrase.event.get("kind") == "vital_sign" for edge in meant)
    turning = [words[n].text for n in left if not plain or _tells(words, n, grammar)]
    explained = sum(edge.end - edge.start for edge in meant)
    if explained < EXPLAINED_PER_LEFT_OVER * len(left):
        return "too much of it is not a callout"
    return f"{turning[0]!r} fits nowhere" if turning else ""


def _tells(words: tuple[Word, ...], number: int, grammar: Grammar) -> bool:
    """Whether a word left over means something to the grammar, or is a number; said twice in a row it is a slip."""
    word = words[number].text
    beside = {words[n].text for n in (number - 1, number + 1) if 0 <= n < len(words)}
    if not word or word[0] in TYPED_SIGNS or word in NUMBER_WORDS:
        return True
    return word in grammar.compiled.vocabulary and word not in beside


def _meaning(reading: Reading, words: tuple[Word, ...], grammar: Grammar, context: Context) -> ParseResult:
    found = _Found()
    left_over = bool(reading.unexplained) or _may_hide_a_digit(reading, words)
    for edge in reading.edges:
        if edge.phrase.kind == "command":
            if found.said_something:
                return _one_at_a_time(words, "command", "Say the callout and the command one at a time.")
            found.commands.append(edge.phrase.name)
            found.fragment |= _fragment(edge.captures)
            found.named_drug = found.fragment.pop("drug", found.named_drug)
            continue
        if edge.phrase.kind == "fragment":
            if found.last_drug and not any(c.value == "wasted" for c in edge.captures):
                return _one_at_a_time(words, "dose", f"Which dose of {found.last_drug}? Say one drug at a time.")
            found.fragment |= _fragment(edge.captures)
        known = Context(last_drug=found.last_drug or context.last_drug)
        found.add(draft_of(edge, words, grammar.drugs, known), left_over)
    found.drafts, contradictions = settled(found.drafts)
    found.questions += contradictions
    outcome: Outcome = "ambiguous" if found.questions else "command" if found.commands else "events"
    return ParseResult(
        outcome,
        words,
        tuple(found.drafts),
        tuple(found.commands),
        found.named_drug,
        tuple(found.questions),
        found.fragment,
    )


def _may_hide_a_digit(reading: Reading, words: tuple[Word, ...]) -> bool:
    """Whether filler was heard right after a number: a recogniser has put "alright" for the "five" of "forty five".

    Typed words have no times and are taken as they stand.
    """
    return any(
        isinstance(step, Edge)
        and step.phrase.kind == "filler"
        and step.start > 0
        and words[step.start].start is not None
        and words[step.start - 1].text in NUMBER_WORDS
        for step in reading.steps
    )


def _one_at_a_time(words: tuple[Word, ...], about: str, text: str) -> ParseResult:
    """Nothing of the breath is entered: its parts may belong together in another way."""
    return ParseResult("ambiguous", words, questions=(Question(about, text),))


@dataclass
class _Found:
    """What the phrases of one reading come to, gathered in the order said."""

    drafts: list[Draft] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    fragment: dict[str, Any] = field(default_factory=dict)
    named_drug: str | None = None
    last_drug: str | None = None
    """The drug of the newest medication in this breath."""

    @property
    def said_something(self) -> bool:
        return bool(self.drafts or self.questions)

    def add(self, made: Draft | Question, left_over: bool) -> None:
        if isinstance(made, Question):
            self.questions.append(made)
            self.last_drug = made.understood.get("drug", self.last_drug)
            return
        self.drafts.append(replace(made, flags=(*made.flags, "words_left_over")) if left_over else made)
        self.last_drug = getattr(made.event, "drug", self.last_drug)


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
