"""The current state of a case: a pure fold over its entries."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Literal, get_args

from pydantic import ValidationError

from voicelog.casefile.bodies import MalformedError, list_of, number_or_none, text_of, text_or_none, typed
from voicelog.casefile.chain import Entry
from voicelog.errors import CaseFileError
from voicelog.events import Event, event_from

Status = Literal["proposed", "confirmed", "unconfirmed", "rejected", "amended"]
"""Where an event stands; until a decision ``unconfirmed`` if it needs a spoken confirm, else ``proposed``."""

_DECISIONS: dict[str, Status] = {status: status for status in get_args(Status) if status != "proposed"}


@dataclass(frozen=True, slots=True)
class RecordedWord:
    """One word as a recogniser heard it."""

    text: str
    """The word."""
    start: Decimal | None
    """Seconds on the recording; None for typed words."""
    end: Decimal | None
    """Seconds on the recording; None for typed words."""
    confidence: Decimal | None
    """The engine's own, 0 to 1; None when it gave none."""


@dataclass(frozen=True, slots=True)
class RecordedUtterance:
    """One stretch of speech and every reading of it."""

    id: str
    """Its name in the case, such as ``U1``."""
    start: Decimal | None
    """Seconds on the recording; None for typed words."""
    end: Decimal | None
    """Seconds on the recording; None for typed words."""
    clip: str | None
    """The hash that names its audio; None for typed words."""
    listener: str
    """The recogniser that heard it."""
    alternatives: tuple[tuple[RecordedWord, ...], ...]
    """The readings, best first, each a run of words; none when nothing was heard."""
    seq: int
    """The entry that recorded it."""


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """One event and where it stands now."""

    id: str
    """Its name in the case, such as ``E1``."""
    event: Event
    """What it says."""
    status: Status
    """As the last decision left it."""
    flags: tuple[str, ...]
    """What the checks found."""
    basis: str | None
    """Why it has its status, such as ``spoken confirm``; None before any decision."""
    amends: str | None
    """The event it corrects."""
    utterance: str | None
    """The utterance it came from."""
    seq: int
    """The entry that recorded it."""
    needs_confirm: bool
    """Whether it stands only after a spoken confirm."""
    decided_in: str | None = None
    """The utterance of the last decision, when words decided."""


@dataclass(frozen=True)
class SignOff:
    """That a reviewer vouches for a case."""

    by: str
    """The reviewer's name, as given."""
    review: int
    """The entry that opened the review it was made in."""
    at: datetime
    """When."""

    @property
    def told(self) -> str:
        """In words, for a person; holds the name as it was given."""
        return f"✓ signed off by {self.by}, {self.at:%Y-%m-%d %H:%M}"


@dataclass(frozen=True)
class CaseState:
    """A case as its entries leave it."""

    opened: dict[str, Any] = field(default_factory=dict)
    """The body of ``case_opened``; empty when there was none."""
    events: tuple[RecordedEvent, ...] = ()
    """Every event ever recorded, in the order of entry."""
    utterances: tuple[RecordedUtterance, ...] = ()
    """Every utterance, in the order of entry."""
    closed: bool = False
    """Whether the last thing entered was a closing, of the case or of a later review."""
    signed_off: SignOff | None = None
    """Who signed the case off; None where nobody did, or it was undone."""
    undone: frozenset[int] = frozenset()
    """The reviews that were undone, by the entries that opened them."""


def fold(entries: Iterable[Entry]) -> CaseState:
    """The state that entries lead to. Entry types it does not know are passed over.

    Raises:
        CaseFileError: an entry of a known type is malformed; names its seq.
    """
    building = _Building()
    with _no_collecting():
        for entry in entries:
            step = _STEPS.get(entry.type)
            if step is not None:
                building.at = entry.at
                _take(step, building, entry)
    return CaseState(
        building.opened or {},
        tuple(building.events.values()),
        tuple(building.utterances.values()),
        building.closed,
        building.signed_off,
        frozenset(building.undone),
    )


