"""Entries, and the hashes that chain them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from voicelog.casefile.canonical import canonical_json, parse_canonical

FIRST_PREVIOUS = "0" * 64
"""What the first entry carries as the hash of the one before."""
ENTRY_COLUMNS = "seq, at, type, body, previous, hash"
"""The columns of an entry row, in the order ``entry_from_row`` takes them."""


@dataclass(frozen=True)
class EntryDraft:
    """An entry before the case file has given it a place and a hash."""

    type: str
    """What kind of entry it is, such as ``utterance``."""
    body: dict[str, Any]
    """What it says; no floats, measured numbers as Decimal or string."""
    at: datetime
    """When it was made, aware."""


@dataclass(frozen=True, slots=True)
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
    if {*map(type, row[1:])} != {str}:
        raise ValueError("a column is not text")
    moment = datetime.fromisoformat(at)
    if moment.utcoffset() is None or moment.isoformat() != at:
        raise ValueError(f"its time {at!r} is not in the form voicelog writes")
    parsed = parse_canonical(body)
    if not isinstance(parsed, dict):
        raise ValueError("its body is not a JSON object")
    return Entry(seq, moment, kind, parsed, previous, digest)
