"""What readings mean, for listeners that compare them."""

from __future__ import annotations

from collections.abc import Sequence

from voicelog.events import event_fields
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.recognisers.base import Word
from voicelog.recognisers.nets import is_digits
from voicelog.recognisers.sphinx import GARBAGE
from voicelog.recognisers.written import said

Words = tuple[str, ...]


def in_words(row: Words) -> Words:
    """A row with its numbers in words."""
    return tuple(word for part in row for word in (said(part) if is_digits(part) else (part,)))


def same_meaning(one: Sequence[Word], other: Sequence[Word], grammar: Grammar) -> bool:
    """Whether two readings mean the same events, or the same command."""
    first, second = (means(words, grammar) for words in (one, other))
    return first is not None and first == second


def flags_of(words: Sequence[Word], grammar: Grammar) -> tuple[str, ...]:
    """How what words mean is doubted."""
    return parse(words, grammar).flags


def means(words: Sequence[Word], grammar: Grammar) -> str | None:
    """What words mean; None where they mean nothing, or hold speech that is no word."""
    if not words or any(word.text == GARBAGE for word in words):
        return None
    result = parse(words, grammar)
    if result.outcome not in {"events", "command"}:
        return None
    events = [event_fields(draft.event) for draft in result.drafts]
    return repr((events, result.commands, result.named_drug, sorted(result.fragment.items())))