def _take(step: _Step, building: _Building, entry: Entry) -> None:
    try:
        step(building, entry.seq, entry.body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise _malformed(entry, " ".join(f"event {where}: {first['msg']}".split())) from error
    except MalformedError as error:
        raise _malformed(entry, str(error)) from error


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Holds Python's search for dead cycles off: of what a fold makes all stays, and looking through it again and
    again takes longer than the fold, and ever longer with the length of the case."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


def current(state: CaseState) -> tuple[RecordedEvent, ...]:
    """The events that stand: all but the rejected and the amended, in the order of entry."""
    return tuple(event for event in state.events if event.status not in ("rejected", "amended"))


_NEVER = datetime.min.replace(tzinfo=UTC)


def _malformed(entry: Entry, why: str) -> CaseFileError:
    hint = "The entries before it can still be read with `voicelog show`."
    return CaseFileError(f"Entry {entry.seq} ({entry.type}) is malformed: {why}.", hint)


@dataclass
class _Building:
    at: datetime = _NEVER
    opened: dict[str, Any] | None = None
    events: dict[str, RecordedEvent] = field(default_factory=dict)
    utterances: dict[str, RecordedUtterance] = field(default_factory=dict)
    closed: bool = False
    review: int = 0
    signed_off: SignOff | None = None
    undone: set[int] = field(default_factory=set)

    def known_event(self, name: str) -> str:
        if name not in self.events:
            raise MalformedError(f"there is no event {name!r} before it")
        return name


def _opened(building: _Building, seq: int, body: dict[str, Any]) -> None:
    if building.opened is not None:
        raise MalformedError("the case was opened before")
    building.opened = body


def _utterance(building: _Building, seq: int, body: dict[str, Any]) -> None:
    name = text_of(body, "id")
    if name in building.utterances:
        raise MalformedError(f"there is an utterance {name!r} already")
    readings = tuple(
        tuple(_word(word) for word in list_of(reading, "words", dict))
        for reading in list_of(body, "alternatives", dict)
    )
    building.utterances[name] = RecordedUtterance(
        id=name,
        start=number_or_none(body, "start"),
        end=number_or_none(body, "end"),
        clip=text_or_none(body, "clip"),
        listener=text_of(body, "listener"),
        alternatives=readings,
        seq=seq,
    )


def _word(body: dict[str, Any]) -> RecordedWord:
    start, end, confidence = (number_or_none(body, key) for key in ("start", "end", "confidence"))
    return RecordedWord(text_of(body, "text"), start, end, confidence)


def _event(building: _Building, seq: int, body: dict[str, Any]) -> None:
    name = text_of(body, "id")
    if name in building.events:
        raise MalformedError(f"there is an event {name!r} already")
    amends = text_or_none(body, "amends")
    if amends is not None:
        building.known_event(amends)
    needs_confirm: bool = typed(body, "needs_confirm", bool)
    building.events[name] = RecordedEvent(
        id=name,
        event=event_from(typed(body, "event", dict)),
        status="unconfirmed" if needs_confirm else "proposed",
        flags=tuple(list_of(body, "flags", str)),
        basis=None,
        amends=amends,
        utterance=text_or_none(body, "utterance"),
        seq=seq,
        needs_confirm=needs_confirm,
    )


def _decision(building: _Building, seq: int, body: dict[str, Any]) -> None:
    name = building.known_event(text_of(body, "event"))
    said = text_of(body, "status")
    status = _DECISIONS.get(said)
    if status is None:
        raise MalformedError(f"{said!r} is no decision")
    basis, utterance = text_of(body, "basis"), text_or_none(body, "utterance")
    building.events[name] = replace(building.events[name], status=status, basis=basis, decided_in=utterance)


def _read_back(building: _Building, seq: int, body: dict[str, Any]) -> None:
    text_of(body, "text")
    for name in list_of(body, "events", str):
        building.known_event(name)


def _closed(building: _Building, seq: int, body: dict[str, Any]) -> None:
    typed(body, "count", int)
    text_of(body, "head")
    building.closed = True


def _review_opened(building: _Building, seq: int, body: dict[str, Any]) -> None:
    text_of(body, "purpose")
    building.closed = False
    building.review = seq


def _signed_off(building: _Building, seq: int, body: dict[str, Any]) -> None:
    building.signed_off = SignOff(text_of(body, "by"), building.review, building.at)


def _review_undone(building: _Building, seq: int, body: dict[str, Any]) -> None:
    review: int = typed(body, "review", int)
    building.undone.add(review)
    if building.signed_off and building.signed_off.review == review:
        building.signed_off = None


def _review_comment(building: _Building, seq: int, body: dict[str, Any]) -> None:
    text_of(body, "text")
    text_of(body, "about")


def _audio_deleted(building: _Building, seq: int, body: dict[str, Any]) -> None:
    list_of(body, "clips", str)


def _with_text(key: str) -> _Step:
    """A step for an entry that leaves the state as it is, but must hold a text."""

    def check(building: _Building, seq: int, body: dict[str, Any]) -> None:
        text_of(body, key)

    return check


_Step = Callable[[_Building, int, dict[str, Any]], None]
_STEPS: dict[str, _Step] = {
    "case_opened": _opened,
    "utterance": _utterance,
    "event": _event,
    "decision": _decision,
    "read_back": _read_back,
    "question": _with_text("text"),
    "command": _with_text("command"),
    "not_understood": _with_text("reason"),
    "gap": _with_text("reason"),
    "notice": _with_text("text"),
    "second_opinion": _with_text("utterance"),
    "finding": _with_text("text"),
    "case_closed": _closed,
    "review_opened": _review_opened,
    "review_comment": _review_comment,
    "review_undone": _review_undone,
    "signed_off": _signed_off,
    "audio_deleted": _audio_deleted,
}
