"""What the search finds: values in the words, phrases over stretches of them, and chains of phrases over all."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import NamedTuple

from voicelog.grammar.model import Phrase


class Capture(NamedTuple):
    """A value found in the words; a tuple, because the search hashes many."""

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
        """What the edge says, regardless of how it was said; empty for filler and talk."""
        if self.phrase.kind in {"filler", "talk"}:
            return ()
        fixed = tuple(sorted((name, str(value)) for name, value in self.phrase.event.items()))
        said = tuple(sorted({(c.field, str(c.value)) for c in self.captures if c.field}))
        name = "" if self.phrase.kind == "event" else self.phrase.name
        return (self.phrase.kind, name, fixed, said)


@dataclass
class Meanings:
    """Numbers for chains of edge meanings, so that two readings that say the same are found equal at once."""

    numbers: dict[tuple[int, tuple[object, ...]], int] = field(default_factory=dict)

    def with_next(self, chain: int, said: tuple[object, ...]) -> int:
        """The number of a chain with one more meaning; the empty chain is 0."""
        return self.numbers.setdefault((chain, said), len(self.numbers) + 1) if said else chain


@dataclass(frozen=True)
class Reading:
    """One way to explain all words."""

    cost: int
    meaning: int
    """Number of what it says, see Meanings; readings that differ in it mean different things."""
    last: Edge | int | None
    """The newest edge, or the index of a word left unexplained."""
    before: Reading | None
    talks: bool = False
    """Whether some of it is talk."""

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
    def newest(self) -> str:
        """Name of the newest phrase that is no filler; empty when a word after it was left unexplained."""
        reading: Reading | None = self
        while reading is not None and isinstance(reading.last, Edge) and reading.last.phrase.kind == "filler":
            reading = reading.before
        return reading.last.phrase.name if reading is not None and isinstance(reading.last, Edge) else ""

    @property
    def edges(self) -> tuple[Edge, ...]:
        """The phrases, without filler."""
        return tuple(step for step in self.steps if isinstance(step, Edge) and step.phrase.kind != "filler")

    @property
    def unexplained(self) -> tuple[int, ...]:
        """Indices of the words no phrase explains."""
        return tuple(step for step in self.steps if isinstance(step, int))
