"""Turns a grammar into a short list of phrases that together hold every pair of words it lets follow each other.

Some recognisers take no grammar but text, from which they learn which word follows which. Spelling out every phrase
would be millions of lines and would make a pair the likelier the more often it happens to occur; here a pair stands
once, or a few times where it leads to others. Such a recogniser mixes the order of words beyond the pair: what was
meant is for the parser to say.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from voicelog.grammar.model import Grammar
from voicelog.grammar.net import number_tree
from voicelog.grammar.numbers import KINDS
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Tagged
from voicelog.grammar.tree import Sequence as Said

_EDGE = ""
"""Stands for the edge of a phrase: before its first word and after its last."""
_NO_WORDS: Mapping[str, tuple[str, ...]] = {}


@dataclass(frozen=True)
class Pairs:
    """Which words open, close and follow each other in what a tree lets through."""

    empty: bool
    """Whether nothing at all may be said."""
    first: frozenset[str] = frozenset()
    last: frozenset[str] = frozenset()
    inside: frozenset[tuple[str, str]] = frozenset()
    """(word, next word)."""


def phrase_list(
    grammar: Grammar, without: Collection[str] = (), said_as: Mapping[str, tuple[str, ...]] = _NO_WORDS
) -> list[str]:
    """Phrases of words parted by blanks that hold every pair of words of every callout, command, talk and filler.

    Args:
        grammar: what may be said.
        without: words to leave out with every alternative that needs them.
        said_as: word -> other words to be put in its place, such as those that sound like a drug's name.
    """
    return cover(pairs_of(grammar, without, said_as))


def pairs_of(
    grammar: Grammar, without: Collection[str] = (), said_as: Mapping[str, tuple[str, ...]] = _NO_WORDS
) -> Pairs:
    """The word pairs of all phrases of a grammar; parts said in one breath are not paired with each other."""
    walk = _Walk(grammar, frozenset(without), said_as)
    return _either(walk.pairs(tree) for phrase in grammar.phrases for tree in phrase.say) or Pairs(True)


def cover(pairs: Pairs) -> list[str]:
    """Phrases that open, go on and end only as the pairs allow, and hold every one of them."""
    words = sorted({_EDGE, *pairs.first, *pairs.last, *(word for pair in pairs.inside for word in pair)})
    number = {word: place for place, word in enumerate(words)}
    # Sets of words are bits of one integer each, the edge bit 0: a grammar has a hundred thousand pairs.
    ahead = [0] * len(words)
    opening, ending = ((_EDGE, word) for word in pairs.first), ((word, _EDGE) for word in pairs.last)
    for word, following in (*opening, *ending, *pairs.inside):
        ahead[number[word]] |= 1 << number[following]
    fresh = list(ahead)
    unfinished = sum(1 << place for place, following in enumerate(fresh) if following)
    phrases = []
    while unfinished:
        places = [0]
        while len(places) == 1 or places[-1]:
            here = places[-1]
            if fresh[here]:
                # The edge comes last: a phrase goes on while there is something new to say.
                steps: Sequence[int] = (fresh[here].bit_length() - 1,)
            else:
                steps = _way(here, ahead, unfinished & ~1) or _way(here, ahead, 1)
            for place in steps:
                fresh[places[-1]] &= ~(1 << place)
                if not fresh[places[-1]]:
                    unfinished &= ~(1 << places[-1])
                places.append(place)
        phrases.append(" ".join(words[place] for place in places[1:-1]))
    return phrases


def _way(here: int, ahead: Sequence[int], goals: int) -> Sequence[int]:
    """The shortest way from a word to one of the goals without leaving the phrase; () when there is none."""
    if ahead[here] & goals:
        return ((ahead[here] & goals).bit_length() - 1,)
    before: dict[int, int] = {}
    seen = 1 << here | 1
    todo = [here]
    for place in todo:
        new = ahead[place] & ~seen
        seen |= new
        while new:
            following = new.bit_length() - 1
            new ^= 1 << following
            before[following] = place
            if found := ahead[following] & goals:
                way = [found.bit_length() - 1, following]
                while (previous := before[way[-1]]) != here:
                    way.append(previous)
                return way[::-1]
            todo.append(following)
    return ()


class _Walk:
    """The pairs of trees; None stands for a tree of which nothing is left."""

    def __init__(self, grammar: Grammar, without: frozenset[str], said_as: Mapping[str, tuple[str, ...]]) -> None:
        self.grammar = grammar
        self.without = without
        self.said_as = said_as
        self.known: dict[str, Pairs | None] = {}

    def pairs(self, node: Node) -> Pairs | None:
        match node:
            case Literal(word):
                said = self.said_as.get(word, (word,))
                return None if word in self.without else _in_a_row([_word(part) for part in said])
            case Reference(name):
                if name not in self.known:
                    self.known[name] = _either(self.pairs(tree) for tree in self.forms(name))
                return self.known[name]
            case Tagged(part, _, _):
                return self.pairs(part)
            case Optional(part):
                return _either([Pairs(True), self.pairs(part)])
            case Alternatives(choices):
                return _either(self.pairs(choice) for choice in choices)
            case Said(parts):
                return _in_a_row([self.pairs(part) for part in parts])

    def forms(self, name: str) -> Iterable[Node]:
        if name in self.grammar.rules:
            return self.grammar.rules[name]
        if name in self.grammar.lists:
            return [tree for _, tree in self.grammar.lists[name].items]
        return (number_tree(KINDS[name].say),)


def _word(word: str) -> Pairs:
    return Pairs(False, frozenset({word}), frozenset({word}))


def _either(choices: Iterable[Pairs | None]) -> Pairs | None:
    left = [choice for choice in choices if choice is not None]
    if not left:
        return None
    return Pairs(
        any(choice.empty for choice in left),
        frozenset().union(*(choice.first for choice in left)),
        frozenset().union(*(choice.last for choice in left)),
        frozenset().union(*(choice.inside for choice in left)),
    )


def _in_a_row(parts: Sequence[Pairs | None]) -> Pairs | None:
    so_far = Pairs(True)
    for part in parts:
        if part is None:
            return None
        so_far = Pairs(
            so_far.empty and part.empty,
            so_far.first | part.first if so_far.empty else so_far.first,
            so_far.last | part.last if part.empty else part.last,
            so_far.inside | part.inside | {(word, following) for word in so_far.last for following in part.first},
        )
    return so_far
