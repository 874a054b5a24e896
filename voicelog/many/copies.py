"""Files that hold the same case: which one goes furthest, and whether it continues the others."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
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
    return [copy for group in same.values() if len(group) > 1 for copy in _copies(group)]


def _copies(group: Sequence[CaseAt]) -> Iterator[Copy]:
    """The copies among files with the same first entry."""
    # What stands at each place of a chain, so that each file is read once however many there are.
    known: dict[tuple[int, str], CaseAt] = {}
    longest = max(group, key=lambda one: one.entries)
    for case in sorted(group, key=lambda one: -one.entries):
        owner = known.get((case.entries, case.head))
        if owner is not None:
            yield Copy(case, owner, "same" if owner.head == case.head else "older")
            continue
        if known:
            yield Copy(case, longest, "conflicting")
        for place in ((case.entries, case.head), *_places(case.path)):
            known.setdefault(place, case)


def _places(path: str) -> list[tuple[int, str]]:
    """The place and the hash of every entry of a file; none where it cannot be read any more."""
    try:
        file = Path(path)
        rows = rows_of(file, look(file), f"SELECT seq, hash, {OF_TABLE} FROM entries ORDER BY seq")
    except (OSError, sqlite3.Error, StopIteration, ValueError, VoicelogError):
        return []
    return [(seq, digest) for seq, digest, _ in rows]
