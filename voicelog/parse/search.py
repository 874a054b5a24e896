"""The search: which phrases, in which order and with which values, best explain a run of words.

Every cost is a whole number, so fewer phrases over the same words always win, a mended label costs less than a word
left unexplained, and two ways to mend that cost the same are both possible. Values (numbers, drugs, units, routes,
sides) are arcs that match exactly or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from voicelog.grammar.label_words import read_as
from voicelog.grammar.model import Compiled, Phrase
from voicelog.grammar.net import Effect, State
from voicelog.grammar.numbers import KINDS
from voicelog.parse.labels import after_label, labels_of
from voicelog.parse.reading import Capture, Edge, Meanings, Reading
from voicelog.parse.similar import sounds_similar

PHRASE_COST = 12
FRAGMENT_COST = 24
TALK_COST = 12
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
GARBAGE = "<garbage>"
"""What a recogniser writes for speech outside the grammar."""
HESITATIONS = frozenset({"uh", "um", "er", "erm", "ah", "hm", "hmm", "mm"})


_Found = tuple[int, tuple[Capture, ...], int, int]
"""(word after the last, captures, cost, number of the phrase)."""


_Captured = tuple[Capture | int, ...]
"""Captures so far, and where parts begin that are not yet at their end."""


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
        if KINDS[name].accepts_typed(self.words[start]):
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
        value = read_as(name, said)
        if value is None:
            return []
        if isinstance(value, Decimal):
            value = Decimal(format(value.normalize(), "f"))
        outside = isinstance(value, Decimal) and not kind.low <= value <= kind.high
        return [(end, (Capture(name, value, start, end, "", outside),), 0, 0)]

    def walk(self, start_state: State, start: int) -> list[_Found]:
        found: dict[tuple[int, tuple[Capture, ...], int], int] = {}
        reached: dict[tuple[int, int, _Captured], int] = {}
        stack: list[tuple[State, int, _Captured, int]] = [(start_state, start, (), 0)]
        if self.budget and start_state is self.compiled.root:
            stack.extend(self._respelled(start))
        words, count, budget, apply = self.words, len(self.words), self.budget, self._apply
        while stack:
            state, position, captured, cost = stack.pop()
            key = (id(state), position, captured)
            if key in reached and reached[key] <= cost:
                continue
            reached[key] = cost
            if position > start:
                for effects, number in state.finals:
                    done = apply(effects, captured, position) if effects else captured
                    final = (position, tuple(c for c in done if not isinstance(c, int)), number)
                    if final not in found or found[final] > cost:
                        found[final] = cost
            if position >= count:
                continue
            word = words[position]
            for effects, target, _ in state.words.get(word, ()):
                stack.append((target, position + 1, apply(effects, captured, position) if effects else captured, cost))
            calls = self.compiled.calls_with(state, word, bool(budget))
            for name, tag, effects, target in calls:
                for end, captures, more, _ in self.call(name, position):
                    if cost + more <= budget:
                        named = self._named(name, tag, captures)
                        before = apply(effects, captured, position) if effects else captured
                        stack.append((target, end, before + named, cost + more))
            if word in HESITATIONS and position > start:
                stack.append((state, position + 1, captured, cost))
            if budget:
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

    def _apply(self, effects: tuple[Effect, ...], captured: _Captured, position: int) -> _Captured:
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

    def _respelled(self, start: int) -> list[tuple[State, int, _Captured, int]]:
        """Where a phrase can stand after a label whose words were joined, split or heard as others."""
        steps: list[tuple[State, int, _Captured, int]] = []
        for label, end, edits in labels_of(self.compiled).heard_in(self.words, start):
            cost = MEND_COST + 3 * edits
            if cost <= self.budget:
                heard = " ".join(self.words[start:end])
                note = Capture("", "", start, end, f"{heard} -> {' '.join(label)}")
                steps += [(state, end, (note,), cost) for state in after_label(self.compiled.root, label)]
        return steps

    def _mended(
        self, state: State, position: int, captured: _Captured, cost: int, inside: bool
    ) -> list[tuple[State, int, _Captured, int]]:
        """Steps that mend a label: a similar word for it, a stray word after it, a label word left out."""
        steps: list[tuple[State, int, _Captured, int]] = []
        word, room = self.words[position], self.budget - cost
        known = word in self.compiled.vocabulary or word in HESITATIONS or not word.isalpha()
        similar = set() if known or room < MEND_COST else {w for w in state.words if sounds_similar(word, w)}
        droppable = inside and room >= DROP_COST and self._beside_a_telling_word(position)
        for label in state.words if droppable else similar:
            for effects, target, soft in state.words[label]:
                if not soft:
                    continue
                done = self._apply(effects, captured, position)
                if label in similar:
                    note = Capture("", "", position, position + 1, f"{word} -> {label}")
                    steps.append((target, position + 1, (*done, note), cost + MEND_COST))
                if droppable and len(label) > 2:
                    note = Capture("", "", position, position, f"left out: {label}")
                    steps.append((target, position, (*done, note), cost + DROP_COST))
        if inside and word == GARBAGE and room >= DROP_COST:
            note = Capture("", "", position, position + 1, f"stray: {word}")
            steps.append((state, position + 1, (*captured, note), cost + DROP_COST))
        return steps

    def _beside_a_telling_word(self, position: int) -> bool:
        """Whether the word before a place, or the one at it, tells which callout is meant."""
        return not self.compiled.telling.isdisjoint(self.words[max(position - 1, 0) : position + 1])


def readings(compiled: Compiled, words: Sequence[str], breaks: frozenset[int] = frozenset()) -> list[Reading]:
    """The cheapest ways to explain the words, cheapest first, each with a meaning of its own.

    Args:
        words: lower-case words.
        breaks: indices of words that follow a pause, where a number must end.

    Returns:
        At least one reading, unless there are no words; those far costlier than the first are left out.
    """
    search = _Search(compiled, words, False, breaks)
    exact = _segment(search, False) or _segment(search, True)
    if not exact or not exact[0].unexplained or len(words) > MEND_WORDS_LIMIT:
        return exact
    if any(reading.talks for reading in exact if reading.cost < exact[0].cost + MARGIN):
        # Words that mark talk were heard as they are; nothing is mended around them.
        return exact
    return _segment(_Search(compiled, words, True, breaks), True)


_Place = dict[tuple[int, bool], Reading]
"""The cheapest reading of each meaning up to one word, those with talk in them apart."""


def _segment(search: _Search, skips: bool) -> list[Reading]:
    """The cheapest chains of phrases over all words; ``skips`` says whether words may be left unexplained."""
    count = len(search.words)
    meanings = Meanings()
    at: list[_Place] = [{} for _ in range(count + 1)]
    at[0][0, False] = Reading(0, 0, None, None)
    for position in range(count):
        kept = sorted(at[position].values(), key=lambda reading: reading.cost)[:PATHS_KEPT]
        # Earlier places are read through the chain of readings only; letting them go keeps long texts small.
        at[position] = {}
        edges = [(edge, edge.meaning()) for edge in _edges(search, position)] if kept else []
        for reading in kept:
            cost, chain = reading.cost, reading.meaning
            if cost > kept[0].cost + 2 * SKIP_COST:
                break
            if search.words[position] in HESITATIONS:
                _offer(at[position + 1], reading)
            elif skips:
                _offer(at[position + 1], Reading(cost + SKIP_COST, chain, position, reading, reading.talks))
            for edge, said in edges:
                phrase = edge.phrase
                if phrase.after and reading.newest not in phrase.after:
                    continue
                talks = reading.talks or phrase.kind == "talk"
                longer = Reading(cost + edge.cost, meanings.with_next(chain, said), edge, reading, talks)
                _offer(at[edge.end], longer)
    ranked = sorted(at[count].values(), key=lambda reading: reading.cost)
    return [reading for reading in ranked if reading.cost < ranked[0].cost + 2 * MARGIN] if count else []


def _offer(place: _Place, reading: Reading) -> None:
    key = (reading.meaning, reading.talks)
    known = place.get(key)
    if known is None or reading.cost < known.cost:
        place[key] = reading


_BASE_COST = {
    "filler": FILLER_COST,
    "talk": TALK_COST,
    "event": PHRASE_COST,
    "command": PHRASE_COST,
    "fragment": FRAGMENT_COST,
}


def _edges(search: _Search, start: int) -> list[Edge]:
    edges = []
    for end, captures, cost, number in search.walk(search.compiled.root, start):
        phrase = search.compiled.phrases[number]
        if cost and not _may_be_mended(phrase, captures, search, start, end):
            continue
        edges.append(Edge(phrase, start, end, captures, cost + _BASE_COST[phrase.kind]))
    return edges


def _may_be_mended(phrase: Phrase, captures: tuple[Capture, ...], search: _Search, start: int, end: int) -> bool:
    """Only callouts are mended; a word is left out only beside another word of its label, and with a value."""
    if phrase.kind not in {"event", "fragment"}:
        return False
    left_out = [capture.start for capture in captures if capture.repair.startswith("left out")]
    if not left_out:
        return True
    if phrase.event.get("kind") != "vital_sign":
        return False
    taken = {number for capture in captures for number in range(capture.start, capture.end)}
    labels = {number for number in range(start, end) if number not in taken}
    telling = {number for number in labels if search.words[number] in search.compiled.telling}
    return any(capture.field for capture in captures) and all({at - 1, at} & telling for at in left_out)
