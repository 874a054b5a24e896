"""What a loaded grammar is: lists, rules, phrases, commands, talk, filler and the formulary, all frozen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from voicelog.grammar.net import Automaton, State, Trie, Values, build_net, build_number, expansions, number_tree
from voicelog.grammar.numbers import KINDS, NUMBER_WORDS
from voicelog.grammar.tree import Node, literals, references

PhraseKind = Literal["event", "command", "talk", "filler", "fragment"]
SIDE_WORDS = frozenset({"left", "right", "both", "bilateral"})
VALUE_LISTS = frozenset({"drug", "dose_unit", "route"})
_LINK_WORDS = frozenset({"per", "under", "the", "with", "and", "mouth", "nose", "skin", "back"})
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

    @cached_property
    def compiled(self) -> Compiled:
        """The nets the parser walks, built once."""
        return Compiled(self)

    @cached_property
    def value_words(self) -> frozenset[str]:
        """Words that carry a value wherever they stand: numbers, and the longer words of drugs, units and routes."""
        plain = {w for p in self.phrases if p.kind == "filler" for tree in p.say for w in literals(tree)}
        listed = {
            word
            for name in VALUE_LISTS & self.lists.keys()
            for _, tree in self.lists[name].items
            for word in literals(tree)
            if len(word) > 2
        }
        return NUMBER_WORDS | (listed - plain - _LINK_WORDS)

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
        self.exact = frozenset(NUMBER_WORDS | SIDE_WORDS | talk)
        """Words that are never mended: numbers, sides and the words that tell talk from callouts."""
        self.vocabulary = grammar.vocabulary
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
            self.tries[values.name] = (values.field, trie)
        used = {name for _, tree in _uses(grammar) for name in references(tree)}
        self.numbers: dict[str, Automaton] = {
            name: build_number(KINDS[name].say) for name in sorted(used & KINDS.keys())
        }
