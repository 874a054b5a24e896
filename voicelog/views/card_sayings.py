"""Sayings for the callout card: what a grammar's examples are read as, which words are values, which are the best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from voicelog.events import Event
from voicelog.grammar.model import TYPED_SIGNS, Grammar, Phrase
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of
from voicelog.views.card_words import sample_sayings

MAX_SAYINGS = 4
LONG_SAYING = 9
"""Words; a saying with more is taken only for a value that no shorter one shows."""


@dataclass(frozen=True)
class Saying:
    """One way to say it, and which of its words are values."""

    words: tuple[str, ...]
    strong: frozenset[int] = frozenset()
    """Indices of the words that fill a field."""
    fields: frozenset[str] = frozenset()
    """Fields it fills."""

    @property
    def text(self) -> str:
        """The words as one line."""
        return " ".join(self.words)

    @property
    def typed(self) -> bool:
        """Whether a number in it is written in digits."""
        return any(word[:1] in TYPED_SIGNS for word in self.words)


Understood = tuple[Event, Saying, bool]
"""The event that was read, how it was said, and whether it is in doubt."""


def read_sayings(phrase: Phrase, grammar: Grammar) -> tuple[list[Understood], list[Understood]]:
    """What a phrase's examples, or its templates where it has none, are read as: (without, with) a doubt."""
    clear: list[Understood] = []
    doubtful: list[Understood] = []
    for text in phrase.examples or sample_sayings(phrase, grammar):
        result = parse(words_of(text), grammar)
        if _is_meant(phrase, result):
            draft = result.drafts[0]
            found = (draft.event, _saying(result, draft.event), bool(draft.flags))
            (doubtful if draft.flags else clear).append(found)
    return clear, doubtful


def _is_meant(phrase: Phrase, result: ParseResult) -> bool:
    return len(result.drafts) == 1 and all(
        getattr(result.drafts[0].event, name, None) == value for name, value in phrase.event.items() if name != "action"
    )


def _saying(result: ParseResult, event: Event) -> Saying:
    words = tuple(word.text for word in result.words)
    strong: set[int] = set()
    for name, evidence in event.evidence.items():
        if name != "action" or event.kind == "medication":
            strong |= _found(evidence.words.split(), words)
    return Saying(words, frozenset(strong), frozenset(event.evidence))


def _found(part: Sequence[str], words: Sequence[str]) -> set[int]:
    """Where the words of one field stand: together if they do, else in order."""
    for start in range(len(words) - len(part) + 1):
        if list(words[start : start + len(part)]) == list(part):
            return set(range(start, start + len(part)))
    found: set[int] = set()
    start = 0
    for word in part:
        if word in words[start:]:
            start = words.index(word, start) + 1
            found.add(start - 1)
    return found


def best(by_phrase: Sequence[Sequence[Saying]], room: int) -> tuple[Saying, ...]:
    """The shortest saying of every phrase, then those that show most that is new while there is room for them."""
    spoken = [[said for said in sayings if not said.typed] or sayings for sayings in by_phrase if sayings]
    chosen = [min(sayings, key=length) for sayings in spoken]
    rest = list(chain(*spoken))
    while len(chosen) < MAX_SAYINGS:
        room_left = room - sum(len(saying.text) for saying in chosen)
        rest = [saying for saying in rest if saying not in chosen and len(saying.text) <= room_left]
        if not rest:
            break
        fields = frozenset(chain(*(saying.fields for saying in chosen)))
        words = frozenset(chain(*(saying.words for saying in chosen)))
        chosen.append(min(rest, key=lambda saying: (-_news(saying, fields, words), length(saying))))
    return tuple(chosen)


def _news(saying: Saying, fields: frozenset[str], words: frozenset[str]) -> float:
    """How much a saying adds to those chosen: a new field counts more than a new label word, length against it."""
    labels = {word for index, word in enumerate(saying.words) if index not in saying.strong}
    too_long = max(0, len(saying.words) - LONG_SAYING)
    return 2 * len(saying.fields - fields) + len(labels - words) - too_long - 0.3 * len(saying.words)


def length(saying: Saying) -> int:
    """Words."""
    return len(saying.words)
