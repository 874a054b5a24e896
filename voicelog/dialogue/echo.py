"""What may be made of words heard while voicelog itself spoke: its own voice is no callout and confirms nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.result import Context, ParseResult
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word

ECHO = "our own read-back"
"""Why nothing is made of an echo."""
SPOKE = "said while I spoke"
"""Why a command is not obeyed: it may be voicelog's own voice."""
FLAG = "during_read_back"
"""Flag of an entry that was heard while voicelog spoke."""
LINGERS = Decimal("0.25")
"""Seconds for which a read-back may still be heard after its end: the room, and delays that no device tells of."""
_ALIKE = 0.6
"""Share of the words that must be those of the read-back, in its order."""


@dataclass(frozen=True)
class Sounded:
    """One thing that voicelog said."""

    start: Decimal
    """Seconds on the case's clock."""
    end: Decimal
    """Seconds on the case's clock."""
    text: str
    """The words."""


def sounded_meanwhile(words: Sequence[Word], start: Decimal, end: Decimal, said: Iterable[Sounded]) -> str:
    """What voicelog said while the words were heard, '' for nothing.

    Args:
        words: as heard, with times on the case's clock where the listener gives them.
        start, end: the utterance, for words without times; it begins well before the first word.
        said: what sounded, oldest first.
    """
    first = next((Decimal(word.start) for word in words if word.start is not None), start)
    last = next((Decimal(word.end) for word in reversed(words) if word.end is not None), end)
    return " ".join(one.text for one in said if one.start <= last and first <= one.end + LINGERS)


def is_echo(result: ParseResult, said: str) -> bool:
    """Whether the words are those of what was said, or of a part of it.

    A callout with a number, a unit, a drug or a route that was not said is never an echo: it has another value.
    """
    spoken = [word.text for word in words_of(said)]
    heard = [word.text for word in result.words if not word.text.startswith("<")]
    numbers = [text for text in heard if text in NUMBER_WORDS]
    values = [trace.words.split() for draft in result.drafts for trace in draft.event.evidence.values()]
    if not heard or not all(_within(part, spoken) for part in (numbers, *values)):
        return False
    return _common(heard, spoken) >= _ALIKE * len(heard)


def without_answers(context: Context) -> Context:
    """The context in which a number or a unit alone answers nothing: it may be voicelog's own."""
    return replace(context, expects_value=False, unfinished=(), asks_for="")


def while_speaking(result: ParseResult, said: str) -> ParseResult:
    """The result of words that were heard while voicelog said something.

    Its own voice and every command are left alone, callouts wait for a confirm.
    """
    if is_echo(result, said):
        return ParseResult("not_understood", result.words, reason=ECHO)
    if result.outcome == "not_understood":
        return result
    if result.outcome != "events" or result.commands:
        return ParseResult("not_understood", result.words, reason=SPOKE)
    return replace(result, drafts=tuple(replace(draft, flags=(*draft.flags, FLAG)) for draft in result.drafts))


def _within(part: Sequence[str], whole: Sequence[str]) -> bool:
    """Whether the words stand in the whole, in this order, others perhaps between them."""
    rest = iter(whole)
    return all(word in rest for word in part)


def _common(one: Sequence[str], other: Sequence[str]) -> int:
    """Length of the longest run of words that both have in the same order, others perhaps between them."""
    lengths = [0] * (len(other) + 1)
    for word in one:
        before = 0
        for place, match in enumerate(other, start=1):
            longer = before + 1 if word == match else max(lengths[place], lengths[place - 1])
            before, lengths[place] = lengths[place], longer
    return lengths[-1]
