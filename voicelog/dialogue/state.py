"""The state of the dialogue and what a step of it produces: plain frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from voicelog.events import Event
from voicelog.parse.result import ParseResult, Question
from voicelog.recognisers.base import Word


@dataclass(frozen=True)
class Standing:
    """An entry that stands: neither taken back nor corrected."""

    id: str
    event: Event
    group: str
    """The utterance it came from; entries of one utterance are read back, and confirmed, together."""
    waits: bool
    """Whether it still waits for a spoken confirm."""
    settled: bool
    """Whether a decision was entered for it."""
    amends: Standing | None = None
    """The entry it replaced, so that taking it back brings that one back."""
    flags: tuple[str, ...] = ()
    """What the checks found."""


@dataclass(frozen=True)
class DialogueState:
    """All the dialogue remembers between utterances."""

    standing: tuple[Standing, ...] = ()
    """Oldest first."""
    entered: int = 0
    """Entries made so far, for the next id."""
    last_said: str = ""
    """For "say again"."""
    correcting: bool = False
    """A bare "correction" was said: the next words correct the newest entry."""
    question: Question | None = None
    """What was asked and not yet answered."""
    unfinished: tuple[Word, ...] = ()
    """The words of the callout that is asked about, where nothing of it was entered."""
    offered: tuple[str, ...] = ()
    """Entries whose confirm was asked for last; a bare "confirm" binds to these and to nothing else."""

    told: frozenset[tuple[str, str, datetime | None]] = frozenset()
    """Keys of the clocks that were spoken of when they fell due."""
    latest: str = ""
    """The utterance heard last."""
    pacing: bool = False
    """Whether a soft tone is to pace the ventilation while it goes on; off unless somebody asks for it."""
    ended: bool = False
    """The crew ended the case and confirmed it."""

    @property
    def waiting(self) -> tuple[Standing, ...]:
        """Entries that wait for a spoken confirm, oldest first."""
        return tuple(entry for entry in self.standing if entry.waits)


@dataclass(frozen=True)
class Heard:
    """One utterance, parsed."""

    utterance: str
    """Its id in the case file."""
    at: datetime
    """When it began."""
    result: ParseResult


@dataclass(frozen=True)
class Enter:
    """Something to append to the case file."""

    type: str
    body: Mapping[str, Any]


@dataclass(frozen=True)
class Step:
    """The outcome of one step: the next state, what to enter, what to say."""

    state: DialogueState
    enter: tuple[Enter, ...] = ()
    say: tuple[str, ...] = field(default=())
