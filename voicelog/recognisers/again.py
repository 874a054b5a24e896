"""Listening again: the grammar listener's engine held to a few proposed callouts, with their numbers and drugs open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from voicelog.grammar.model import Grammar
from voicelog.grammar.net import expansions
from voicelog.grammar.numbers import DIGITS, TEENS, TENS, value_of
from voicelog.parse.written import runs
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import Word
from voicelog.recognisers.pronunciations import PHONES, typed_only
from voicelog.recognisers.written import drug_names, named_drugs

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PHONE_WEIGHT = 0.0025
"""Of each phone of speech outside the proposals, beside a word at 1."""
_WIDE = {"beam": 1e-80, "pbeam": 1e-80, "wbeam": 1e-60, "maxhmmpf": 30000, "cmn": "batch"}
"""A net of a few hundred arcs is searched at leisure."""
_TYPED = {
    "mg": "milligrams",
    "mcg": "micrograms",
    "ug": "micrograms",
    "ml": "milliliters",
    "kg": "kilograms",
    "g": "grams",
    "spo2": "s p o two",
    "etco2": "e t c o two",
    "co2": "c o two",
    "o2": "o two",
}
"""Typed short forms as they are spoken; others are spelled."""
Words = tuple[str, ...]


class Again:
    """A second, small decoder; opened once, given a net of its own for each utterance."""

    def __init__(self, grammar: Grammar) -> None:
        silent = typed_only(grammar.vocabulary, ())
        ways = sphinx._ways(grammar, silent, ())
        phones = {sphinx._PHONE_WORD + phone.lower(): (phone,) for phone in PHONES}
        self._entries: Mapping[str, Words] = {
            word: tuple(sphinx._entries(word, said)) for word, said in {**ways, **phones}.items()
        }
        self._phones = sorted(phones)
        self._drugs = [name for name in drug_names(grammar) if all(word in ways for word in name)]
        self._routes = [form for form in _forms(grammar, "route") if all(word in ways for word in form)]
        self._units = {form[-1] for form in _forms(grammar, "dose_unit")}
        self._grammar = grammar
        self._decoder = _decoder({**ways, **phones})
        self._nets = 0

    def spoken(self, row: Sequence[str]) -> Words | None:
        """A proposed row with typed short forms as they are spoken, digits as they are; None when it cannot be said."""
        words: list[str] = []
        for run, is_number in runs(row):
            value = value_of(run) if is_number else None
            for word in [format(value, "f")] if value is not None else run:
                known = _is_digits(word) or word in self._entries
                words += [word] if known else _TYPED.get(word, " ".join(word)).split()
        return tuple(words) if all(_is_digits(word) or word in self._entries for word in words) else None

    def heard(self, audio: NDArray[np.int16], rows: Sequence[Words]) -> tuple[Word, ...]:
        """The words of the proposal that fits the sound, whatever its numbers and drugs; garbage where none does.

        Args:
            audio: one whole utterance.
            rows: proposed callouts, as ``spoken`` gives them.
        """
        if not rows or not len(audio):
            return ()
        net = _Net(self._entries)
        for phone in self._phones:
            net.arcs.append((net.loop, net.loop, PHONE_WEIGHT, phone))
        for row in rows:
            self._lay(net, row)
        self._nets += 1
        name = f"again{self._nets}"
        self._decoder.add_fsg(name, self._decoder.create_fsg(name, 0, 1, [*net.empty, *net.arcs]))
        self._decoder.activate_search(name)
        self._decoder.start_utt()
        self._decoder.process_raw(audio.tobytes(), full_utt=True)
        self._decoder.end_utt()
        words: tuple[Word, ...] = ()
        if self._decoder.hyp() is not None:
            words = sphinx.heard((part.word, part.start_frame, part.end_frame) for part in self._decoder.seg())
        self._decoder.activate_search("idle")
        self._decoder.remove_search(name)
        return words

    def close(self) -> None:
        """Free the decoder."""
        self._decoder = None

    def _lay(self, net: _Net, row: Words) -> None:
        """One callout: drugs, routes and numbers open, a route free to follow a dose, the other words as they are."""
        drugs = {place: length for place, length, _ in named_drugs(row, self._grammar)}
        routes = dict(_places(row, self._routes))
        state, place = 0, 0
        while place < len(row):
            length = drugs.get(place) or routes.get(place) or 1
            last = place + length == len(row)
            end = 1 if last else net.state()
            if last and row[place] in self._units:
                end = net.state()
                net.empty.append((end, 1, 1.0))
                net.paths(end, 1, self._routes)
            if place in drugs:
                net.paths(state, end, self._drugs)
            elif place in routes:
                net.paths(state, end, self._routes)
            elif _is_digits(row[place]):
                if place and row[place - 1] not in _TIGHT:
                    # What sounds like a "one" before the number may be the "of" after its label.
                    onward = net.state()
                    net.choice(state, onward, _LEAD_IN)
                    _lay_number(net, onward, end, row[place])
                _lay_number(net, state, end, row[place])
            else:
                net.path(state, end, (row[place],))
            state, place = end, place + length


class _Net:
    """Arcs and empty arcs of a net from state 0 to state 1, with a loop of phones beside."""

    def __init__(self, entries: Mapping[str, Words]) -> None:
        self.entries = entries
        self.loop = 2
        self.states = 3
        self.arcs: list[tuple[int, int, float, str]] = []
        self.empty: list[tuple[int, int, float]] = [(0, self.loop, 1.0), (self.loop, 1, 1.0)]

    def state(self) -> int:
        self.states += 1
        return self.states - 1

    def path(self, start: int, end: int, words: Sequence[str]) -> None:
        for number, word in enumerate(words):
            onward = end if number == len(words) - 1 else self.state()
            self.choice(start, onward, (word,))
            start = onward

    def paths(self, start: int, end: int, rows: Sequence[Words]) -> None:
        for row in rows:
            self.path(start, end, row)

    def choice(self, start: int, end: int, words: Sequence[str]) -> None:
        self.arcs += [(start, end, 1.0, entry) for word in words for entry in self.entries.get(word, ())]


_ZERO = ("oh", "zero")
"""Ways to say nought."""
_DIGIT = sorted(word for word, value in DIGITS.items() if value)
_ANY_DIGIT = [*_DIGIT, *_ZERO]
_TEEN = sorted(TEENS)
_TEN = sorted(TENS)


_TIGHT = frozenset({"over", "per", "point", "to", "at", "of", "is", "are"})
"""Words after which a number begins at once."""
_LEAD_IN = ("of", "is", "at", "to", "are", "now")


def _forms(grammar: Grammar, name: str) -> list[Words]:
    """Every way to say a value of a list; none where the grammar has no such list."""
    values = grammar.lists.get(name)
    return [form for _, tree in values.items for form in expansions(tree)] if values else []


def _places(row: Words, forms: Sequence[Words]) -> Iterator[tuple[int, int]]:
    """Where one of the forms stands in a row: (first word, number of words), the longest at each place."""
    known = frozenset(forms)
    longest = max(map(len, known), default=0)
    place = 0
    while place < len(row):
        length = next((n for n in range(min(longest, len(row) - place), 0, -1) if row[place : place + n] in known), 0)
        if length:
            yield place, length
        place += length or 1


def _is_digits(word: str) -> bool:
    return word[:1].isdigit() or word[:1] == "."


def _lay_number(net: _Net, start: int, end: int, written: str) -> None:
    """Any number of the same form: whole below 1000, with a point, or a clock time."""
    whole, point, _ = written.partition(".")
    if len(whole.replace(":", "")) >= 4:
        middle, thousands = net.state(), net.state()
        _lay_pair(net, start, middle)
        _lay_pair(net, middle, end)
        net.choice(middle, end, ("hundred",))
        net.choice(start, thousands, _DIGIT)
        _lay_pair(net, start, thousands)
        net.choice(thousands, end, ("thousand",))
    elif point:
        middle = net.state()
        after = net.state()
        if whole:
            _lay_whole(net, start, middle)
        net.choice(start if not whole else middle, after, ("point",))
        if whole in {"", "0"}:
            net.choice(start, after, ("point",))
        onward = net.state()
        net.choice(after, end, _ANY_DIGIT)
        net.choice(after, onward, _ANY_DIGIT)
        net.choice(onward, end, _ANY_DIGIT)
        _lay_pair(net, after, end)
    else:
        _lay_whole(net, start, end)


def _lay_pair(net: _Net, start: int, end: int) -> None:
    """Two digits: ten to ninety nine, or oh five."""
    middle, zero = net.state(), net.state()
    net.choice(start, end, _TEEN)
    net.choice(start, end, _TEN)
    net.choice(start, middle, _TEN)
    net.choice(middle, end, _DIGIT)
    net.choice(start, zero, _ZERO)
    net.choice(zero, end, _DIGIT)


def _lay_whole(net: _Net, start: int, end: int) -> None:
    """Zero to nine hundred ninety nine, in every way to say it."""
    net.choice(start, end, _ANY_DIGIT)
    _lay_pair(net, start, end)
    first, hundred, and_ = net.state(), net.state(), net.state()
    net.choice(start, first, _DIGIT)
    _lay_pair(net, first, end)
    second = net.state()
    net.choice(first, second, _ANY_DIGIT)
    net.choice(second, end, _ANY_DIGIT)
    net.choice(first, hundred, ("hundred",))
    net.choice(first, end, ("hundred",))
    net.choice(hundred, and_, ("and",))
    for state in (hundred, and_):
        net.choice(state, end, _DIGIT)
        _lay_pair(net, state, end)


def _decoder(ways: Mapping[str, Sequence[str]]) -> Any:
    import tempfile
    from pathlib import Path

    from pocketsphinx import Decoder

    with tempfile.TemporaryDirectory(prefix="voicelog-") as directory:
        path = Path(directory) / "words.dict"
        entries = {word: sphinx._entries(word, said) for word, said in ways.items()}
        lines = sorted(f"{entry} {said}" for forms in entries.values() for entry, said in forms.items())
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        decoder = Decoder(dict=str(path), **{**sphinx._DECODER, **_WIDE})
    phone = next(iter(entries["phone-aa"]))
    decoder.add_fsg("idle", decoder.create_fsg("idle", 0, 1, [(0, 1, 1.0, phone)]))
    decoder.activate_search("idle")
    return decoder
