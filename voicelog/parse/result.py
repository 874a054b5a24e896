"""What a parse says: draft events, commands, questions, or why nothing was understood."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Literal

from voicelog.events import Event, Evidence
from voicelog.recognisers.base import Word

Outcome = Literal["events", "command", "ambiguous", "not_understood"]


@dataclass(frozen=True)
class Draft:
    """An event as parsed, not yet placed in time."""

    event: Event
    flags: tuple[str, ...] = ()
    """Why it needs a spoken confirm: unit_assumed, route_missing, words_left_over, label_repaired, ..."""
    doubts: Mapping[str, str] = field(default_factory=dict)
    """Flag -> why, in words for the ear, for those that checks over the whole case raised."""
    spelled: str = ""
    """Letters of the drug that set it apart from those it sounds like, ``keta``."""
    not_dose: Decimal | None = None
    """The dose that this one is most easily mistaken for, where that would be a dose of this drug too."""


@dataclass(frozen=True)
class Question:
    """Something to ask aloud before anything is entered."""

    about: str
    """which_reading, dose, unit, drug, diastolic, value, ..."""
    text: str
    """As asked aloud."""
    readings: tuple[tuple[Draft, ...], ...] = ()
    """The readings to choose from, when the question is which one was meant."""
    understood: Mapping[str, Any] = field(default_factory=dict)
    """Fields that were understood, kept for the answer."""
    evidence: Mapping[str, Evidence] = field(default_factory=dict)
    """The words those fields came from."""
    contradicts: bool = False
    """One field was said twice with different values, so that another way to read the words stands before this."""


@dataclass(frozen=True)
class ParseResult:
    """The meaning of one utterance."""

    outcome: Outcome
    words: tuple[Word, ...] = ()
    drafts: tuple[Draft, ...] = ()
    commands: tuple[str, ...] = ()
    """confirm, correction, take_back, say_again, what_is_due, start_pacing, stop_pacing, end_case, in order."""
    named_drug: str | None = None
    """The drug named with a command, as in "confirm epinephrine"."""
    questions: tuple[Question, ...] = ()
    fragment: Mapping[str, Any] = field(default_factory=dict)
    """Fields said without the rest of a callout, such as a dose and a route alone, or a number alone in ``value``."""
    reason: str = ""
    """Why nothing was understood."""
    marks: tuple[str, ...] = ()
    """Flags of how it was heard. Every entry that comes of the utterance gets them; so does a correction or an answer,
    whose draft is only made in the dialogue."""

    @property
    def flags(self) -> tuple[str, ...]:
        """Every flag of every draft, once."""
        return tuple(dict.fromkeys(flag for draft in self.drafts for flag in draft.flags))


@dataclass(frozen=True)
class Context:
    """What the case so far lets a callout leave out."""

    last_drug: str | None = None
    """The drug of the newest standing medication entry."""
    expects_value: bool = False
    """A number alone makes sense, because a correction waits for it."""
    unfinished: tuple[Word, ...] = ()
    """The words of a callout about which a question is open; what is said next may be the rest of it."""
    asks_for: str = ""
    """The field that an open question asks for and that a number alone answers, '' for none."""
