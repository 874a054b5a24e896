"""The search: which phrases, in which order and with which values, best explain a run of words.

Every cost is a whole number, so fewer phrases over the same words always win, a mended label costs less than a word
left unexplained, and two ways to mend that cost the same are both possible. Values (numbers, drugs, units, routes,
sides) are arcs that match exactly or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from voicelog.grammar.model import Compiled, Phrase
from voicelog.grammar.net import Effect, State
from voicelog.grammar.numbers import KINDS, clock_of, value_of
from voicelog.parse.similar import sounds_similar

PHRASE_COST = 12
FRAGMENT_COST = 16
TALK_COST = 6
FILLER_COST = 12
MEND_COST = 10
DROP_COST = 15
SKIP_COST = 30
MARGIN = 10
"""Two readings whose costs differ by less are both possible."""
MEND_BUDGET = 25
"""Most mending in one phrase."""
MEND_WORDS_LIMIT = 80
"""Longer texts are not mended: a callout is a breath long, and time stays bounded."""
PATHS_KEPT = 8
"""Readings kept at each word."""
HESITATIONS = frozenset({"uh", "um", "er", "erm", "ah", "hm", "hmm", "mm"})


@dataclass(frozen=True, slots=True)
class Capture:
    """A value found in the words."""

    field: str
    """Event field; empty for the note of a mended label."""
    value: str | Decimal
    start: int
    """First word."""
    end: int
    """Word after the last."""
    repair: str = ""
    """What was mended."""
    out_of_range: bool = False
    """The number is said well but cannot be a value of its use."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One phrase over a stretch of words."""

    phrase: Phrase
    start: int
    end: int
    captures: tuple[Capture, ...]
    cost: int

    def meaning(self) -> tuple[object, ...]:
        """What the edge says, regardless of how it was said: equal meanings are one reading."""
        if self.phrase.kind in {"filler", "talk"}:
            return ()
        fixed = tuple(sorted((name, str(value)) for name, value in self.phrase.event.items()))
        said = tuple(sorted({(c.field, str(c.value)) for c in self.captures if c.field}))
        name = "" if self.phrase.kind == "event" else self.phrase.name
        return ((self.phrase.kind, name, fixed, said),)


@dataclass(frozen=True)
class Reading:
    """One way to explain all words."""

    cost: int
    meaning: tuple[object, ...]
    last: Edge | int | None
    """The newest edge, or the index of a word left unexplained."""
    before: Reading | None

    @cached_property
    def steps(self) -> tuple[Edge | int, ...]:
        """Edges and unexplained words in order."""
        found: list[Edge | int] = []
        reading: Reading | None = self
        while reading is not None and reading.last is not None:
            found.append(reading.last)
            reading = reading.before
        return tuple(reversed(found))

    @property
    def edges(self) -> tuple[Edge, ...]:
        """The phrases, without filler."""
        return tuple(step for step in self.steps if isinstance(step, Edge) and step.phrase.kind != "filler")

    @property
    def unexplained(self) -> tuple[int, ...]:
        """Indices of the words no phrase explains."""
        return tuple(step for step in self.steps if isinstance(step, int))


_Found = tuple[int, tuple[Capture, ...], int, int]
"""(word after the last, captures, cost, number of the phrase)."""


