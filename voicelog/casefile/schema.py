"""The tables of a case file, and the triggers that keep them append-only."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

APPLICATION_ID = 0x564C4F47
"""Marks an SQLite file as a case file: "VLOG" in ASCII."""
USER_VERSION = 1
"""The version of the tables below."""

TABLES = {
    "entries": """CREATE TABLE entries (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    at TEXT NOT NULL,
    type TEXT NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL
)""",
    "clips": """CREATE TABLE clips (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    hash TEXT NOT NULL UNIQUE,
    flac BLOB NOT NULL
)""",
}
"""Table name to its definition."""


def _guard(name: str, when: str, message: str) -> str:
    return f"CREATE TRIGGER {name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{message}'); END"


# REPLACE deletes without firing DELETE triggers, so a row is let in only where it displaces none.
GUARDS = {
    name: _guard(name, when, message)
    for name, when, message in (
        ("entries_no_update", "UPDATE ON entries", "entries are never changed"),
        ("entries_no_delete", "DELETE ON entries", "entries are never deleted"),
        (
            "entries_only_at_end",
            "INSERT ON entries WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM entries)",
            "entries are only added at the end",
        ),
        (
            "entries_none_after_closing",
            "INSERT ON entries WHEN (SELECT type FROM entries ORDER BY seq DESC LIMIT 1) IS 'case_closed'",
            "the case is closed",
        ),
        ("clips_no_update", "UPDATE ON clips", "clips are never changed"),
        ("clips_no_delete", "DELETE ON clips", "clips are never deleted"),
        (
            "clips_only_new",
            "INSERT ON clips WHEN NEW.id IS NOT (SELECT coalesce(max(id), 0) + 1 FROM clips)"
            " OR EXISTS (SELECT 1 FROM clips WHERE hash = NEW.hash)",
            "clips are never replaced",
        ),
    )
}
"""Trigger name to its definition: each refuses a statement that would change what stands."""


def guard_problems(read: Callable[..., list[tuple[Any, ...]]]) -> Iterator[str]:
    """What is wrong with the triggers that keep a case file append-only; ``read`` runs a query."""
    rows = read("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'")
    stored = {str(name): sql for name, sql in rows}
    for name, sql in GUARDS.items():
        if stored.get(name) != sql:
            yield f"The trigger {name}, which keeps the file append-only, was removed or changed."
    for name in sorted(stored.keys() - TABLES.keys() - GUARDS.keys()):
        yield f"The file has {name!r}, which voicelog never makes."
