"""Labels heard with their words joined, split or as other words, such as "oxygen's at you ration"."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from weakref import WeakKeyDictionary

from rapidfuzz import process
from rapidfuzz.distance import OSA

from voicelog.grammar.model import Compiled
from voicelog.grammar.net import State

LABEL_WORDS = 3
"""Longest label that is looked for in words joined, split or heard as others."""
SPAN_WORDS = 5
"""Most heard words that may stand for one label."""
MIN_LETTERS = 8
"""Shorter labels are not looked for across word boundaries: too much else is close to them."""


class LabelIndex:
    """Finds labels whose words were joined, split or misheard, such as "at you ration" for "saturation"."""

    def __init__(self, labels: Iterable[tuple[str, ...]], never: frozenset[str], known: frozenset[str]) -> None:
        """Gather labels.

        Args:
            labels: word sequences with which phrases begin.
            never: words that are never part of a mended label.
            known: words of the grammar; a run of them alone is what was said and is not mended into another label.
        """
        self.never = never
        self.known = known
        self.by_letter: dict[str, dict[str, tuple[str, ...]]] = {}
        for label in labels:
            joined = "".join(label)
            if len(joined) >= MIN_LETTERS and joined.isalpha() and never.isdisjoint(label):
                self.by_letter.setdefault(joined[0], {}).setdefault(joined, label)

    def heard_in(self, words: Sequence[str], start: int) -> Iterator[tuple[tuple[str, ...], int, int]]:
        """Labels that the words from ``start`` may stand for: (label, word after the last, letters changed).

        A label of one word heard as one word is left to ``sounds_similar``.
        """
        heard = ""
        for end in range(start + 1, min(start + SPAN_WORDS, len(words)) + 1):
            word = words[end - 1]
            if word in self.never or not word.isalpha():
                return
            heard += word
            choices = self.by_letter.get(heard[0])
            if len(heard) < MIN_LETTERS - 1 or not choices:
                continue
            span = tuple(words[start:end])
            if self.known.issuperset(span):
                continue
            allowed = 1 if len(heard) < 12 else 2 if len(heard) < 15 else 3
            close = process.extract(heard, choices.keys(), scorer=OSA.distance, score_cutoff=allowed, limit=3)
            for joined, edits, _ in close:
                label = choices[joined]
                if label != span and (len(label) > 1 or len(span) > 1):
                    yield label, end, int(edits)


_INDEX: WeakKeyDictionary[Compiled, LabelIndex] = WeakKeyDictionary()


def labels_of(compiled: Compiled) -> LabelIndex:
    """The labels with which phrases begin, gathered when the first callout needs mending."""
    if compiled not in _INDEX:
        _INDEX[compiled] = LabelIndex(_openings(compiled.root), compiled.never_mended, compiled.vocabulary)
    return _INDEX[compiled]


def _openings(root: State) -> Iterator[tuple[str, ...]]:
    """Runs of up to LABEL_WORDS soft words with which a phrase begins and after which a value may follow."""
    paths: list[tuple[tuple[str, ...], State]] = [((), root)]
    while paths:
        words, state = paths.pop()
        if words and state.calls:
            yield words
        if len(words) < LABEL_WORDS:
            paths += [
                ((*words, word), target)
                for word, arcs in state.words.items()
                for effects, target, soft in arcs
                if soft and not effects
            ]


def after_label(root: State, label: tuple[str, ...]) -> list[State]:
    """The places in the net that a label leads to."""
    states = [root]
    for word in label:
        states = [
            target for state in states for effects, target, soft in state.words.get(word, ()) if soft and not effects
        ]
    return states
