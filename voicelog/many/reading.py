"""Entries of one case file by one query, fast: hashes and canonical form are not checked here."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

from voicelog.casefile.opening import connect
from voicelog.casefile.schema import TABLES
from voicelog.many.folder import Look, look, stamp

OF_TABLE = "(SELECT type || sql FROM sqlite_master WHERE name = 'entries')"
"""What must be the last column of every query: it shows that the entries are the table that voicelog makes."""
_TABLE = "table" + TABLES["entries"]
_LONGEST_ENTRY = 16_000_000


def rows_of(path: Path, found: Look, sql: str) -> list[tuple[Any, ...]]:
    """The rows of a query; read again where a writer came to a file that was read without its log.

    Args:
        path: of the file.
        found: what ``look`` said of it just before.
        sql: its last column is OF_TABLE.

    Raises:
        sqlite3.Error: SQLite cannot read it.
        ValueError: it has not the table that voicelog makes.
        StopIteration: there are no rows.
        OSError: it went away.
        CaseFileError: it is encrypted, and cannot be opened with this passphrase.
    """
    if found.sealed:
        with closing(connect(path)) as connection:
            return _read(connection, sql)
    while True:
        frozen = not os.path.lexists(f"{path}-wal")
        try:
            address = f"file:{quote(os.fsencode(path))}?mode={'ro&immutable=1' if frozen else 'ro'}"
            with closing(sqlite3.connect(address, uri=True, timeout=1.0)) as connection:
                rows = _read(connection, sql)
        except sqlite3.Error:
            if frozen and stamp(path.stat()) != found.stamp:
                found = look(path)
                continue
            raise
        if not frozen or stamp(path.stat()) == found.stamp:
            return rows
        found = look(path)


def _read(connection: sqlite3.Connection, sql: str) -> list[tuple[Any, ...]]:
    # A hostile file's own views and triggers may not call functions that act, nor an entry fill the memory.
    connection.execute("PRAGMA trusted_schema = OFF")
    if isinstance(connection, sqlite3.Connection):  # the encrypting one knows no limits, and opens no stranger's file
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_ENTRY)
    rows = connection.execute(sql)
    first = next(rows)
    # Before the rest is read: a view of that name could have no end.
    if first[-1] != _TABLE:
        raise ValueError("no table of entries")
    return [first, *rows]
