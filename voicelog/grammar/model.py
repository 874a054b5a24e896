"""What a loaded grammar is: lists, rules, phrases, commands, talk, filler and the formulary, all frozen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import Any, Literal

from voicelog.errors import GrammarError
from voicelog.grammar.net import (
    Automaton,
    Effect,
    State,
    Trie,
    Values,
    build_net,
    build_number,
    expansions,
    number_tree,
)
from voicelog.grammar.numbers import KINDS, NUMBER_WORDS
from voicelog.grammar.tree import Alternatives, Node, literals, references
from voicelog.grammar.tree import Literal as SaidWord

PhraseKind = Literal["event", "command", "talk", "filler", "fragment"]
TELLING_KINDS = 1
"""A label word used by more kinds of events than this tells nothing about which one is meant."""
MIN_INITIALS = 3
"""Fewest spelled letters that may be typed as one word; two, such as ``i n``, could be a word of their own."""
LINK_WORDS = frozenset({"over", "per"})
"""Words between two numbers, or a number and its unit: without them the numbers mean something else."""
TYPED = "#"
"""Stands for any typed number among the words with which something can begin."""
TYPED_SIGNS = frozenset("0123456789.")
"""Signs with which a typed number begins."""
SIDE_WORDS = frozenset({"left", "right", "both", "bilateral"})
DRUG_LIST = "drug"
"""The name by which phrases refer to the formulary: ``<drug>``."""


@dataclass(frozen=True)
class Place:
    """Where something stands in a grammar file."""

    file: Path
    line: int = 0


@dataclass(frozen=True)
class ValueList:
    """A closed set of values and how each is said."""

    name: str
    field: str
    """The field a matched item fills unless its use names another."""
    items: tuple[tuple[Values, Node], ...]
    """(what it fills, one spoken form as a tree)."""
    place: Place


@dataclass(frozen=True)
class Phrase:
    """One thing that can be said, and what it means."""

    name: str
    kind: PhraseKind
    say: tuple[Node, ...]
    event: Mapping[str, Any] = field(default_factory=dict)
    """Fields that every event of this phrase has."""
    examples: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """Spoken text -> fields it must fill."""
    counterexamples: tuple[str, ...] = ()
    """Text that must not be read as this phrase."""
    place: Place = Place(Path())
    reason: str = ""
    """For talk: why it is not for the log, in words for the crew."""
    after: tuple[str, ...] = ()
    """Names of the phrases that it may follow in one breath; empty when it stands by itself."""


@dataclass(frozen=True)
class DoseLimit:
    """A single dose above which the crew is asked; a challenge, not a recommendation."""

    dose: Decimal
    unit: str
    route: str | None = None


@dataclass(frozen=True)
class Drug:
    """One row of the formulary."""

    name: str
    """Generic name, as recorded."""
    spoken: tuple[str, ...]
    """Every listed way to say it."""
    units: tuple[str, ...]
    """UCUM units in which a dose may be said."""
    usual_unit: str | None
    """The single usual unit, or None when there is more than one."""
    routes: tuple[str, ...]
    concentrations: tuple[str, ...]
    named_concentrations: Mapping[str, str]
    """Spoken names that carry a strength, such as ``d ten`` -> ``10 %``."""
    ask_above: tuple[DoseLimit, ...]
    rxnorm: str | None
    source: str
    date: str
    place: Place
    sounds_like: tuple[str, ...] = ()
    """Generic names declared to look or sound like this one."""


@dataclass(frozen=True)
class Grammar:
    """Everything read from the grammar files of one or more directories."""

    lists: Mapping[str, ValueList]
    rules: Mapping[str, tuple[Node, ...]]
    phrases: tuple[Phrase, ...]
    drugs: Mapping[str, Drug]
    """Generic name -> row."""
    digest: str
    """SHA-256 over the files that made it; kept in every case file."""
    unsure_pairs: tuple[frozenset[str], ...] = ()
    """Drug names declared to look or sound alike."""
    refused: tuple[GrammarError, ...] = ()
    """Drug rows of overlays that are wrong; the row of that name before them is in force, if there is one."""
    overlays: tuple[Path, ...] = ()
    """Directories of the overlays: their ``*.dict`` and ``typed_only.txt`` tell how words sound there."""
    garbage: float | None = None
    """How likely speech outside the grammar is beside a callout at 1, from [listening]; None for as measured."""

    @cached_property
    def compiled(self) -> Compiled:
        """The nets the parser walks, built once."""
        return Compiled(self)

    @cached_property
    def telling_words(self) -> frozenset[str]:
        """Label words by which a callout is known: those that few kinds of events use."""
        users: dict[str, set[str]] = {}
        rules: dict[str, frozenset[str]] = {}
        for phrase in self.phrases:
            kind = repr(sorted(phrase.event.items())) if phrase.kind == "event" else phrase.kind
            for word in self._label_words(phrase.say, rules):
                users.setdefault(word, set()).add(kind)
        return frozenset(word for word, kinds in users.items() if len(kinds) <= TELLING_KINDS and "filler" not in kinds)

    def _label_words(self, trees: Iterable[Node], known: dict[str, frozenset[str]]) -> frozenset[str]:
        """Words of the trees and of the rules they use; ``known`` keeps what was found for each rule."""
        words: set[str] = set()
        for tree in trees:
            words.update(literals(tree))
            for name in references(tree):
                if name not in known:
                    known[name] = self._label_words(self.rules.get(name, ()), known)
                words |= known[name]
        return frozenset(words)

    @cached_property
    def vocabulary(self) -> frozenset[str]:
        """Every word the grammar can say."""
        return frozenset(_vocabulary(self))


def _vocabulary(grammar: Grammar) -> Iterator[str]:
    for phrase in grammar.phrases:
        for tree in phrase.say:
            yield from literals(tree)
    for trees in grammar.rules.values():
        for tree in trees:
            yield from literals(tree)
    for values in grammar.lists.values():
        for _, tree in values.items:
            yield from literals(tree)
    used = {name for _, tree in _uses(grammar) for name in references(tree)}
    for name in used & KINDS.keys():
        yield from literals(number_tree(KINDS[name].say))


def _uses(grammar: Grammar) -> Iterator[tuple[str, Node]]:
    for phrase in grammar.phrases:
        for tree in phrase.say:
            yield phrase.name, tree
    for name, trees in grammar.rules.items():
        for tree in trees:
            yield name, tree


def _initials_joined(form: tuple[str, ...]) -> tuple[str, ...]:
    """The form as it is typed: three and more letters spelled apart become one word, ``t x a`` -> ``txa``."""
    joined: list[str] = []
    for letters, run in groupby(form, key=lambda word: len(word) == 1):
        words = list(run)
        joined += ["".join(words)] if letters and len(words) >= MIN_INITIALS else words
    return tuple(joined)


def _choices(trees: Iterable[Node]) -> Iterator[Node]:
    """The trees, those that are a choice opened."""
    for tree in trees:
        if isinstance(tree, Alternatives):
            yield from _choices(tree.choices)
        else:
            yield tree


class Compiled:
    """The nets of a grammar: one for all phrases, one a rule, a trie a list, an automaton a number kind."""

    def __init__(self, grammar: Grammar) -> None:
        talk = {
            word
            for phrase in grammar.phrases
            if phrase.kind == "talk"
            for tree in phrase.say
            for word in literals(tree)
        }
        self.exact = frozenset(NUMBER_WORDS | SIDE_WORDS | LINK_WORDS | talk)
        """Words that are never mended: numbers, sides and the words that tell talk from callouts."""
        alone = {
            tree.word
            for phrase in grammar.phrases
            if phrase.kind == "talk"
            for tree in _choices(phrase.say)
            if isinstance(tree, SaidWord)
        }
        self.never_mended = frozenset(NUMBER_WORDS | SIDE_WORDS | LINK_WORDS | alone)
        """Words that are no part of a mended label: as ``exact``, with those words of talk only that stand alone."""
        self.grammar = grammar
        self.phrases: list[Phrase] = []
        trees: list[Node] = []
        for phrase in grammar.phrases:
            for tree in phrase.say:
                self.phrases.append(phrase)
                trees.append(tree)
        self.root: State = build_net(trees, self.exact)
        self.rules: dict[str, State] = {name: build_net(say, self.exact) for name, say in grammar.rules.items()}
        self.tries: dict[str, tuple[str, Trie]] = {}
        for values in grammar.lists.values():
            trie = Trie()
            for filled, tree in values.items:
                for form in expansions(tree):
                    trie.add(form, filled)
                    trie.add(_initials_joined(form), filled)
            self.tries[values.name] = (values.field, trie)
        used = {name for _, tree in _uses(grammar) for name in references(tree)}
        self.numbers: dict[str, Automaton] = {
            name: build_number(KINDS[name].say) for name in sorted(used & KINDS.keys())
        }

        self.firsts: dict[str, frozenset[str]] = {name: self._first_words(name) for name in self.called}
        self.vocabulary = grammar.vocabulary.union(*self.firsts.values()) - {TYPED}
        """Every word that can be said or typed, initials joined as they are typed among them."""

    @property
    def called(self) -> Iterator[str]:
        """Names of everything a net may call."""
        yield from self.tries
        yield from self.numbers
        yield from self.rules

    def _first_words(self, name: str) -> frozenset[str]:
        """Words with which a list, number or rule can begin; TYPED stands for any typed number."""
        if name in self.tries:
            return frozenset(self.tries[name][1].children)
        if name in self.numbers:
            return frozenset(self.numbers[name].steps) | {TYPED}
        state = self.rules[name]
        return frozenset(state.words).union(*(self._first_words(called) for called, _, _, _ in state.calls))

    def calls_with(self, state: State, word: str, mending: bool) -> list[tuple[str, str, tuple[Effect, ...], State]]:
        """The calls of a state that can begin with a word.

        When mending, every rule can: its first word may be mended. Numbers and lists begin as they are said.
        """
        key = TYPED if word[:1] in TYPED_SIGNS else word
        if mending:
            return [call for call in state.calls if call[0] in self.rules or key in self.firsts[call[0]]]
        if key not in state.starting:
            if key != TYPED and key not in self.vocabulary:
                return []
            state.starting[key] = [call for call in state.calls if key in self.firsts[call[0]]]
        return state.starting[key]

    @property
    def telling(self) -> frozenset[str]:
        """Label words by which a callout is known."""
        return self.grammar.telling_words
