"""Files that hold the same case: which one goes furthest, and whether it continues the others."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from voicelog.errors import VoicelogError
from voicelog.many.folder import look
from voicelog.many.reading import OF_TABLE, rows_of

Relation = Literal["same", "older", "conflicting"]
"""``older``: the other file continues it; ``conflicting``: both go on from the same first entry, each its own way."""


@dataclass(frozen=True)
class CaseAt:
    """One case as a file holds it."""

    path: str
    """The file."""
    case_id: str
    """The hash of its first entry."""
    entries: int
    """How many entries it has."""
    head: str
    """The hash of the last of them."""


@dataclass(frozen=True)
class Copy:
    """A file that holds a case of which another file holds as much or more."""

    case: CaseAt
    """This file."""
    of: CaseAt
    """The other one."""
    relation: Relation
    """What this one is to the other."""

    @property
    def told(self) -> str:
        """In words, one line."""
        if self.relation == "same":
            return f"{self.case.path}: the same case as {self.of.path}"
        if self.relation == "older":
            more = self.of.entries - self.case.entries
            return f"{self.case.path}: an older copy of {self.of.path}, which has {more} entries more"
        return f"{self.case.path} and {self.of.path} begin with the same entry, but neither continues the other"


def copies_among(cases: Iterable[CaseAt]) -> list[Copy]:
    """The files that add nothing to a case that another one holds, and those that contradict it.

    A chain continues another if it has that one's head at its place: the hashes in between are not checked here.
    """
    same: dict[str, list[CaseAt]] = {}
    for case in cases:
        same.setdefault(case.case_id, []).append(case)
    found: list[Copy] = []
    for group in same.values():
        kept: list[CaseAt] = []
        for case in sorted(group, key=lambda one: -one.entries) if len(group) > 1 else ():
            copy = _of_any(case, kept)
            if copy is None or copy.relation == "conflicting":
                kept.append(case)
            if copy is not None:
                found.append(copy)
    return found


def _of_any(case: CaseAt, kept: Sequence[CaseAt]) -> Copy | None:
    """What a file is to those that hold at least as many entries; None for the first."""
    for other in kept:
        if case.head == other.head:
            return Copy(case, other, "same")
        if case.entries < other.entries and _hash_at(other.path, case.entries) == case.head:
            return Copy(case, other, "older")
    return Copy(case, kept[0], "conflicting") if kept else None


def _hash_at(path: str, seq: int) -> str | None:
    """The hash of one entry; None where it cannot be read any more."""
    try:
        file = Path(path)
        ((digest, _),) = rows_of(file, look(file), f"SELECT hash, {OF_TABLE} FROM entries WHERE seq = {seq:d}")
    except (OSError, sqlite3.Error, StopIteration, ValueError, VoicelogError):
        return None
    return str(digest)
