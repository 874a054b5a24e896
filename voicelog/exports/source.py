"""A case as the exporters take it, and what every export says of where it came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from voicelog import __version__
from voicelog.casefile.chain import Entry
from voicelog.casefile.state import CaseState, RecordedEvent, RecordedUtterance, fold
from voicelog.errors import VoicelogError
from voicelog.views.labels import written
from voicelog.views.screen import printable

_FARTHEST_OFFSET = timedelta(hours=14)


class ExportError(VoicelogError):
    """An export, or what is to be imported, is not as its standard or its hashes demand."""


@dataclass(frozen=True)
class Origin:
    """Which case and which software made an export."""

    case: str
    """The name of the case file."""
    case_id: str
    """The hash of its first entry: the same for every export of one case, open or closed."""
    head: str
    """The hash of its last entry."""
    entries: int
    """How many entries it has."""
    grammar_hash: str
    """The grammar it was heard with, or ``unknown``."""
    recorded_with: str
    """The version of voicelog that recorded it, or ``unknown``."""
    exported_with: str = __version__
    """The version of voicelog that made the export."""


@dataclass(frozen=True)
class CaseRecord:
    """Everything of a case that an exporter reads."""

    origin: Origin
    """Where it comes from."""
    entries: tuple[Entry, ...]
    """Every entry, in order; at least one."""
    state: CaseState
    """What they fold to."""
    by_seq: Mapping[int, Entry] = field(repr=False)
    """Every entry by its place."""
    heard: Mapping[str, RecordedUtterance] = field(repr=False)
    """Every utterance by its name."""


def record_of(name: str, entries: Sequence[Entry]) -> CaseRecord:
    """The record of a case with at least one entry.

    Raises:
        CaseFileError: an entry is malformed.
    """
    state = fold(entries)
    grammar, version = (printable(str(state.opened.get(key) or "unknown")) for key in ("grammar_hash", "version"))
    origin = Origin(printable(name), entries[0].hash, entries[-1].hash, len(entries), grammar, version)
    heard = {utterance.id: utterance for utterance in state.utterances}
    return CaseRecord(origin, tuple(entries), state, {entry.seq: entry for entry in entries}, heard)


def entry_of(record: CaseRecord, recorded: RecordedEvent) -> Entry:
    """The entry that recorded an event."""
    return record.by_seq[recorded.seq]


def happened(record: CaseRecord, recorded: RecordedEvent) -> datetime:
    """When an event happened: as stated or heard, else when it was entered; with an offset both standards allow."""
    event = recorded.event
    return portable(event.occurred_at or event.heard_at or entry_of(record, recorded).at)


def retracted(recorded: RecordedEvent) -> bool:
    """Whether the event was taken back or corrected: it stays in every export, as an error."""
    return recorded.status in ("rejected", "amended")


def portable(moment: datetime) -> datetime:
    """The same moment with an offset of whole minutes, at most 14 hours, as XML Schema and FHIR demand."""
    offset = moment.utcoffset() or timedelta(0)
    return moment if abs(offset) <= _FARTHEST_OFFSET and not offset % timedelta(minutes=1) else moment.astimezone(UTC)


def plain_text(text: str) -> str:
    """Text that neither standard refuses: no control characters, not blank."""
    return printable(text).strip() or "(blank)"


def told(recorded: RecordedEvent) -> str:
    """One event for a person to read: what it says, where it stands, what was doubted, what it corrects."""
    basis = f" ({recorded.basis})" if recorded.basis else ""
    flags = f"; flags: {', '.join(recorded.flags)}" if recorded.flags else ""
    amends = f"; corrects {recorded.amends}" if recorded.amends else ""
    return plain_text(f"{recorded.id} {written(recorded.event)}: {recorded.status}{basis}{flags}{amends}")
