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
UNCLEAR = "nothing but our own read-back is clear in it"
"""Why nothing is made of a read-back that was heard badly."""
OWN_VOICE = frozenset({ECHO, UNCLEAR})
"""Reasons that leave the dialogue as it was: what was offered for a confirm is so still."""
SPOKE = "said while I spoke"
"""Why a command is not obeyed: it may be voicelog's own voice."""
FLAG = "during_read_back"
"""Flag of an entry that was heard while voicelog spoke."""
LINGERS = Decimal("0.25")
"""Seconds for which a read-back may still be heard after its end: the room, and delays that no device tells of."""
_LONG = 6
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


def after_read_back(words: Sequence[Word], start: Decimal, end: Decimal, said: Sequence[Sounded]) -> tuple[Word, ...]:
    """The words that began well after voicelog fell silent, where those before them are no more than its own voice.

    An answer that comes at once is heard in one utterance with the read-back. A word of the read-back itself cannot
    begin after its end; ``LINGERS`` and the length of a word are the margin for delays that no device tells of.
    """
    over = sounded_meanwhile(words, start, end, said)
    last = max((one.end for one in said if one.text in over), default=end) if over else end
    clear = [word for word in words if word.start is not None and Decimal(word.start) > last + LINGERS]
    before = list(words[: len(words) - len(clear)])
    whole_tail = bool(clear) and tuple(words[len(before) :]) == tuple(clear)
    return tuple(clear) if over and whole_tail and _no_other_number(before, over) else ()


def is_echo(result: ParseResult, said: str) -> bool:
    """Whether the words are those of what was said, or of a part of it.

    A callout with a number, a unit, a drug or a route that was not said is never an echo: it has another value.
    """
    spoken = [word.text for word in words_of(said)]
    heard = [word.text for word in result.words if not word.text.startswith("<")]
    values = [trace.words.split() for draft in result.drafts for trace in draft.event.evidence.values()]
    if not heard or not _no_other_number(result.words, said) or not all(_within(part, spoken) for part in values):
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
    if result.outcome != "events" or result.commands:
        # Its own voice is often heard badly. To ask "say again" for that would be heard badly once more, without end.
        own = _may_be_own(result, [word.text for word in words_of(said)])
        return ParseResult("not_understood", result.words, reason=UNCLEAR if own else SPOKE)
    return replace(result, marks=(*result.marks, FLAG))


def _may_be_own(result: ParseResult, spoken: Sequence[str]) -> bool:
    """Whether what is no callout may be a read-back that was heard badly, by its numbers or by half of its words."""
    if result.commands:
        return set(result.commands) == {"confirm"} and "confirm" in spoken
    heard = [word.text for word in result.words if not word.text.startswith("<")]
    numbers = [text for text in heard if text in NUMBER_WORDS]
    return _within(numbers, spoken) or (len(heard) >= _LONG and 2 * _common(heard, spoken) >= len(heard))


def _no_other_number(words: Sequence[Word], said: str) -> bool:
    numbers = [word.text for word in words if word.text in NUMBER_WORDS]
    return _within(numbers, [word.text for word in words_of(said)])


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