class _Search:
    def __init__(self, compiled: Compiled, words: Sequence[str], mend: bool, breaks: frozenset[int]) -> None:
        self.compiled = compiled
        self.words = words
        self.budget = MEND_BUDGET if mend else 0
        self.breaks = breaks
        self.called: dict[tuple[str, int], list[_Found]] = {}

    def call(self, name: str, start: int) -> list[_Found]:
        key = (name, start)
        if key not in self.called:
            if name in self.compiled.tries:
                self.called[key] = self._listed(name, start)
            elif name in self.compiled.numbers:
                self.called[key] = self._number(name, start)
            else:
                self.called[key] = self.walk(self.compiled.rules[name], start)
        return self.called[key]

    def _listed(self, name: str, start: int) -> list[_Found]:
        field, trie = self.compiled.tries[name]
        found: list[_Found] = []
        position = start
        while position < len(self.words):
            child = trie.children.get(self.words[position])
            if child is None:
                break
            trie, position = child, position + 1
            for values in trie.values:
                captures = tuple(Capture(named or field, value, start, position) for named, value in values)
                found.append((position, captures, 0, 0))
        return found

    def _number(self, name: str, start: int) -> list[_Found]:
        first = self.words[start]
        if first[0].isdigit() or first[0] == ".":
            return self._made(name, start, start + 1)
        automaton = self.compiled.numbers[name]
        found: list[_Found] = []
        position = start
        while position < len(self.words):
            step = automaton.steps.get(self.words[position])
            if step is None:
                break
            automaton, position = step, position + 1
            if automaton.final:
                found += self._made(name, start, position)
            if position in self.breaks:
                break
        return found

    def _made(self, name: str, start: int, end: int) -> list[_Found]:
        kind = KINDS[name]
        said = self.words[start:end]
        value: str | Decimal | None = clock_of(said) if kind.clock else value_of(said)
        if value is None:
            return []
        if isinstance(value, Decimal):
            value = Decimal(format(value.normalize(), "f"))
        outside = isinstance(value, Decimal) and not kind.low <= value <= kind.high
        return [(end, (Capture(name, value, start, end, "", outside),), 0, 0)]

    def walk(self, start_state: State, start: int) -> list[_Found]:
        found: dict[tuple[int, tuple[Capture, ...], int], int] = {}
        reached: dict[tuple[int, int, tuple[Capture | int, ...]], int] = {}
        stack: list[tuple[State, int, tuple[Capture | int, ...], int]] = [(start_state, start, (), 0)]
        words, count = self.words, len(self.words)
        while stack:
            state, position, captured, cost = stack.pop()
            key = (id(state), position, captured)
            if reached.get(key, cost + 1) <= cost:
                continue
            reached[key] = cost
            for effects, number in state.finals:
                if position > start:
                    done = self._apply(effects, captured, position)
                    final = (position, tuple(c for c in done if isinstance(c, Capture)), number)
                    if found.get(final, cost + 1) > cost:
                        found[final] = cost
            if position >= count:
                continue
            word = words[position]
            for effects, target, _ in state.words.get(word, ()):
                stack.append((target, position + 1, self._apply(effects, captured, position), cost))
            for name, tag, effects, target in state.calls:
                for end, captures, more, _ in self.call(name, position):
                    if cost + more <= self.budget:
                        named = self._named(name, tag, captures)
                        stack.append((target, end, self._apply(effects, captured, position) + named, cost + more))
            if word in HESITATIONS and position > start:
                stack.append((state, position + 1, captured, cost))
            if self.budget:
                stack.extend(self._mended(state, position, captured, cost, position > start))
        return [(end, captures, cost, number) for (end, captures, number), cost in found.items()]

    def _named(self, name: str, tag: str, captures: tuple[Capture, ...]) -> tuple[Capture, ...]:
        """Captures of a call, filed under the tag of its use; a bare number fills ``value``."""
        if name in self.compiled.numbers:
            number = captures[0]
            field = tag or ("stated_time" if KINDS[name].clock else "value")
            return (Capture(field, number.value, number.start, number.end, number.repair, number.out_of_range),)
        if tag and captures and name in self.compiled.tries:
            first = captures[0]
            return (Capture(tag, first.value, first.start, first.end), *captures[1:])
        return captures

    def _apply(
        self, effects: tuple[Effect, ...], captured: tuple[Capture | int, ...], position: int
    ) -> tuple[Capture | int, ...]:
        for action, field, constant in effects:
            if action == "open":
                captured = (*captured, position)
                continue
            at = max(n for n, item in enumerate(captured) if isinstance(item, int))
            start = captured[at]
            assert isinstance(start, int)
            value = " ".join(self.words[start:position]) if constant is None else constant
            captured = (*captured[:at], *captured[at + 1 :], Capture(field, value, start, position))
        return captured

    def _mended(
        self, state: State, position: int, captured: tuple[Capture | int, ...], cost: int, inside: bool
    ) -> list[tuple[State, int, tuple[Capture | int, ...], int]]:
        """Steps that mend a label: a similar word for it, a stray word after it, a label word left out."""
        steps: list[tuple[State, int, tuple[Capture | int, ...], int]] = []
        word = self.words[position]
        known = word in self.compiled.vocabulary or word in HESITATIONS or not word.isalpha()
        for label, arcs in state.words.items():
            for effects, target, soft in arcs:
                if not soft:
                    continue
                if not known and cost + MEND_COST <= self.budget and sounds_similar(word, label):
                    note = Capture("", "", position, position + 1, f"{word} -> {label}")
                    steps.append(
                        (target, position + 1, (*self._apply(effects, captured, position), note), cost + MEND_COST)
                    )
                if inside and cost + DROP_COST <= self.budget and len(label) > 2:
                    note = Capture("", "", position, position, f"left out: {label}")
                    steps.append(
                        (target, position, (*self._apply(effects, captured, position), note), cost + DROP_COST)
                    )
        if inside and not known and cost + DROP_COST <= self.budget:
            note = Capture("", "", position, position + 1, f"stray: {word}")
            steps.append((state, position + 1, (*captured, note), cost + DROP_COST))
        return steps


