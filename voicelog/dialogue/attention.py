"""The attention word: a word of the crew's choice that a callout must begin with, so that other talk is never taken."""

from __future__ import annotations

from dataclasses import replace

from voicelog.dialogue.state import DialogueState
from voicelog.errors import UsageError
from voicelog.grammar.model import Grammar, Phrase
from voicelog.grammar.template import parse_template
from voicelog.parse.result import ParseResult
from voicelog.parse.search import HESITATIONS
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word

PHRASE = "filler.attention"
"""Name of the phrase that lets a recogniser hear it."""
UNADDRESSED = "said without the attention word"
"""Why words without it are left."""


def with_attention(grammar: Grammar, text: str) -> Grammar:
    """The grammar with the attention word among what may be said.

    Args:
        grammar: what may be said.
        text: one to three words, such as ``scribe``.

    Raises:
        UsageError: it is no word, or it means something already.
    """
    words = [word.text for word in words_of(text)]
    if not 1 <= len(words) <= 3 or not all(word.isalpha() and len(word) > 1 for word in words):
        raise UsageError(f"{text!r} is no attention word", "choose one to three plain words, such as: scribe")
    if grammar.compiled.vocabulary.issuperset(words):
        raise UsageError(f"{text!r} means something in a callout already", "choose a word that no callout has")
    return replace(grammar, phrases=(*grammar.phrases, Phrase(PHRASE, "filler", (parse_template(" ".join(words)),))))


def addressed(words: tuple[Word, ...], attention: tuple[str, ...], state: DialogueState) -> tuple[Word, ...] | None:
    """The words after the attention word, or None when they were not meant for the record.

    Nobody has to say it to answer: while something is asked, waits for its value, or was just read back for a confirm,
    words without it count too.
    """
    if not attention:
        return words
    after = _after(words, attention)
    if after is not None:
        return after
    return words if state.question or state.correcting or state.offered else None


def unaddressed(
    result: ParseResult, words: tuple[Word, ...], attention: tuple[str, ...], state: DialogueState
) -> ParseResult:
    """The result, or that it was not meant for the record: a callout of its own said without the word.

    While only a read-back waits for its confirm, what counts without the word is a command. Where something is asked,
    the whole callout said again is an answer too.
    """
    if not attention or state.question or state.correcting or not result.drafts or _after(words, attention) is not None:
        return result
    return ParseResult("not_understood", result.words, reason=UNADDRESSED)


def _after(words: tuple[Word, ...], attention: tuple[str, ...]) -> tuple[Word, ...] | None:
    """The words after the attention word; None where they do not begin with it."""
    start = next((n for n, word in enumerate(words) if word.text not in HESITATIONS), 0)
    said = tuple(word.text for word in words[start : start + len(attention)])
    return words[start + len(attention) :] if said == attention else None
