"""The passphrase of encrypted case files: where it comes from, and the SQLite that reads them."""

from __future__ import annotations

import os
import sqlite3
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import cast

from voicelog.errors import UsageError

PASSPHRASE_FILE = "VOICELOG_PASSPHRASE_FILE"
"""The environment variable that names the file with the passphrase; new case files are then encrypted."""
_MOST_BYTES = 4096


def private_bytes(path: Path, what: str, *, secret: bool = True) -> bytes:
    """The content of a small file, which nobody else may read if it is ``secret``.

    Args:
        path: the file.
        what: what it is, for the error, such as ``passphrase file``.

    Raises:
        UsageError: it is missing, no regular file, too long, or open to others.
    """
    try:
        # A pipe would hang, so the file is judged before it is read; NONBLOCK for one that comes in between.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            found = os.fstat(descriptor)
            if not stat.S_ISREG(found.st_mode):
                raise UsageError(f"the {what} {path} is not a regular file", "name a file")
            if secret and stat.S_IMODE(found.st_mode) & 0o077:
                raise UsageError(f"the {what} {path} can be read by others", f"make it yours alone: chmod 600 {path}")
            content = file.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot read the {what} {path}: {why}", "check the name and that you may read it") from error
    if len(content) > _MOST_BYTES:
        raise UsageError(f"the {what} {path} is too long", f"it may have {_MOST_BYTES} bytes")
    return content


def passphrase() -> str | None:
    """The passphrase of this run: the first line of the file that ``VOICELOG_PASSPHRASE_FILE`` names; None without one.

    Raises:
        UsageError: the file cannot be used, or its first line is empty or has control characters.
    """
    name = os.environ.get(PASSPHRASE_FILE)
    if not name:
        return None
    content = private_bytes(Path(name), "passphrase file")
    try:
        first = content.decode("utf-8").split("\n", 1)[0].rstrip("\r")
    except UnicodeDecodeError as error:
        raise UsageError(f"the passphrase file {name} is not UTF-8 text", "write one line of text in it") from error
    if not first or not first.isprintable():
        raise UsageError(f"the passphrase file {name} has no passphrase", "write one line of printable text in it")
    return first


@contextmanager
def named_passphrase(path: Path | None) -> Iterator[None]:
    """Lets a whole run, and the processes that it starts, find a passphrase file that was named on the command line."""
    before = os.environ.get(PASSPHRASE_FILE)
    if path:
        os.environ[PASSPHRASE_FILE] = os.fspath(path.absolute())
    try:
        yield
    finally:
        if path:
            del os.environ[PASSPHRASE_FILE]
            os.environ.update({PASSPHRASE_FILE: before} if before else {})


def encrypting_sqlite() -> ModuleType:
    """The SQLite with SQLCipher's page encryption; its functions are those of ``sqlite3``.

    Raises:
        UsageError: it is not installed.
    """
    try:
        from sqlcipher3 import dbapi2
    except ImportError as error:
        hint = "install it: pip install 'voicelog[encrypt]'"
        raise UsageError("an encrypted case file needs the package sqlcipher3", hint) from error
    return cast(ModuleType, dbapi2)


def sql_errors() -> tuple[type[Exception], ...]:
    """The errors of every SQLite in use: the encrypting one has classes of its own. With them the one that Python
    raises where it cannot decode what SQLite says of a name in a damaged table of contents."""
    other = sys.modules.get("sqlcipher3.dbapi2")
    return (sqlite3.Error, UnicodeDecodeError, other.Error) if other else (sqlite3.Error, UnicodeDecodeError)


def unlock(connection: sqlite3.Connection, secret: str) -> None:
    """Give a new connection of the encrypting SQLite its passphrase; a wrong one shows at the first reading."""
    # Its log would go to standard error, beside the one line that an error may have.
    connection.execute("PRAGMA cipher_log_level = NONE")
    quoted = secret.replace("'", "''")
    connection.execute(f"PRAGMA key = '{quoted}'")
