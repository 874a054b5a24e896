"""The contract every recogniser keeps: open with a grammar, feed audio blocks, finish with what was heard."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.grammar.model import Grammar

SAMPLE_RATE = 16_000
"""Samples per second of every block fed to a recogniser; blocks are int16 mono."""


@dataclass(frozen=True)
class Word:
    """One word as heard."""

    text: str
    """Lower-case word, or ``<garbage>`` for speech outside the grammar."""
    start: float | None = None
    """Seconds from the start of the utterance (later: of the recording); None for typed words."""
    end: float | None = None
    """Seconds, as start."""
    confidence: float | None = None
    """The engine's own, 0 to 1; only ever adds doubt."""


@dataclass(frozen=True)
class Hypothesis:
    """One reading of an utterance by an engine."""

    words: tuple[Word, ...]
    confidence: float | None = None

    @property
    def text(self) -> str:
        """The words joined by blanks."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True)
class Fit:
    """How well a candidate for what was said fits the sound, by the second listener."""

    words: tuple[str, ...]
    """The candidate in the first listener's words."""
    text: str
    """The same as the second listener writes it."""
    score: float
    """Mean natural logarithm of the probabilities of its parts: 0 at best, comparable within one utterance only."""
    tokens: int = 1
    """How many parts that are."""
    kept: int | None = None
    """For a rival of the reading: how surely the first listener hears the reading and not this, as a power of ten that
    the reading may be put back by; 0 hardly, -1 when it hears this or another rival; None when it was not asked."""

    @property
    def total(self) -> float:
        """Natural logarithm of the probability of the whole text: what one fits better than another by is log odds."""
        return self.score * self.tokens


LATE = "not heard yet"
"""The refusal of a second listener that has fallen behind; its opinion comes later."""


@dataclass(frozen=True)
class ThirdOpinion:
    """What a second adapted listener made of a sound that the others left in doubt; it shares no weights with them."""

    words: tuple[Word, ...] = ()
    """Its own text, without times; empty when it refused."""
    fits: tuple[Fit, ...] = ()
    """The reading and what it may be taken for, scored by it."""


@dataclass(frozen=True)
class AdaptedOpinion:
    """What the listener that proposed made of the sound: the adapted one, or the other where that wrote no callout."""

    words: tuple[Word, ...]
    """Its text, without times."""
    score: float
    """How well its text fits the sound, comparable with ``fits``."""
    fits: tuple[Fit, ...] = ()
    """The reading and what it may be taken for, scored by it."""
    borne_out: bool | None = False
    """Whether the grammar listener, held to the sentence with all values open, hears the same values; None where it was
    not asked, as another free-text listener wrote the same by itself."""
    led_by_number: float | None = None
    """Least lead of the reading over others with another number, by a second listener that shares no weights with the
    adapted one, as natural logarithm of the odds; None where there are none, or no such listener."""
    led_by_name: float | None = None
    """The same over others with another drug, route, unit or side."""
    third: ThirdOpinion | None = None
    """Of a further listener; None where there is none, or it was not asked."""


@dataclass(frozen=True)
class SecondOpinion:
    """What an independent second listener made of the same sound."""

    words: tuple[Word, ...] = ()
    """Its own free text, without times; empty when it refused."""
    refusal: str = ""
    """Why it gave no text, or ''."""
    score: float | None = None
    """How well its own text fits the sound, comparable with ``fits``; None when it gave none."""
    fits: tuple[Fit, ...] = ()
    """Candidates scored; the first is the first listener's own reading."""
    forced: bool = False
    """Whether the best reading is one of a few that the first listener had to choose from, or was trimmed of sounds."""
    ticket: int = 0
    """With LATE: what the opinion comes under later; 0 when there is nothing to come."""
    unlike_adapted: bool = False
    """Whether the adapted listener heard no callout at all, and so votes: ``words``, ``score`` and ``fits`` are its own
    then, where ``adapted`` is there."""
    adapted: AdaptedOpinion | None = None
    """With three listeners: where the reading comes from; the other fields are those of the one that votes."""


@dataclass(frozen=True)
class Utterance:
    """What a recogniser made of one stretch of speech; best reading first, none when nothing was heard."""

    alternatives: tuple[Hypothesis, ...] = ()
    second: SecondOpinion | None = None
    """What a second listener made of it; None when there was none."""

    @property
    def best(self) -> Hypothesis:
        """The first alternative, or an empty reading."""
        return self.alternatives[0] if self.alternatives else Hypothesis(())


@dataclass(frozen=True)
class Availability:
    """Whether a recogniser can run here, and how to mend it if not."""

    ready: bool
    detail: str
    """What was found: engine version and model, or what is missing."""
    hint: str = ""


class Listener(ABC):
    """An open recogniser. One utterance: any number of ``feed``, then ``finish``; then the next."""

    name: str
    """The recogniser's name on the command line."""
    options: dict[str, str]
    """What made its results: engine, model and version, kept in every case file."""

    @abstractmethod
    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block of an utterance: int16 mono at SAMPLE_RATE, any length."""

    def guess(self, tail: NDArray[np.int16]) -> Utterance | None:
        """The utterance may be over: what ``finish`` would give, should only this still be fed; kept for it.

        It may take as long as ``finish`` and changes nothing that is heard. None where the engine cannot tell before.

        Args:
            tail: what would still be fed, int16 mono at SAMPLE_RATE.
        """
        return None

    def late(self) -> list[tuple[int, Utterance]]:
        """Utterances whose second opinion was late and is there now, by their tickets; each is given once."""
        return []

    @abstractmethod
    def finish(self) -> Utterance:
        """End the utterance and return what was heard; the listener is then ready for the next one."""

    @abstractmethod
    def close(self) -> None:
        """Free the engine; the listener is of no use afterwards."""


class RecogniserModule(Protocol):
    """What each module in this folder offers at top level; heavy imports stay inside these functions."""

    def is_available(self) -> Availability:
        """Whether it can run here. Never raises, never downloads."""
        ...

    def open(self, grammar: Grammar) -> Listener:
        """Open the recogniser for a grammar.

        Raises:
            RecogniserError: engine or model missing, or the grammar has a word it cannot hear.
        """
        ...
