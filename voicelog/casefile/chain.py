"""Entries, the hashes that chain them, and what is wrong with a stored chain."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from voicelog.casefile.canonical import canonical_json, parse_canonical
from voicelog.casefile.schema import guard_problems
from voicelog.errors import CaseFileError

FIRST_PREVIOUS = "0" * 64
"""What the first entry carries as the hash of the one before."""
ENTRY_COLUMNS = "seq, at, type, body, previous, hash"
"""The columns of an entry row, in the order ``entry_from_row`` takes them."""

ReadRows = Callable[..., list[tuple[Any, ...]]]
"""Runs one query with its arguments and returns every row; raises CaseFileError."""


@dataclass(frozen=True)
class EntryDraft:
    """An entry before the case file has given it a place and a hash."""

    type: str
    """What kind of entry it is, such as ``utterance``."""
    body: dict[str, Any]
    """What it says; no floats, measured numbers as Decimal or string."""
    at: datetime
    """When it was made, aware."""


@dataclass(frozen=True)
class Entry:
    """One entry as stored."""

    seq: int
    """Its place, counted from 1 without gaps."""
    at: datetime
    """When it was made, aware."""
    type: str
    """What kind of entry it is."""
    body: dict[str, Any]
    """What it says, as JSON values; measured numbers are strings."""
    previous: str
    """The hash of the entry before, or FIRST_PREVIOUS."""
    hash: str
    """SHA-256 in hex over the canonical JSON of the other five fields."""


def entry_hash(seq: int, at: datetime, type: str, body: dict[str, Any], previous: str) -> str:
    """SHA-256 in hex over the canonical JSON of the five fields."""
    text = canonical_json({"seq": seq, "at": at, "type": type, "body": body, "previous": previous})
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def clip_hash(flac: bytes) -> str:
    """The name of an audio clip: SHA-256 in hex over its FLAC bytes."""
    return hashlib.sha256(flac).hexdigest()


def place(draft: EntryDraft, seq: int, previous: str) -> Entry:
    """The entry that a draft becomes behind ``previous``; its body is the same as when read back.

    Raises:
        TypeError: the body has a float or another type without a canonical form.
        ValueError: the body or the time cannot be written (see ``canonical_json``).
    """
    body = parse_canonical(canonical_json(draft.body))
    digest = entry_hash(seq, draft.at, draft.type, body, previous)
    return Entry(seq, draft.at, draft.type, body, previous, digest)


def entry_from_row(row: tuple[Any, ...]) -> Entry:
    """The entry a row of ENTRY_COLUMNS holds; its hash is not checked here.

    Raises:
        ValueError: a column holds what voicelog never writes there.
    """
    seq, at, kind, body, previous, digest = row
    if not all(isinstance(text, str) for text in row[1:]):
        raise ValueError("a column is not text")
    moment = datetime.fromisoformat(at)
    if moment.utcoffset() is None or moment.isoformat() != at:
        raise ValueError(f"its time {at!r} is not in the form voicelog writes")
    parsed = parse_canonical(body)
    if not isinstance(parsed, dict):
        raise ValueError("its body is not a JSON object")
    return Entry(seq, moment, kind, parsed, previous, digest)


def find_problems(read: ReadRows) -> list[str]:
    """Everything found wrong with a case file, one sentence each; empty when it is whole.

    This is tamper-evident, not tamper-proof: whoever rewrites every hash from the change onwards, or cuts the
    closing entry off and the file's own count with it, is found out only by a copy of the closing hash kept elsewhere.
    """
    found: list[str] = []
    named: dict[str, int] = {}
    for step in (_page_problems, guard_problems, lambda rows: _chain_problems(rows, named)):
        found += _collected(step, read)
    return found + _collected(lambda rows: _clip_problems(rows, named), read)


def _collected(step: Callable[[ReadRows], Iterator[str]], read: ReadRows) -> list[str]:
    """What a step finds; a file too broken for the step is itself a finding."""
    found: list[str] = []
    try:
        found.extend(step(read))
    except CaseFileError as error:
        found.append(error.message)
    return found


def _page_problems(read: ReadRows) -> Iterator[str]:
    for (line,) in read("PRAGMA integrity_check(10)"):
        if line != "ok":
            yield f"SQLite's own check says: {' '.join(str(line).split())}."


def _chain_problems(read: ReadRows, named: dict[str, int]) -> Iterator[str]:
    """Problems of the entries; fills ``named`` with the clips they name and the first entry that does."""
    # SQLite keeps the highest seq ever given; read before the entries, so that a live writer cannot outrun it.
    counted = read("SELECT seq FROM sqlite_sequence WHERE name = 'entries'")
    previous, expected, closed_by = FIRST_PREVIOUS, 1, 0
    for row in read(f"SELECT {ENTRY_COLUMNS} FROM entries ORDER BY seq"):
        seq, stored_previous, stored_hash = row[0], row[4], row[5]
        if seq != expected:
            yield f"Entries {expected} to {seq - 1} are missing."
        elif stored_previous != previous:
            yield f"Entry {seq} does not follow from the entry before it."
        if closed_by:
            yield f"Entry {seq} stands after the closing entry {closed_by}."
        try:
            entry = entry_from_row(row)
        except ValueError as error:
            yield f"Entry {seq} cannot be read: {error}."
        else:
            yield from _entry_problems(entry)
            clip = entry.body.get("clip")
            if isinstance(clip, str):
                named.setdefault(clip, seq)
        if row[2] == "case_closed":
            closed_by = seq
        previous, expected = stored_hash, seq + 1
    if counted and isinstance(counted[0][0], int) and counted[0][0] >= expected:
        yield f"Entries {expected} to {counted[0][0]} are missing from the end."


def _entry_problems(entry: Entry) -> Iterator[str]:
    if entry_hash(entry.seq, entry.at, entry.type, entry.body, entry.previous) != entry.hash:
        yield f"Entry {entry.seq} was changed: its hash does not fit what it says."
    if (entry.type == "case_opened") != (entry.seq == 1):
        yield f"Entry {entry.seq} is of type {entry.type!r}, which cannot stand at this place."
    if entry.type == "case_closed" and entry.body != {"count": entry.seq - 1, "head": entry.previous}:
        yield f"The closing entry {entry.seq} does not fit the number and the hash of the entries before it."


def _clip_problems(read: ReadRows, named: dict[str, int]) -> Iterator[str]:
    """Problems of the clips, read one at a time to hold one in memory."""
    stored = {name: row_id for row_id, name in read("SELECT id, hash FROM clips ORDER BY id")}
    for name, seq in named.items():
        if name not in stored:
            yield f"The audio clip {name[:12]} that entry {seq} names is missing."
    for name, row_id in stored.items():
        for (flac,) in read("SELECT flac FROM clips WHERE id = ?", row_id):
            if not isinstance(flac, bytes) or clip_hash(flac) != name:
                place_named = f", named by entry {named[name]}," if name in named else ""
                yield f"The audio clip {str(name)[:12]}{place_named} was replaced: its hash does not fit its audio."