def readings(compiled: Compiled, words: Sequence[str], breaks: frozenset[int] = frozenset()) -> list[Reading]:
    """The cheapest ways to explain the words, cheapest first, each with a meaning of its own.

    Args:
        words: lower-case words.
        breaks: indices of words that follow a pause, where a number must end.

    Returns:
        At least one reading, unless there are no words; those far costlier than the first are left out.
    """
    exact = _segment(_Search(compiled, words, False, breaks))
    if not exact or not exact[0].unexplained or len(words) > MEND_WORDS_LIMIT:
        return exact
    return _segment(_Search(compiled, words, True, breaks))


def _segment(search: _Search) -> list[Reading]:
    count = len(search.words)
    at: list[dict[tuple[object, ...], Reading]] = [{} for _ in range(count + 1)]
    at[0][()] = Reading(0, (), None, None)
    for position in range(count):
        kept = sorted(at[position].values(), key=lambda reading: reading.cost)[:PATHS_KEPT]
        # Earlier places are read through the chain of readings only; letting them go keeps long texts small.
        at[position] = {}
        edges = _edges(search, position) if kept else []
        for reading in kept:
            if reading.cost > kept[0].cost + 2 * SKIP_COST:
                break
            if search.words[position] in HESITATIONS:
                _offer(at[position + 1], reading)
            else:
                _offer(at[position + 1], Reading(reading.cost + SKIP_COST, reading.meaning, position, reading))
            for edge in edges:
                _offer(at[edge.end], Reading(reading.cost + edge.cost, reading.meaning + edge.meaning(), edge, reading))
    ranked = sorted(at[count].values(), key=lambda reading: reading.cost)
    return [reading for reading in ranked if reading.cost < ranked[0].cost + 2 * MARGIN] if count else []


def _offer(place: dict[tuple[object, ...], Reading], reading: Reading) -> None:
    known = place.get(reading.meaning)
    if known is None or reading.cost < known.cost:
        place[reading.meaning] = reading


_BASE_COST = {"filler": FILLER_COST, "talk": TALK_COST, "event": PHRASE_COST, "command": PHRASE_COST, "fragment": FRAGMENT_COST}


def _edges(search: _Search, start: int) -> list[Edge]:
    edges = []
    for end, captures, cost, number in search.walk(search.compiled.root, start):
        phrase = search.compiled.phrases[number]
        if cost and not _may_be_mended(phrase, captures):
            continue
        edges.append(Edge(phrase, start, end, captures, cost + _BASE_COST[phrase.kind]))
    return edges


def _may_be_mended(phrase: Phrase, captures: tuple[Capture, ...]) -> bool:
    """Only callouts are mended, and a label may be left out only beside a value that was said."""
    if phrase.kind not in {"event", "fragment"}:
        return False
    left_out = any(capture.repair.startswith("left out") for capture in captures)
    return not left_out or any(capture.field for capture in captures)
