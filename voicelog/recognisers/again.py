"""Listening again: the grammar listener's engine held to a few proposed callouts, with their values open."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.grammar.model import Grammar
from voicelog.grammar.net import expansions
from voicelog.grammar.numbers import NUMBER_WORDS, value_of
from voicelog.parse.written import runs
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import Word
from voicelog.recognisers.nets import END, START, Net, is_digits, lay_number
from voicelog.recognisers.pronunciations import PHONES, typed_only
from voicelog.recognisers.written import drug_names, named_drugs

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PHONE_WEIGHT = 0.0025
"""Of each phone of speech outside the proposals, beside a word at 1."""
HANDICAPS = (4, 8, 12, 20)
"""Weights that a reading may be put back by, as powers of ten."""
_BREATH_WEIGHT = 0.1
_BREATH_S = 0.25
"""Most seconds of sound before a number that are no word."""
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
_TIGHT = frozenset({"over", "per", "point", "to", "at", "of", "is", "are"})
"""Words after which a number begins at once."""
_LEAD_IN = ("of", "is", "at", "to", "are", "now")
_BREATHS = tuple(sphinx.PHONE_WORD + phone for phone in ("ah", "er", "hh"))
"""What a breath or the onset of a number sounds like."""
_OTHER_SHAPE = {False: "1.5", True: "150"}
"""For a number without a point one with it, and the other way round."""
_IDLE = "idle"
Words = tuple[str, ...]


class Again:
    """A second, small decoder; opened once, given a net of its own for each utterance."""

    def __init__(self, grammar: Grammar) -> None:
        silent = typed_only(grammar.vocabulary, grammar.overlays)
        ways = sphinx.ways_of(grammar, silent, grammar.overlays)
        phones = {sphinx.PHONE_WORD + phone.lower(): (phone,) for phone in PHONES}
        self._entries: Mapping[str, Words] = {
            word: tuple(sphinx.entries_of(word, said)) for word, said in {**ways, **phones}.items()
        }
        self._phones = sorted(phones)
        self._drugs = [name for name in drug_names(grammar) if all(word in ways for word in name)]
        self._routes = [form for form in _forms(grammar, "route") if all(word in ways for word in form)]
        self._units = {form[-1] for form in _forms(grammar, "dose_unit")}
        self._siblings = _siblings(grammar, ways)
        self._grammar = grammar
        adapted = sphinx.adaptation_of(grammar)
        self.options = sphinx.engine_options(adapted)
        """What makes its results: engine, model, adaptation."""
        self._decoder = _decoder({**ways, **phones}, adapted)
        self._nets = 0

    def spoken(self, proposed: Sequence[str]) -> Words | None:
        """A proposed row with typed short forms as they are spoken, digits as they are; None when it cannot be said."""
        words: list[str] = []
        for run, is_number in runs(proposed):
            value = value_of(run) if is_number else None
            for word in [format(value, "f")] if value is not None else run:
                known = is_digits(word) or word in self._entries
                words += [word] if known else _TYPED.get(word, " ".join(word)).split()
        row = tuple("two" if word == "2" and words[max(n - 1, 0)] == "o" else word for n, word in enumerate(words))
        return row if all(is_digits(word) or word in self._entries for word in row) else None

    def heard(self, audio: NDArray[np.int16], rows: Sequence[Words], closed: bool = False) -> tuple[Word, ...]:
        """The words of the proposal that fits the sound, whatever its numbers and drugs; garbage where none does.

        Args:
            audio: one whole utterance.
            rows: proposed callouts, as ``spoken`` gives them.
            closed: whether one of them it must be.
        """
        if not rows:
            return ()
        net = Net(self._entries)
        if not closed:
            loop = net.state()
            net.empty += [(START, loop, 1.0), (loop, END, 1.0)]
            net.choice(loop, loop, self._phones, PHONE_WEIGHT)
        for row in rows:
            self._lay(net, row)
        return self._decoded(audio, net)

    def held(self, audio: NDArray[np.int16], row: Words) -> tuple[Word, ...]:
        """The words of one sentence with its numbers, names and other values as this engine hears them.

        It has to hear the sentence, so only its values are evidence, and only where there is a number or a drug in it.

        Args:
            audio: one whole utterance.
            row: a callout, as ``spoken`` gives it.
        """
        net = Net(self._entries)
        self._lay(net, row, held=True)
        heard = self._decoded(audio, net)
        return tuple(word for word in heard if word.text != sphinx.GARBAGE or _long(word))

    def placed(self, audio: NDArray[np.int16], reading: Words) -> tuple[Word, ...]:
        """The words of a reading with the times at which they fit best; nothing where they do not fit at all."""
        net = Net(self._entries)
        net.path(START, END, reading)
        heard = self._decoded(audio, net)
        return heard if tuple(word.text for word in heard) == reading else ()

    def keeps(self, audio: NDArray[np.int16], reading: Words, rivals: Sequence[Words]) -> dict[Words, int]:
        """How surely this engine hears a reading and none of its rivals.

        Returns:
            For each rival the largest of HANDICAPS by which the reading may be put back and is still heard beside them
            all, 0 for none; -1 for the rival that is heard even without.
        """
        levels = (0, *HANDICAPS)
        low, high, heard = -1, len(levels) - 1, reading
        while low < high:
            middle = (low + high + 1) // 2
            heard = self._winner(audio, reading, rivals, levels[middle])
            if heard == reading:
                low = middle
            else:
                high = middle - 1
        kept = dict.fromkeys(rivals, levels[max(low, 0)])
        return kept | {heard: -1} if low < 0 and heard in kept else kept

    def close(self) -> None:
        """Free the decoder."""
        self._decoder = None

    def _winner(self, audio: NDArray[np.int16], reading: Words, rivals: Sequence[Words], handicap: int) -> Words:
        net = Net(self._entries)
        net.path(START, END, reading, 10.0**-handicap)
        net.paths(START, END, rivals)
        return tuple(word.text for word in self._decoded(audio, net))

    def _decoded(self, audio: NDArray[np.int16], net: Net) -> tuple[Word, ...]:
        if not len(audio):
            return ()
        self._nets += 1
        name = f"again{self._nets}"
        self._decoder.add_fsg(name, self._decoder.create_fsg(name, START, END, [*net.empty, *net.arcs]))
        self._decoder.activate_search(name)
        self._decoder.start_utt()
        self._decoder.process_raw(audio.tobytes(), full_utt=True)
        self._decoder.end_utt()
        words: tuple[Word, ...] = ()
        if self._decoder.hyp() is not None:
            words = sphinx.heard((part.word, part.start_frame, part.end_frame) for part in self._decoder.seg())
        self._decoder.activate_search(_IDLE)
        self._decoder.remove_search(name)
        return words

    def _lay(self, net: Net, row: Words, held: bool = False) -> None:
        """One callout: drugs, routes and numbers open, a route free to follow a dose, the other words as they are.

        Where it is ``held``, every other value of a list is open too.
        """
        drugs = {place: length for place, length, _ in named_drugs(row, self._grammar)}
        routes = dict(_places(row, self._routes))
        for place in [place for place in routes if row[place : place + 3] == ("p", "o", "two")]:
            del routes[place]  # of "s p o two"
        listed = dict(_places(row, self._siblings)) if held else {}
        state, place = START, 0
        while place < len(row):
            length = drugs.get(place) or routes.get(place) or listed.get(place) or 1
            last = place + length == len(row)
            end = END if last else net.state()
            if last and row[place] in self._units:
                end = net.state()
                net.empty.append((end, END, 1.0))
                net.paths(end, END, self._routes)
            if place in drugs:
                net.paths(state, end, self._drugs)
            elif place in routes:
                net.paths(state, end, self._routes)
            elif place in listed:
                net.paths(state, end, self._siblings[row[place : place + length]])
            elif is_digits(row[place]):
                if place and row[place - 1] not in _TIGHT:
                    # What sounds like a "one" before the number may be the "of" after its label.
                    onward = net.state()
                    net.choice(state, onward, _LEAD_IN)
                    lay_number(net, onward, end, row[place])
                if held:
                    onward = net.state()
                    net.choice(state, onward, _BREATHS, _BREATH_WEIGHT)
                    net.empty.append((state, onward, 1.0))
                    for shape in (row[place], _OTHER_SHAPE["." in row[place]]):
                        lay_number(net, onward, end, shape)
                else:
                    lay_number(net, state, end, row[place])
            else:
                net.path(state, end, (row[place],))
            state, place = end, place + length


def _long(word: Word) -> bool:
    return word.start is None or word.end is None or word.end - word.start > _BREATH_S


def _siblings(grammar: Grammar, ways: Mapping[str, object]) -> dict[Words, list[Words]]:
    """Every way to say a value of a list, and every way to say any value of the same list."""
    found: dict[Words, list[Words]] = {}
    for name in grammar.lists:
        forms = [form for form in _forms(grammar, name) if all(word in ways for word in form)]
        for form in forms:
            # A number in a name, such as "twelve lead", is part of the name.
            if not NUMBER_WORDS & set(form):
                found[form] = list(dict.fromkeys((*found.get(form, ()), *forms)))
    return found


def _forms(grammar: Grammar, name: str) -> list[Words]:
    """Every way to say a value of a list; none where the grammar has no such list."""
    values = grammar.lists.get(name)
    return [form for _, tree in values.items for form in expansions(tree)] if values else []


def _places(row: Words, forms: Collection[Words]) -> Iterator[tuple[int, int]]:
    """Where one of the forms stands in a row: (first word, number of words), the longest at each place."""
    known = frozenset(forms)
    longest = max(map(len, known), default=0)
    place = 0
    while place < len(row):
        length = next((n for n in range(min(longest, len(row) - place), 0, -1) if row[place : place + n] in known), 0)
        if length:
            yield place, length
        place += length or 1


def _decoder(ways: Mapping[str, Sequence[str]], adapted: Path | None) -> Any:
    import tempfile

    from pocketsphinx import Decoder

    with tempfile.TemporaryDirectory(prefix="voicelog-") as directory:
        path = Path(directory) / "words.dict"
        entries = {word: sphinx.entries_of(word, said) for word, said in ways.items()}
        lines = sorted(f"{entry} {said}" for forms in entries.values() for entry, said in forms.items())
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        fitted = str(adapted) if adapted else None
        decoder = Decoder(dict=str(path), mllr=fitted, **{**sphinx.DECODER, **_WIDE})
    phone = next(iter(entries["phone-aa"]))
    decoder.add_fsg(_IDLE, decoder.create_fsg(_IDLE, START, END, [(START, END, 1.0, phone)]))
    decoder.activate_search(_IDLE)
    return decoder
