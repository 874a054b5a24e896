"""The tables of a case file, and the triggers that keep them append-only."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

APPLICATION_ID = 0x564C4F47
"""Marks an SQLite file as a case file: "VLOG" in ASCII."""
USER_VERSION = 2
"""The version of the tables and guards below. Version 1 let nothing follow a closing and no clip be deleted."""
REVIEW_OPENED = "review_opened"
"""The type of the one entry that may follow a closing entry; the review that it opens ends with another closing."""

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
_SAME_IN_ALL_VERSIONS = (
    ("entries_no_update", "UPDATE ON entries", "entries are never changed"),
    ("entries_no_delete", "DELETE ON entries", "entries are never deleted"),
    (
        "entries_only_at_end",
        "INSERT ON entries WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM entries)",
        "entries are only added at the end",
    ),
    ("clips_no_update", "UPDATE ON clips", "clips are never changed"),
    (
        "clips_only_new",
        "INSERT ON clips WHEN NEW.id IS NOT (SELECT coalesce(max(id), 0) + 1 FROM clips)"
        " OR EXISTS (SELECT 1 FROM clips WHERE hash = NEW.hash)",
        "clips are never replaced",
    ),
)
_LAST_IS_CLOSING = "(SELECT type FROM entries ORDER BY seq DESC LIMIT 1) IS 'case_closed'"


def _guards(*more: tuple[str, str, str]) -> dict[str, str]:
    return {name: _guard(name, when, message) for name, when, message in (*_SAME_IN_ALL_VERSIONS, *more)}


GUARDS_OF = {
    1: _guards(
        ("entries_none_after_closing", f"INSERT ON entries WHEN {_LAST_IS_CLOSING}", "the case is closed"),
        ("clips_no_delete", "DELETE ON clips", "clips are never deleted"),
    ),
    USER_VERSION: _guards(
        (
            "entries_only_a_review_after_closing",
            f"INSERT ON entries WHEN NEW.type IS NOT '{REVIEW_OPENED}' AND {_LAST_IS_CLOSING}",
            "the case is closed",
        ),
        # The entry that says which clips go must be the very last one, so one old deletion opens no door for later.
        (
            "clips_no_delete_unsaid",
            "DELETE ON clips WHEN NOT EXISTS (SELECT 1 FROM entries WHERE seq = (SELECT max(seq) FROM entries)"
            " AND type = 'audio_deleted' AND instr(body, '\"' || OLD.hash || '\"'))",
            "clips are deleted only where the last entry says so",
        ),
    ),
}
"""Version to its triggers, name to definition: each refuses a statement that would change what stands."""
GUARDS = GUARDS_OF[USER_VERSION]
"""The triggers of the files that are made now."""


def migrate(execute: Callable[[str], Any], version: int) -> None:
    """Bring a file of an older version to USER_VERSION; to be run inside a transaction. No entry is touched.

    Args:
        execute: runs one statement.
        version: of the file, at most USER_VERSION.
    """
    old = GUARDS_OF[version]
    for name in sorted(old.keys() - GUARDS.keys()):
        execute(f"DROP TRIGGER {name}")
    for name in sorted(GUARDS.keys() - old.keys()):
        execute(GUARDS[name])
    execute(f"PRAGMA user_version = {USER_VERSION}")


def guard_problems(read: Callable[..., list[tuple[Any, ...]]]) -> Iterator[str]:
    """What is wrong with the triggers that keep a case file append-only; ``read`` runs a query."""
    rows = read("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'")
    stored = {str(name): sql for name, sql in rows}
    ((version,),) = read("PRAGMA user_version")
    guards = GUARDS_OF[version]
    for name, sql in guards.items():
        if stored.get(name) != sql:
            yield f"The trigger {name}, which keeps the file append-only, was removed or changed."
    for name in sorted(stored.keys() - TABLES.keys() - guards.keys()):
        yield f"The file has {name!r}, which voicelog never makes."
