"""Turns a grammar into one small word net for a recogniser that walks weighted arcs between numbered states.

The net lets through a little more than the grammar: within one phrase every use of a large number, rule or list
shares one copy, so after it any of that phrase's continuations may follow. That halves the net; what was meant is for
the parser alone to say.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from voicelog.grammar.jsgf import number_rules
from voicelog.grammar.loader import TIME_RULE
from voicelog.grammar.model import Grammar, Phrase, PhraseKind
from voicelog.grammar.numbers import KINDS
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Tagged
from voicelog.grammar.tree import Sequence as Said

LARGE = 100
"""A number, list or rule with at least so many arcs of its own is shared within a phrase."""
SPOKEN_LETTERS = frozenset({"a", "i", "o"})
"""Letters said as words of their own; any other letter that is a whole choice, as ``g`` beside ``grams``, is typed."""
START, END = 0, 1


@dataclass(frozen=True)
class Weights:
    """How likely each kind of part is, 0 to 1, beside a callout at 1; chosen by measurement."""

    fragment: float = 1e-3
    """A value without its callout."""
    talk: float = 1e-4
    """Words that tell talk from callouts."""
    filler: float = 1e-3
    """Filler words, and clock times before and after a callout."""
    again: float = 1e-6
    """Each part after the first."""
    garbage: float = 1e-6
    """A stretch of speech outside the grammar."""


@dataclass
class WordNet:
    """Arcs between states; a walk from START to END spells an utterance."""

    arcs: list[tuple[int, int, float, str]] = field(default_factory=list)
    """(from, to, weight, word)."""
    empty: list[tuple[int, int, float]] = field(default_factory=list)
    """(from, to, weight), closed: no two need be walked in a row."""

    @property
    def words(self) -> frozenset[str]:
        """Every word on an arc."""
        return frozenset(word for *_, word in self.arcs)


def word_net(grammar: Grammar, without: Collection[str], garbage: Sequence[str], weights: Weights) -> WordNet:
    """The net of a whole grammar: any number of callouts, commands, talk, filler and garbage in a row.

    Args:
        grammar: what may be said.
        without: words to leave out with every alternative that needs them.
        garbage: words, one a phone, whose sequences stand for any other speech.
        weights: of the parts.
    """
    builder = _Builder(grammar, frozenset(without))
    builder.part([phrase for phrase in grammar.phrases if phrase.kind in {"event", "command"}], 1.0)
    others: dict[PhraseKind, float] = {
        "fragment": weights.fragment,
        "talk": weights.talk,
        "filler": weights.filler,
    }
    for kind, weight in others.items():
        builder.part([phrase for phrase in grammar.phrases if phrase.kind == kind], weight)
    if TIME_RULE in grammar.rules:
        builder.part([Phrase(TIME_RULE, "filler", (Reference(TIME_RULE),))], weights.filler)
    before, after = builder.state(), builder.state()
    builder.net.arcs += [(before, after, 1 / len(garbage), word) for word in garbage]
    builder.net.empty += [(START, before, weights.garbage), (after, before, 1.0), (after, END, 1.0)]
    builder.net.empty.append((END, START, weights.again))
    builder.net.empty = _closed(builder.net)
    return builder.net


def untimed(tree: Node) -> Node:
    """The tree of an event phrase without the clock times that the loader puts before and after it."""
    match tree:
        case Said((Optional(Reference(first)), inner, Optional(Reference(last)))) if first == last == TIME_RULE:
            return inner
    return tree


Table = tuple[list[dict[str, int]], list[bool]]
"""A deterministic acceptor: a state's steps by symbol, and whether it may end there; state 0 is the start."""


class _Builder:
    def __init__(self, grammar: Grammar, without: frozenset[str]) -> None:
        self.grammar = grammar
        self.without = without
        self.net = WordNet()
        self.states = 2
        self.numbers = number_rules()
        self.tables: dict[str, Table] = {}

    def state(self) -> int:
        self.states += 1
        return self.states - 1

    def part(self, phrases: Iterable[Phrase], weight: float) -> None:
        """Lay one kind of phrase between START and END."""
        loose = _Loose()
        for phrase in phrases:
            for tree in phrase.say:
                self.join(loose, untimed(tree), 0, 1, phrase.name)
        table = minimal(loose.determined())
        if table[0][0]:
            start, ends = self.lay(table, {}, "")
            self.net.empty.append((START, start, weight))
            self.net.empty += [(end, END, 1.0) for end in ends]

    def lay(self, table: Table, copies: dict[str, tuple[int, list[int]]], phrase: str) -> tuple[int, list[int]]:
        """Copy a table into the net, one copy of each shared name a phrase.

        Returns:
            Its first state and those it may end in.
        """
        steps, finals = table
        first = self.states
        self.states += len(steps)
        for number, arcs in enumerate(steps, start=first):
            for symbol, target in arcs.items():
                if not symbol.startswith("<"):
                    self.net.arcs.append((number, first + target, 1.0, symbol))
                    continue
                name, _, used_by = symbol[1:-1].partition("@")
                copy = f"{name}@{used_by or phrase}"
                if copy not in copies:
                    copies[copy] = self.lay(self.alone(name), copies, used_by or phrase)
                start, ends = copies[copy]
                self.net.empty.append((number, start, 1.0))
                self.net.empty += [(end, first + target, 1.0) for end in ends]
        return first, [first + number for number, final in enumerate(finals) if final]

    def alone(self, name: str) -> Table:
        """A number, a list or a rule by itself."""
        if name not in self.tables:
            loose = _Loose()
            for tree in self.forms(name):
                self.join(loose, tree, 0, 1, "")
            self.tables[name] = minimal(loose.determined())
        return self.tables[name]

    def forms(self, name: str) -> Sequence[Node]:
        """What a name stands for."""
        if name in self.grammar.rules:
            return self.grammar.rules[name]
        if name in self.grammar.lists:
            return [tree for _, tree in self.grammar.lists[name].items]
        return (self.numbers[name],)

    def shared(self, name: str) -> bool:
        """Whether a phrase holds one copy of it."""
        known = name in KINDS or name in self.grammar.rules or name in self.grammar.lists
        return known and sum(map(len, self.alone(name)[0])) >= LARGE

    def join(self, loose: _Loose, node: Node, start: int, end: int, phrase: str) -> None:
        """Lay a tree between two states, without the alternatives that need a word left out."""
        match node:
            case Literal(word):
                if word not in self.without:
                    loose.steps[start].append((word, end))
            case Reference(name) if self.shared(name):
                loose.steps[start].append((f"<{name}@{phrase}>", end))
            case Reference(name):
                for tree in self.forms(name):
                    self.join(loose, tree, start, end, phrase)
            case Optional(part):
                loose.empty[start].append(end)
                self.join(loose, part, start, end, phrase)
            case Alternatives(choices):
                for choice in choices:
                    if isinstance(choice, Literal) and len(choice.word) == 1 and choice.word not in SPOKEN_LETTERS:
                        continue
                    self.join(loose, choice, start, end, phrase)
            case Said(parts):
                for part in parts:
                    after = loose.state()
                    self.join(loose, part, start, after, phrase)
                    start = after
                loose.empty[start].append(end)
            case Tagged(part, _, _):
                self.join(loose, part, start, end, phrase)


