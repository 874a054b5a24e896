"""Turns trees into what the search walks: tries for value lists, automata for numbers, word nets for phrases."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from voicelog.grammar.numbers import PARTS
from voicelog.grammar.template import parse_template
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Sequence, Tagged

Values = tuple[tuple[str, str], ...]
"""What a list item fills: (field, value) pairs; an empty field stands for the field its use names."""
Effect = tuple[str, str, str | None]
"""A step of capturing: ("open", "", None) where a tagged part starts, ("set", field, constant or None) at its end."""
EXPANSIONS_LIMIT = 5_000
"""Most spoken forms one template of a closed list may have."""


@dataclass
class Trie:
    """Spoken forms of a closed list, word by word."""

    children: dict[str, Trie] = field(default_factory=dict)
    values: list[Values] = field(default_factory=list)
    """What the words so far fill; more than one when a form has two meanings."""

    def add(self, words: Iterable[str], values: Values) -> None:
        """Enter one spoken form."""
        node = self
        for word in words:
            node = node.children.setdefault(word, Trie())
        if values not in node.values:
            node.values.append(values)


@dataclass
class Automaton:
    """A deterministic acceptor of word sequences, built for numbers."""

    steps: dict[str, Automaton] = field(default_factory=dict)
    final: bool = False


@dataclass
class State:
    """A place in a word net, free of empty steps."""

    words: dict[str, list[tuple[tuple[Effect, ...], State, bool]]] = field(default_factory=dict)
    """Word -> (effects before it, next state, whether the word is a soft label that may be mended)."""
    calls: list[tuple[str, str, tuple[Effect, ...], State]] = field(default_factory=list)
    """(name of a list, rule or number, field to fill or '', effects before it, next state)."""
    finals: list[tuple[tuple[Effect, ...], int]] = field(default_factory=list)
    """(effects before the end, number of the phrase that ends here)."""
    starting: dict[str, list[tuple[str, str, tuple[Effect, ...], State]]] = field(default_factory=dict)
    """Word -> those calls that can begin with it; filled as words are met."""


def expansions(node: Node) -> list[tuple[str, ...]]:
    """Every word sequence of a tree without references.

    Raises:
        ValueError: for a reference, or more than EXPANSIONS_LIMIT sequences.
    """
    match node:
        case Literal(word):
            return [(word,)]
        case Optional(part):
            return [(), *expansions(part)]
        case Tagged(part, _, _):
            return expansions(part)
        case Alternatives(choices):
            return [form for choice in choices for form in expansions(choice)]
        case Sequence(parts):
            forms: list[tuple[str, ...]] = [()]
            for part in parts:
                tails = expansions(part)
                if len(forms) * len(tails) > EXPANSIONS_LIMIT:
                    raise ValueError("the template has too many spoken forms")
                forms = [form + tail for form in forms for tail in tails]
            return forms
        case Reference(name):
            raise ValueError(f"<{name}> cannot stand inside a closed list")


class _Loose:
    """A state under construction, with empty steps that carry effects."""

    __slots__ = ("calls", "empties", "final", "words")

    def __init__(self) -> None:
        self.words: list[tuple[str, _Loose, bool]] = []
        self.calls: list[tuple[str, str, _Loose]] = []
        self.empties: list[tuple[tuple[Effect, ...], _Loose]] = []
        self.final: int | None = None


def _join(node: Node, start: _Loose, end: _Loose, exact: frozenset[str], hard: bool) -> None:
    match node:
        case Literal(word):
            start.words.append((word, end, not hard and word not in exact))
        case Reference(name):
            start.calls.append((name, "", end))
        case Optional(part):
            start.empties.append(((), end))
            _join(part, start, end, exact, hard)
        case Alternatives(choices):
            for choice in choices:
                _join(choice, start, end, exact, hard)
        case Sequence(parts):
            for part in parts[:-1]:
                middle = _Loose()
                _join(part, start, middle, exact, hard)
                start = middle
            _join(parts[-1], start, end, exact, hard)
        case Tagged(Reference(name), tag, None):
            start.calls.append((name, tag, end))
        case Tagged(part, tag, constant):
            # A word that sets a value is a value: it must be heard exactly.
            inner, after = _Loose(), _Loose()
            start.empties.append(((("open", "", None),), inner))
            _join(part, inner, after, exact, True)
            after.empties.append(((("set", tag, constant),), end))


def _tighten(start: _Loose) -> State:
    """Remove empty steps: each state takes over what its empty steps lead to, with their effects."""
    made: dict[int, State] = {}
    keep: list[_Loose] = []
    todo: list[_Loose] = []

    def state_of(loose: _Loose) -> State:
        if id(loose) not in made:
            made[id(loose)] = State()
            keep.append(loose)
            todo.append(loose)
        return made[id(loose)]

    first = state_of(start)
    while todo:
        loose = todo.pop()
        state = made[id(loose)]
        stack: list[tuple[tuple[Effect, ...], _Loose]] = [((), loose)]
        seen: set[tuple[tuple[Effect, ...], int]] = set()
        while stack:
            effects, place = stack.pop()
            if (effects, id(place)) in seen:
                continue
            seen.add((effects, id(place)))
            if place.final is not None:
                state.finals.append((effects, place.final))
            for word, target, soft in place.words:
                state.words.setdefault(word, []).append((effects, state_of(target), soft))
            for name, tag, target in place.calls:
                state.calls.append((name, tag, effects, state_of(target)))
            for more, target in place.empties:
                stack.append((effects + more, target))
    return first


def build_net(trees: Iterable[Node], exact: frozenset[str]) -> State:
    """One net for several trees; its finals carry the tree's number.

    Args:
        trees: phrases or the variants of one rule.
        exact: words that may never be mended, such as number words and negations.
    """
    start = _Loose()
    for number, tree in enumerate(trees):
        end = _Loose()
        end.final = number
        first = _Loose()
        start.empties.append(((), first))
        _join(tree, first, end, exact, False)
    return _tighten(start)


def build_number(say: str) -> Automaton:
    """The deterministic acceptor of a number template, its building blocks put in place."""
    start, end = _Loose(), _Loose()
    end.final = 0
    _join(number_tree(say), start, end, frozenset(), True)
    return _determinise(_tighten(start))


@lru_cache(maxsize=256)
def number_tree(say: str) -> Node:
    """The tree of a number template with every building block put in place of its name."""
    return _inlined(parse_template(say))


def _inlined(node: Node) -> Node:
    match node:
        case Reference(name):
            return number_tree(PARTS[name])
        case Sequence(members):
            return Sequence(tuple(_inlined(member) for member in members))
        case Alternatives(choices):
            return Alternatives(tuple(_inlined(choice) for choice in choices))
        case Optional(part):
            return Optional(_inlined(part))
        case _:
            return node


def _determinise(start: State) -> Automaton:
    made: dict[frozenset[int], Automaton] = {}
    states: dict[int, State] = {}

    def automaton_of(members: list[State]) -> Automaton:
        key = frozenset(map(id, members))
        if key in made:
            return made[key]
        result = made[key] = Automaton(final=any(member.finals for member in members))
        for member in members:
            states[id(member)] = member
        targets: dict[str, list[State]] = {}
        for member in members:
            for word, arcs in member.words.items():
                targets.setdefault(word, []).extend(target for _, target, _ in arcs)
        for word, found in targets.items():
            result.steps[word] = automaton_of(list({id(state): state for state in found}.values()))
        return result

    return automaton_of([start])
