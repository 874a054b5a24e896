"""How SQLite makes or opens a case file; a file that is not ours is never changed."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from voicelog.casefile.files import DAMAGED, NOT_OURS, beside, shown, sync_folder, told_as_case_file_error
from voicelog.casefile.schema import (
    APPLICATION_ID,
    GUARDS,
    GUARDS_OF,
    TABLES,
    USER_VERSION,
    guard_problems,
    migrate,
)
from voicelog.casefile.secret import PASSPHRASE_FILE, encrypting_sqlite, passphrase, sql_errors, unlock
from voicelog.errors import CaseFileError

_BUSY_SECONDS = 2.0
_PLAIN_HEADER = b"SQLite format 3\0"


def frozen_stamp(path: Path) -> tuple[int, ...] | None:
    """What tells that a file without a -wal has changed; None when there is a -wal, so that a writer may be at work."""
    with told_as_case_file_error("read", path):
        if os.path.lexists(beside(path, "-wal")):
            return None
        found = path.stat()
    return found.st_ino, found.st_size, found.st_mtime_ns


def connect(path: Path, *, write: bool = False, frozen: bool = False) -> sqlite3.Connection:
    """A connection to a checked path that is a case file.

    Args:
        path: what ``checked_path`` gave.
        write: for writing.
        frozen: for reading a file without a -wal; nothing is then made beside it.

    Raises:
        CaseFileError: SQLite cannot read it, or it is not a case file of this version.
    """
    with told_as_case_file_error("open", path):
        secret = _secret_of(path)
        with _told_as_locked(path, secret):
            connection = _connect(path, "rw" if write else "ro&immutable=1" if frozen else "ro", secret)
        try:
            with _told_as_locked(path, secret):
                _check_ours(connection, path)
            if frozen:
                _check_whole_pages(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _connect(path: Path, mode: str, secret: str | None) -> sqlite3.Connection:
    """A connection, encrypting where there is a passphrase."""
    address = f"file:{quote(os.fsencode(path))}?mode={mode}"
    module = encrypting_sqlite() if secret else sqlite3
    connection: sqlite3.Connection = module.connect(address, uri=True, timeout=_BUSY_SECONDS, isolation_level=None)
    try:
        if secret:
            unlock(connection, secret)
        # A hostile file's own views, triggers and defaults may not call functions that act.
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA synchronous = FULL")
        # What is deleted is overwritten, and nothing of a case goes into a temporary file.
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute("PRAGMA temp_store = MEMORY")
    except BaseException:
        connection.close()
        raise
    return connection


def is_plain(path: Path) -> bool:
    """Whether a file is one of SQLite's that is not encrypted."""
    with path.open("rb") as file:
        return file.read(len(_PLAIN_HEADER)) == _PLAIN_HEADER


def _secret_of(path: Path) -> str | None:
    """The passphrase to open an existing file with; None for one that is not encrypted, or where none was given."""
    return None if is_plain(path) else passphrase()


def copy_into(source: sqlite3.Connection, path: Path, made: Path) -> None:
    """Copy what a connection reads from the file ``path`` into the empty file ``made``; encrypted stays encrypted."""
    writing = _connect(made, "rw", _secret_of(path))
    try:
        source.backup(writing)
    finally:
        writing.close()


@contextmanager
def _told_as_locked(path: Path, secret: str | None) -> Iterator[None]:
    """Tells a wrong or missing passphrase as such: SQLite only says that the file is none of its own."""
    try:
        yield
    except sql_errors() as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_NOTADB or is_plain(path):
            raise
        hint = f"with --passphrase-file or {PASSPHRASE_FILE}."
        if secret:
            said = f"Cannot open {shown(path)}: the passphrase does not fit, or it is not a case file."
            raise CaseFileError(said, f"Name the right passphrase file {hint}") from error
        said = f"Cannot open {shown(path)}: it is not a case file, or one that is encrypted."
        raise CaseFileError(said, f"{NOT_OURS} For one that is encrypted give the passphrase {hint}") from error


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION_ID:
        raise CaseFileError(f"{shown(path)} is an SQLite file, but not a case file.", NOT_OURS)
    if version > USER_VERSION:
        hint = "Open it with the newer voicelog that made it."
        raise CaseFileError(f"{shown(path)} has version {version}; this voicelog knows {USER_VERSION}.", hint)
    if version not in GUARDS_OF:
        raise CaseFileError(f"{shown(path)} has version {version}, which no voicelog wrote.", NOT_OURS)
    stored = {name: (kind, sql) for kind, name, sql in connection.execute("SELECT type, name, sql FROM sqlite_master")}
    for name, sql in TABLES.items():
        if stored.get(name) != ("table", sql):
            raise CaseFileError(f"{shown(path)} is damaged: it lacks the table of {name}.", DAMAGED)
    if connection.execute("SELECT 1 FROM entries LIMIT 1").fetchone() is None:
        raise CaseFileError(f"{shown(path)} is damaged: it has no entries.", DAMAGED)


def _check_whole_pages(connection: sqlite3.Connection, path: Path) -> None:
    # SQLite reads the missing end of a last page as zeros, without a word.
    (page_bytes,) = connection.execute("PRAGMA page_size").fetchone()
    # The encrypting SQLite gives it as text.
    if path.stat().st_size % int(page_bytes):
        raise CaseFileError(f"{shown(path)} is damaged: its end is cut off.", DAMAGED)


def make_writable(connection: sqlite3.Connection, path: Path) -> None:
    """Checks the guards of a file opened for writing, brings an older version up to this one, turns its log on.

    Raises:
        CaseFileError: a guard was removed; the file is left as it is.
    """
    for problem in guard_problems(lambda sql: connection.execute(sql).fetchall()):
        hint = "Run `voicelog audit` on the file to see everything that is wrong with it."
        raise CaseFileError(f"{shown(path)} is not safe to write: {problem}", hint)
    use_write_ahead_log(connection, path)
    ((version,),) = connection.execute("PRAGMA user_version").fetchall()
    if version == USER_VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        migrate(connection.execute, version)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def use_write_ahead_log(connection: sqlite3.Connection, path: Path) -> None:
    """Turns the write-ahead log on, so that readers may read while the writer writes.

    Raises:
        CaseFileError: the file system cannot share memory between programs.
    """
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        hint = "Keep case files on a disk of this machine, not on a network share."
        raise CaseFileError(f"Cannot write {shown(path)}: its file system has no write-ahead log.", hint)


def make_file(path: Path, store_first: Callable[[sqlite3.Connection], object]) -> sqlite3.Connection:
    """A new file with tables, guards and what ``store_first`` puts in, all in one transaction; or no file at all.

    Raises:
        CaseFileError: something of that name exists, or the file cannot be made.
    """
    with told_as_case_file_error("create", path):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        try:
            connection = _connect(path, "rw", passphrase())
            try:
                _fill(connection, path, store_first)
            except BaseException:
                connection.close()
                raise
        except BaseException:
            for suffix in ("-wal", "-shm", "-journal", ""):
                beside(path, suffix).unlink(missing_ok=True)
            raise
    return connection


def _fill(connection: sqlite3.Connection, path: Path, store_first: Callable[[sqlite3.Connection], object]) -> None:
    # A narrow umask may have taken even the owner's rights; SQLite gives -wal and -shm the mode of the file.
    path.chmod(0o600)
    use_write_ahead_log(connection, path)
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {USER_VERSION}")
    for statement in (*TABLES.values(), *GUARDS.values()):
        connection.execute(statement)
    store_first(connection)
    connection.execute("COMMIT")
    # So that the file alone says what it is, even if the log beside it is lost.
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    sync_folder(path)
