"""Lays what was heard of a recording beside what was said in it: a result for each callout, and what nobody said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from voicelog.drill.hearing import HeardEvent, HeardUtterance, Hearing
from voicelog.drill.judge import FieldScore, Heard, Meant, Score, field_scores, judge
from voicelog.drill.truth import TrueLine, Truth
from voicelog.drill.typed import typed_course
from voicelog.parse.tokens import words_of
from voicelog.recognisers.sphinx import GARBAGE

if TYPE_CHECKING:
    from voicelog.grammar.model import Grammar

LEAST_OVERLAP_S = 0.12
"""A line and an utterance that share less than this have nothing to do with each other."""
_SLACK_S = 0.3
"""How far a word may lie outside its line."""


@dataclass(frozen=True)
class CalloutResult:
    """What became of one callout."""

    recording: str
    number: int
    """Of the line in the truth, from 0."""
    line: TrueLine
    noise: str
    snr_db: float | None
    heard: Heard
    """All that was heard of it."""
    score: Score
    fields: tuple[FieldScore, ...]
    said: tuple[str, ...]
    """Its words as the parser has them."""
    words: tuple[str, ...]
    """The words heard in its time."""
    delay_s: float | None = field(compare=False)
    """From its last word to its entry, had it been live; None when nothing was entered or asked."""

    @property
    def key(self) -> tuple[str, int, str]:
        """The same callout of the same recording in another run has the same key."""
        return self.recording, self.number, self.line.say


@dataclass(frozen=True)
class FalseEntry:
    """What was entered, decided or asked though nobody called anything out."""

    recording: str
    start: float
    """Seconds on the recording."""
    end: float
    words: str
    """As heard."""
    events: tuple[HeardEvent, ...]
    decisions: tuple[str, ...]
    question: bool

    @property
    def count(self) -> int:
        """Events entered and decisions made."""
        return len(self.events) + len(self.decisions)

    @property
    def unflagged(self) -> int:
        """Those among them that nothing was asked about."""
        return sum(not event.flags for event in self.events) + len(self.decisions)


@dataclass(frozen=True)
class DrillResult:
    """A recording, heard and judged."""

    truth: Truth
    callouts: tuple[CalloutResult, ...]
    false: tuple[FalseEntry, ...]
    unreadable: tuple[str, ...]
    """Callouts whose words the grammar in force does not read as the truth has them, however well they are heard."""


def judged(truth: Truth, hearing: Hearing, grammar: Grammar) -> DrillResult:
    """Judge a recording.

    Args:
        truth: of the recording.
        hearing: of the same recording.
        grammar: that it was heard with; tells which flags and questions the words alone lead to.
    """
    typed = typed_course([(line.say, line.start) for line in truth.lines], grammar)
    return matched(truth, hearing, typed)


def matched(truth: Truth, hearing: Hearing, typed: Sequence[Heard]) -> DrillResult:
    """As ``judged``, with what each line leads to when it is typed."""
    meant = [_meant(line, plain) for line, plain in zip(truth.lines, typed, strict=True)]
    shares = [_Share() for _ in truth.lines]
    false = []
    for utterance in sorted(hearing.utterances, key=lambda one: (one.start, one.end, one.text)):
        near = _near(truth.lines, utterance)
        for number in near:
            shares[number].utterances.append(utterance)
        left = _hand_out(utterance, near, truth.lines, meant, shares)
        if left.count or left.question:
            false.append(
                FalseEntry(truth.recording, *left.place, left.words, left.events, left.decisions, left.question)
            )
    callouts = tuple(
        _result(truth, number, meant[number], shares[number])
        for number, line in enumerate(truth.lines)
        if line.kind != "talk"
    )
    unreadable = tuple(
        line.say
        for line, plain in zip(truth.lines, typed, strict=True)
        if line.kind != "talk" and sorted(map(repr, line.events)) != sorted(repr(one.fields) for one in plain.events)
    )
    return DrillResult(truth, callouts, tuple(false), unreadable)


def _meant(line: TrueLine, plain: Heard) -> Meant:
    if line.kind == "talk":
        return Meant()
    flags = frozenset(flag for entered in plain.events for flag in entered.flags)
    return Meant(line.events, plain.commands, plain.decisions, flags, plain.question)


@dataclass
class _Share:
    """What one line gets of all that was heard."""

    utterances: list[HeardUtterance] = field(default_factory=list)
    events: list[HeardEvent] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    decisions: list[str] = field(default_factory=list)
    question: bool = False


@dataclass
class _Left:
    """What of an utterance belongs to no callout."""

    place: tuple[float, float]
    words: str
    events: tuple[HeardEvent, ...] = ()
    decisions: tuple[str, ...] = ()
    question: bool = False

    @property
    def count(self) -> int:
        return len(self.events) + len(self.decisions)


def _near(lines: Sequence[TrueLine], utterance: HeardUtterance) -> list[int]:
    """Lines in whose time the utterance lies, the one that shares most with it first."""
    shared = {n: _overlap(line, utterance.start, utterance.end) for n, line in enumerate(lines)}
    return sorted((n for n, seconds in shared.items() if seconds >= LEAST_OVERLAP_S), key=lambda n: -shared[n])


def _overlap(line: TrueLine, start: float, end: float) -> float:
    return min(line.end, end) - max(line.start, start)


def _hand_out(
    utterance: HeardUtterance,
    near: Sequence[int],
    lines: Sequence[TrueLine],
    meant: Sequence[Meant],
    shares: Sequence[_Share],
) -> _Left:
    """Give each line its part of an utterance; what is true of a line near goes to it, the rest by where it lies."""
    callouts = [number for number in near if lines[number].kind != "talk"]
    left = _Left((utterance.start, utterance.end), utterance.text)
    for event in utterance.events:
        target = next((n for n in callouts if _lacks(meant[n], shares[n], event)), None)
        if target is None:
            target = _where(lines, near, event, utterance)
        if target is None or lines[target].kind == "talk":
            left.events += (event,)
        else:
            shares[target].events.append(event)
    wanted = next((n for n in callouts if utterance.commands and meant[n].commands == utterance.commands), None)
    main = wanted if wanted is not None else next((n for n in near[:1] if lines[n].kind != "talk"), None)
    if main is not None:
        shares[main].commands += utterance.commands
        shares[main].decisions += utterance.decisions
    else:
        left.decisions = utterance.decisions
    if utterance.question:
        for number in callouts:
            shares[number].question = True
        left.question = not callouts
    return left


def _lacks(meant: Meant, share: _Share, event: HeardEvent) -> bool:
    """Whether the line still misses just this event."""
    have = [one.fields for one in share.events]
    return meant.events.count(event.fields) > have.count(event.fields)


def _where(lines: Sequence[TrueLine], near: Sequence[int], event: HeardEvent, utterance: HeardUtterance) -> int | None:
    """The line in whose time the words of an event lie; None when nobody spoke there."""
    start = utterance.start if event.start is None else event.start
    end = utterance.end if event.end is None else event.end
    return max(near, key=lambda number: _overlap(lines[number], start, end), default=None)


def _result(truth: Truth, number: int, meant: Meant, share: _Share) -> CalloutResult:
    line = truth.lines[number]
    words = _words_in(truth.lines, number, share.utterances)
    heard = Heard(
        " ".join(words),
        tuple(event.entered for event in share.events),
        tuple(share.commands),
        tuple(share.decisions),
        share.question,
        noticed=bool(share.utterances),
    )
    # What a command decides hangs on what was heard before it; where the command is the one meant, so is its decision.
    decided = heard.decisions if heard.commands == meant.commands else ()
    meant = Meant(meant.events, meant.commands, decided, meant.flags, meant.question)
    answered = [one.done for one in share.utterances if one.events or one.commands or one.question]
    return CalloutResult(
        recording=truth.recording,
        number=number,
        line=line,
        noise=truth.noise,
        snr_db=truth.snr_db,
        heard=heard,
        score=judge(meant, heard),
        fields=field_scores(meant, heard),
        said=tuple(word.text for word in words_of(line.say)),
        words=words,
        delay_s=round(max(0.0, min(answered) - line.end), 3) if answered else None,
    )


def _words_in(lines: Sequence[TrueLine], number: int, utterances: Sequence[HeardUtterance]) -> tuple[str, ...]:
    """The words heard in the time of a line and nearer to its middle than to any other line that was heard with it.

    Words without times go to the line that shares most with their utterance.
    """
    line, found = lines[number], []
    for utterance in utterances:
        for word in utterance.words:
            if word.text == GARBAGE:
                continue
            if word.start is None or word.end is None:
                if _near(lines, utterance)[0] == number:
                    found.append(word.text)
                continue
            middle = (word.start + word.end) / 2
            inside = line.start - _SLACK_S <= middle <= line.end + _SLACK_S
            if inside and _closest(lines, middle) == number:
                found.append(word.text)
    return tuple(found)


def _closest(lines: Sequence[TrueLine], second: float) -> int:
    """The callout nearest to a second, talk only where no callout is as near."""

    def distance(number: int) -> tuple[float, bool, float]:
        line = lines[number]
        outside = max(line.start - second, second - line.end, 0.0)
        return outside, line.kind == "talk", abs((line.start + line.end) / 2 - second)

    return min(range(len(lines)), key=distance)
