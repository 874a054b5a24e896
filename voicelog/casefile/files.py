"""The case file as a file: what it must be before it is opened, the one-writer lock, errors told to a user."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from voicelog.casefile.secret import sql_errors
from voicelog.errors import CaseFileError

NOT_OURS = "Name a case file that voicelog made."
"""The hint for whatever is no case file."""
DAMAGED = "Work from a copy of the file kept elsewhere."
"""The hint for a case file that is broken."""


def shown(path: Path) -> str:
    """The path for a one-line message, with unprintable characters escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(path))


def case_file_error(error: Exception, doing: str, path: Path) -> CaseFileError:
    """The CaseFileError that tells an SQLite error to a user; ``doing`` is a verb, such as ``read``."""
    # Python cannot decode what SQLite says of a name in a damaged table of contents.
    if isinstance(error, UnicodeDecodeError):
        return CaseFileError(f"Cannot {doing} {shown(path)}: its table of contents is damaged.", DAMAGED)
    hints = {
        sqlite3.SQLITE_NOTADB: NOT_OURS,
        sqlite3.SQLITE_CORRUPT: DAMAGED,
        sqlite3.SQLITE_FULL: "Free some space on the disk; nothing of this step was stored.",
        sqlite3.SQLITE_IOERR: "Check the disk and its free space; nothing of this step was stored.",
        sqlite3.SQLITE_BUSY: "Close the other program that uses the file, then try again.",
        sqlite3.SQLITE_READONLY: "Check that you may write to the file and to its folder.",
        sqlite3.SQLITE_CANTOPEN: "Check that you may read the file and write to its folder, or copy it, with any"
        " -wal file beside it, to a folder of your own.",
    }
    primary = getattr(error, "sqlite_errorcode", 0) & 0xFF
    hint = hints.get(primary, "Run `voicelog audit` on the file to see what is wrong with it.")
    return CaseFileError(f"Cannot {doing} {shown(path)}: {' '.join(str(error).split())}.", hint)


@contextmanager
def told_as_case_file_error(doing: str, path: Path) -> Iterator[None]:
    """Turns SQLite's errors and the system's file errors into a CaseFileError."""
    try:
        yield
    except sql_errors() as error:
        raise case_file_error(error, doing, path) from error
    except OSError as error:
        hint = "Check the name, that its folder exists, and that you may use both."
        raise CaseFileError(f"Cannot {doing} {shown(path)}: {error.strerror or error}.", hint) from error


def beside(path: Path, suffix: str) -> Path:
    """The file that SQLite or voicelog keeps beside a case file, such as ``-wal``."""
    return Path(f"{path}{suffix}")


def usable_name(path: Path) -> Path:
    """The path itself, if the system can have a file of that name.

    Raises:
        CaseFileError: it has characters that no file name can have.
    """
    try:
        impossible = b"\0" in os.fsencode(path)
    except UnicodeEncodeError:
        impossible = True
    if impossible:
        raise CaseFileError(f"{shown(path)} cannot be the name of a file.", NOT_OURS)
    return path


def new_path(path: Path) -> Path:
    """The real path for a new case file.

    Raises:
        CaseFileError: a case file, or what is left of one, has this name: nothing is ever overwritten.
    """
    given = usable_name(path).absolute()
    real = Path(os.path.realpath(given.parent), given.name)
    for suffix in ("", "-wal", "-shm", "-journal"):
        if os.path.lexists(beside(real, suffix)):
            hint = "Choose another name; a case file is never overwritten."
            raise CaseFileError(f"{shown(beside(real, suffix))} exists already.", hint)
    return real


def checked_path(path: Path) -> Path:
    """The real path of what could be a case file, judged without opening it: a FIFO would hang, a device never ends.

    Raises:
        CaseFileError: missing, empty, not a regular file, or with something else than a file beside it.
    """
    with told_as_case_file_error("open", path):
        real = Path(os.path.realpath(usable_name(path)))
        found = real.stat()
    if stat.S_ISDIR(found.st_mode):
        raise CaseFileError(f"{shown(path)} is a folder, not a case file.", NOT_OURS)
    if not stat.S_ISREG(found.st_mode):
        raise CaseFileError(f"{shown(path)} is a device or a pipe, not a case file.", NOT_OURS)
    if found.st_size == 0:
        raise CaseFileError(f"{shown(path)} is empty, not a case file.", NOT_OURS)
    for suffix in ("-wal", "-shm", "-lock"):
        neighbour = beside(real, suffix)
        if os.path.lexists(neighbour) and not stat.S_ISREG(os.lstat(neighbour).st_mode):
            raise CaseFileError(f"{shown(neighbour)} is not a regular file.", "Remove it, then try again.")
    # A case file never has one; SQLite would play it back into the file.
    if os.path.lexists(beside(real, "-journal")):
        raise CaseFileError(f"{shown(path)} has a -journal file beside it.", "Move that file away, then try again.")
    return real


def take_writer_lock(path: Path) -> int:
    """Becomes the one writer of a case file; the system frees the lock if the process dies. Returns its descriptor.

    The lock is a file beside the case file: closing any descriptor of the case file itself would drop SQLite's locks.

    Raises:
        CaseFileError: another writer has it, or the folder refuses.
    """
    import fcntl  # Not on every platform, and only writing needs it.

    lock = beside(path, "-lock")
    while True:
        with told_as_case_file_error("write", path):
            descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                # The writer before may have removed the file between the opening and the locking.
                if os.path.lexists(lock) and os.path.samestat(os.fstat(descriptor), os.lstat(lock)):
                    return descriptor
            except BlockingIOError as error:
                os.close(descriptor)
                hint = "End the other session that records into it, or only read it."
                raise CaseFileError(f"{shown(path)} is being written by another session.", hint) from error
            except OSError:
                os.close(descriptor)
                raise
            os.close(descriptor)


def free_writer_lock(path: Path, descriptor: int) -> None:
    """Gives the lock back and removes its file."""
    beside(path, "-lock").unlink(missing_ok=True)
    os.close(descriptor)


def sync_folder(path: Path) -> None:
    """Makes the name of a new file outlive a power cut."""
    with told_as_case_file_error("create", path):
        descriptor = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
