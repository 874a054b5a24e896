"""What is wrong with a stored case file: its pages, its guards, its chain, its clips."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from voicelog.casefile.chain import ENTRY_COLUMNS, FIRST_PREVIOUS, Entry, clip_hash, entry_from_row, entry_hash
from voicelog.casefile.closing import ClipsSaid, closing_fits, misplaced
from voicelog.casefile.schema import guard_problems
from voicelog.errors import CaseFileError

ReadRows = Callable[..., list[tuple[Any, ...]]]
"""Runs one query with its arguments and returns every row; raises CaseFileError."""


def find_problems(read: ReadRows) -> list[str]:
    """Everything found wrong with a case file, one sentence each; empty when it is whole.

    This is tamper-evident, not tamper-proof: whoever rewrites every hash from the change onwards, or cuts the
    closing entry off and the file's own count with it, is found out only by a copy of the closing hash kept elsewhere.
    """
    found: list[str] = []
    said = ClipsSaid()
    for step in (_page_problems, guard_problems, lambda rows: _chain_problems(rows, said)):
        found += _collected(step, read)
    return found + _collected(lambda rows: _clip_problems(rows, said), read)


def _collected(step: Callable[[ReadRows], Iterator[str]], read: ReadRows) -> list[str]:
    """What a step finds; a file too broken for the step is itself a finding."""
    found: list[str] = []
    try:
        found.extend(step(read))
    except CaseFileError as error:
        found.append(error.message)
    return found


def _page_problems(read: ReadRows) -> Iterator[str]:
    # Of an encrypted file this checks the seal of every page that is read; SQLCipher's own check of all pages passes
    # over the log, and so calls a file broken whose newer pages are still in there.
    for (line,) in read("PRAGMA integrity_check(10)"):
        if line != "ok":
            yield f"SQLite's own check says: {' '.join(str(line).split())}."


def _chain_problems(read: ReadRows, said: ClipsSaid) -> Iterator[str]:
    """Problems of the entries; fills ``said`` with what they say of the clips."""
    # SQLite keeps the highest seq ever given; read before the entries, so that a live writer cannot outrun it.
    counted = read("SELECT seq FROM sqlite_sequence WHERE name = 'entries'")
    previous, expected, closed_by = FIRST_PREVIOUS, 1, 0
    for row in read(f"SELECT {ENTRY_COLUMNS} FROM entries ORDER BY seq"):
        seq, stored_previous, stored_hash = row[0], row[4], row[5]
        if seq != expected:
            yield f"Entries {expected} to {seq - 1} are missing."
        elif stored_previous != previous:
            yield f"Entry {seq} does not follow from the entry before it."
        if misplaced(str(row[2]), closed_by):
            before = f"after the closing entry {closed_by}" if closed_by else "where no closing entry stands before it"
            yield f"Entry {seq} stands {before}."
        try:
            entry = entry_from_row(row)
        except ValueError as error:
            yield f"Entry {seq} cannot be read: {error}."
        else:
            yield from _entry_problems(entry)
            said.take(entry)
        closed_by = seq if row[2] == "case_closed" else 0
        previous, expected = stored_hash, seq + 1
    if counted and isinstance(counted[0][0], int) and counted[0][0] >= expected:
        yield f"Entries {expected} to {counted[0][0]} are missing from the end."


def _entry_problems(entry: Entry) -> Iterator[str]:
    if entry_hash(entry.seq, entry.at, entry.type, entry.body, entry.previous) != entry.hash:
        yield f"Entry {entry.seq} was changed: its hash does not fit what it says."
    if (entry.type == "case_opened") != (entry.seq == 1):
        yield f"Entry {entry.seq} is of type {entry.type!r}, which cannot stand at this place."
    if entry.type == "case_closed" and not closing_fits(entry):
        yield f"The closing entry {entry.seq} does not fit the number and the hash of the entries before it."


def _clip_problems(read: ReadRows, said: ClipsSaid) -> Iterator[str]:
    """Problems of the clips, read one at a time to hold one in memory."""
    stored = {name: row_id for row_id, name in read("SELECT id, hash FROM clips ORDER BY id")}
    for name, seq in said.named.items():
        if name not in stored and said.missed(name):
            yield f"The audio clip {name[:12]} that entry {seq} names is missing."
    for name, row_id in stored.items():
        if name in said.deleted:
            yield f"The audio clip {str(name)[:12]}, which entry {said.deleted[name]} says was deleted, is still there."
        for (flac,) in read("SELECT flac FROM clips WHERE id = ?", row_id):
            if not isinstance(flac, bytes) or clip_hash(flac) != name:
                place_named = f", named by entry {said.named[name]}," if name in said.named else ""
                yield f"The audio clip {str(name)[:12]}{place_named} was replaced: its hash does not fit its audio."