class _Loose:
    """An acceptor under construction, with empty steps; it starts at state 0 and ends at state 1."""

    def __init__(self) -> None:
        self.steps: list[list[tuple[str, int]]] = [[], []]
        self.empty: list[list[int]] = [[], []]

    def state(self) -> int:
        self.steps.append([])
        self.empty.append([])
        return len(self.steps) - 1

    def determined(self) -> Table:
        """Subset construction."""
        around: dict[int, frozenset[int]] = {}

        def reach(state: int) -> frozenset[int]:
            if state not in around:
                seen, todo = {state}, [state]
                while todo:
                    for target in self.empty[todo.pop()]:
                        if target not in seen:
                            seen.add(target)
                            todo.append(target)
                around[state] = frozenset(one for one in seen if one == 1 or self.steps[one])
            return around[state]

        numbers: dict[frozenset[int], int] = {reach(0): 0}
        order = [reach(0)]
        table: list[dict[str, int]] = []
        for members in order:
            targets: dict[str, set[int]] = {}
            for member in members:
                for symbol, target in self.steps[member]:
                    targets.setdefault(symbol, set()).update(reach(target))
            arcs: dict[str, int] = {}
            for symbol, found in targets.items():
                key = frozenset(found)
                if key not in numbers:
                    numbers[key] = len(order)
                    order.append(key)
                arcs[symbol] = numbers[key]
            table.append(arcs)
        return _live(table, [1 in members for members in order])


def _live(steps: list[dict[str, int]], finals: list[bool]) -> Table:
    """The table without steps that lead to no end, as a word left out may cut a sequence short."""
    back: dict[int, set[int]] = {}
    for number, arcs in enumerate(steps):
        for target in arcs.values():
            back.setdefault(target, set()).add(number)
    alive = {number for number, final in enumerate(finals) if final}
    todo = list(alive)
    while todo:
        for source in back.get(todo.pop(), ()):
            if source not in alive:
                alive.add(source)
                todo.append(source)
    return [{symbol: target for symbol, target in arcs.items() if target in alive} for arcs in steps], finals


def minimal(table: Table) -> Table:
    """The smallest acceptor of the same sequences, by splitting states into classes (Moore) until none splits."""
    steps, finals = table
    group = [int(final) for final in finals]
    count = 0
    while len(set(group)) != count:
        count = len(set(group))
        kinds: dict[tuple[int, frozenset[tuple[str, int]]], int] = {}
        keys = [(group[n], frozenset((word, group[to]) for word, to in arcs.items())) for n, arcs in enumerate(steps)]
        group = [kinds.setdefault(key, len(kinds)) for key in keys]
    merged: list[dict[str, int]] = [{} for _ in range(count)]
    ends = [False] * count
    for number, arcs in enumerate(steps):
        merged[group[number]] = {symbol: group[target] for symbol, target in arcs.items()}
        ends[group[number]] = finals[number]
    return merged, ends


def _closed(net: WordNet) -> list[tuple[int, int, float]]:
    """Empty arcs from where a word ends to where a word begins or the utterance ends, the best weight of each."""
    ahead: dict[int, dict[int, float]] = {}
    for source, target, weight in net.empty:
        ahead.setdefault(source, {})[target] = max(weight, ahead.get(source, {}).get(target, 0.0))
    useful = {source for source, *_ in net.arcs} | {END}
    closed = []
    for source in {target for _, target, *_ in net.arcs} | {START}:
        best: Mapping[int, float] = _reached(source, ahead)
        closed += [(source, target, weight) for target, weight in best.items() if target in useful and target != source]
    return sorted(closed)


def _reached(source: int, ahead: Mapping[int, Mapping[int, float]]) -> dict[int, float]:
    best: dict[int, float] = {source: 1.0}
    todo = [source]
    while todo:
        place = todo.pop()
        for target, weight in ahead.get(place, {}).items():
            if best[place] * weight > best.get(target, 0.0):
                best[target] = best[place] * weight
                todo.append(target)
    del best[source]
    return best
