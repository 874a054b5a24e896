"""Finds how a word is really said: phones that fit its recordings better than the ways listed, by forced alignment."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.grammar.soundalike import VOWELS
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import SAMPLE_RATE
from voicelog.recognisers.nets import END, START, Net
from voicelog.recognisers.pronunciations import PHONES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Words = tuple[str, ...]
ROUNDS = 5
"""How often the best way so far is changed by a phone."""
LEAST_GAIN = 60.0
"""Natural logarithm of the odds a recording by which a new way must fit better than the best listed one. On four
synthetic voices words said as listed gained 0 to 11 by another way, and words said with two other vowels 250 to 370."""
LEAST_STEP = 12.0
"""As LEAST_GAIN, by which a change of one phone must fit better: of a few recordings anything fits some better."""
_FRAME = SAMPLE_RATE // sphinx.FRAMES_PER_SECOND
_SEARCH = "way"
_CANDIDATE = "way-"
_PHONE_WEIGHT = 0.03
"""Of each phone in the loop, beside the words around it at 1."""
_NO_FIT = -1e4
_SCALE = 1024
"""The engine tells acoustic scores divided by this (SENSCR_SHIFT of its source is 10 bits)."""
_ALIKE = (
    "P B T D K G",
    "F V TH DH S Z SH ZH CH JH",
    "M N NG",
    "L R W Y",
)  # fmt: skip
"""Consonants that may be taken for each other."""


@dataclass(frozen=True)
class Said:
    """One recording of a callout with the word in it."""

    samples: NDArray[np.int16]
    """The callout with a little sound around it, 16 kHz."""
    words: Words
    """All its words."""


@dataclass(frozen=True)
class Way:
    """A way to say a word."""

    phones: str
    """Parted by blanks."""
    gain: float
    """How much better it fits than the best listed way: natural logarithm of the odds, mean over the recordings."""
    better: int
    """Recordings that it fits better."""
    count: int
    """Recordings looked at."""


def way_said(word: str, recordings: Sequence[Said], ways: Mapping[str, Sequence[str]]) -> Way | None:
    """A way to say a word that fits its recordings clearly better than those listed; None when there is none.

    Args:
        word: stands once in each recording's words.
        recordings: at least one.
        ways: every other word of them, and the word if it is listed, to its pronunciations.
    """
    fast, listed = _Ear(ways), list(ways.get(word, ()))
    # What is heard phone by phone may be far off, and what is listed too; the better of both ends counts.
    heard = sorted({fast.phones(one, word) for one in recordings} - {""})
    if not heard:
        return None
    climb = _Climb(word, [fast.near(one, word, [*listed, *heard]) for one in recordings], fast, _Ear(ways, True))
    known = climb.best(listed) if listed else None
    starts = [known] if known else []
    best = climb.best([climb.top(start) for start in (*starts, climb.best(sorted(climb.winners(heard)) or heard))])
    if best in listed:
        return None
    before = climb.fits[known] if known else [_NO_FIT] * len(recordings)
    gains = [new - old for new, old in zip(climb.fits[best], before, strict=True)]
    way = Way(best, sum(gains) / len(gains), sum(gain > 0 for gain in gains), len(gains))
    return way if way.gain >= LEAST_GAIN and way.better > len(gains) / 2 else None


class _Climb:
    """The search for the way that fits some recordings best, phone by phone."""

    def __init__(self, word: str, recordings: Sequence[Said], fast: _Ear, full: _Ear) -> None:
        self._word, self._recordings, self._fast, self._full = word, recordings, fast, full
        self.fits: dict[str, list[float]] = {}
        """Way -> how well it fits each recording."""

    def best(self, candidates: Sequence[str]) -> str:
        """The one that fits all recordings best; the first of equals."""
        for phones in candidates:
            if phones not in self.fits:
                self.fits[phones] = [self._full.fit(one, self._word, phones) for one in self._recordings]
        return max(candidates, key=lambda phones: sum(self.fits[phones]))

    def winners(self, candidates: Sequence[str]) -> set[str]:
        """For each recording the one that fits it best, found in a single pass."""
        return {self._fast.race(one, self._word, candidates) for one in self._recordings} - {""}

    def top(self, start: str) -> str:
        """Change a phone at a time for as long as that is worth it."""
        best = start
        for _ in range(ROUNDS):
            better = self.best([best, *sorted(self.winners([best, *sorted(set(changed(best)))]) - {best})])
            if sum(self.fits[better]) < sum(self.fits[best]) + LEAST_STEP * len(self._recordings):
                break
            best = better
        return best


def changed(phones: str) -> Iterator[str]:
    """Every way that differs by one phone: a vowel by any other, a consonant by one like it, one more or one less."""
    row = phones.split()
    for place, phone in enumerate(row):
        if phone in VOWELS:
            others: Sequence[str] = sorted(VOWELS - {phone})
        else:
            others = [other for group in _ALIKE if phone in group.split() for other in group.split() if other != phone]
        for other in others:
            yield " ".join([*row[:place], other, *row[place + 1 :]])
        if len(row) > 2:
            yield " ".join([*row[:place], *row[place + 1 :]])
    for place in range(len(row) + 1):
        for phone in PHONES:
            yield " ".join([*row[:place], phone, *row[place:]])


class _Ear:
    """A decoder that is held to one sentence at a time.

    With all senones the scores of two passes are measured against the same best sound and so can be compared; a
    single pass over several candidates needs that not, and is four times as fast without.
    """

    def __init__(self, ways: Mapping[str, Sequence[str]], all_senones: bool = False) -> None:
        from pocketsphinx import Decoder

        phones = {sphinx.PHONE_WORD + phone.lower(): (phone,) for phone in PHONES}
        rows = {word: sphinx.entries_of(word, said) for word, said in {**ways, **phones}.items()}
        self._entries = {word: tuple(forms) for word, forms in rows.items()}
        self._loop = sorted(phones)
        self._names: dict[str, str] = {}
        with tempfile.TemporaryDirectory(prefix="voicelog-") as folder:
            path = Path(folder) / "words.dict"
            lines = sorted(f"{entry} {said}" for forms in rows.values() for entry, said in forms.items())
            path.write_text("\n".join(lines) + "\n", encoding="utf-8")
            wide = {
                "beam": 1e-80,
                "pbeam": 1e-80,
                "wbeam": 1e-60,
                "maxhmmpf": 30000,
                "cmn": "batch",
                "compallsen": all_senones,
            }
            self._decoder: Any = Decoder(dict=str(path), **{**sphinx.DECODER, **wide})

    def phones(self, one: Said, word: str) -> str:
        """What is said in place of the word, phone by phone; '' where nothing fits."""
        net = Net(self._entries)
        before, after = self._around(net, one, word)
        loop = net.state()
        net.choice(before, loop, self._loop, _PHONE_WEIGHT)
        net.choice(loop, loop, self._loop, _PHONE_WEIGHT)
        net.empty.append((loop, after, 1.0))
        names = [name for name, _ in self._heard(one, net) if name.startswith(sphinx.PHONE_WORD)]
        return " ".join(name.removeprefix(sphinx.PHONE_WORD).upper() for name in names)

    def race(self, one: Said, word: str, candidates: Sequence[str]) -> str:
        """The candidate that fits best; '' where none does."""
        net = Net(self._entries)
        before, after = self._around(net, one, word)
        names = {self._named(phones): phones for phones in candidates}
        net.arcs += [(before, after, 1.0, name) for name in names]
        return next((names[name] for name, _ in self._heard(one, net) if name in names), "")

    def near(self, one: Said, word: str, candidates: Sequence[str]) -> Said:
        """The word with the words beside it alone, for speed; all of it where it is not found."""
        net = Net(self._entries)
        before, after = self._around(net, one, word)
        net.arcs += [(before, after, 1.0, self._named(phones)) for phones in candidates]
        spoken = [part for part in self._segments(one, net) if not part.word.startswith("<")]
        place = one.words.index(word)
        if len(spoken) != len(one.words):
            return one
        first, last = max(0, place - 1), min(len(one.words), place + 2)
        begin = 0 if first == 0 else spoken[first].start_frame * _FRAME
        end = len(one.samples) if last == len(one.words) else spoken[last - 1].end_frame * _FRAME
        return Said(one.samples[begin:end], one.words[first:last])

    def fit(self, one: Said, word: str, phones: str) -> float:
        """How well the whole sentence fits with the word said so: natural logarithm, comparable for one recording."""
        net = Net(self._entries)
        before, after = self._around(net, one, word)
        net.arcs.append((before, after, 1.0, self._named(phones)))
        scores = [score for _, score in self._heard(one, net)]
        return sum(_SCALE * math.log(score) if score > 0 else _NO_FIT for score in scores) if scores else _NO_FIT

    def _around(self, net: Net, one: Said, word: str) -> tuple[int, int]:
        """Lay the words before and behind; the states between which the word stands."""
        place = one.words.index(word)
        before, after = START, END
        if place:
            before = net.state()
            net.path(START, before, one.words[:place])
        if place + 1 < len(one.words):
            after = net.state()
            net.path(after, END, one.words[place + 1 :])
        return before, after

    def _named(self, phones: str) -> str:
        """The dictionary's name of a candidate."""
        if phones not in self._names:
            self._names[phones] = f"{_CANDIDATE}{len(self._names)}"
            self._decoder.add_word(self._names[phones], phones, False)
        return self._names[phones]

    def _heard(self, one: Said, net: Net) -> list[tuple[str, float]]:
        """The path that fits best: entries and their acoustic scores; empty where none reaches the end."""
        return [(part.word, part.ascore) for part in self._segments(one, net)]

    def _segments(self, one: Said, net: Net) -> list[Any]:
        decoder = self._decoder
        decoder.add_fsg(_SEARCH, decoder.create_fsg(_SEARCH, START, END, [*net.empty, *net.arcs]))
        decoder.activate_search(_SEARCH)
        decoder.start_utt()
        decoder.process_raw(one.samples.tobytes(), full_utt=True)
        decoder.end_utt()
        return list(decoder.seg()) if decoder.hyp() is not None else []
