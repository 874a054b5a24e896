"""The case file: append-only entries in a hash chain, and audio clips named by their hash, in one SQLite file."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from voicelog.casefile.canonical import parse_canonical
from voicelog.casefile.chain import ENTRY_COLUMNS, FIRST_PREVIOUS, Entry, EntryDraft, clip_hash, entry_from_row
from voicelog.casefile.closing import NOT_KEPT, Signer
from voicelog.casefile.files import (
    case_file_error,
    checked_path,
    free_writer_lock,
    new_path,
    shown,
    take_writer_lock,
    told_as_case_file_error,
)
from voicelog.casefile.integrity import find_problems
from voicelog.casefile.opening import connect, frozen_stamp, make_file, make_writable
from voicelog.casefile.schema import APPLICATION_ID, USER_VERSION
from voicelog.casefile.secret import sql_errors
from voicelog.casefile.writing import Tail
from voicelog.errors import CaseFileError

__all__ = ["APPLICATION_ID", "USER_VERSION", "CaseFile", "Entry", "EntryDraft", "clip_hash"]

_PLACED_BY_THE_FILE = ("case_opened", "case_closed", "review_opened", "audio_deleted")
_AUDIT = "Run `voicelog audit` on the file to see everything that is wrong with it."


class CaseFile:
    """An open case file: made by ``create`` or ``open``, closed by ``close`` or at the end of a ``with`` block.

    To be used by the thread that opened it. Every method raises CaseFileError when the file or the disk refuses.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        lock: int | None = None,
        frozen: tuple[int, ...] | None = None,
    ) -> None:
        self.path = path
        """Where it lies, symbolic links resolved."""
        self.sign: Signer | None = None
        """What signs a closing entry; None leaves it unsigned."""
        self._connection = connection
        self._lock = lock
        self._frozen = frozen

    @classmethod
    def create(cls, path: str | os.PathLike[str], opened: Mapping[str, Any], at: datetime) -> CaseFile:
        """Make a new case file, open for writing.

        Args:
            path: where; nothing may have this name yet.
            opened: the body of its first entry, ``case_opened``; with ``NOT_KEPT`` in it, no clip is ever stored.
            at: when the case was opened, aware.

        Raises:
            CaseFileError: the name is taken, or the file cannot be made; nothing is then left of it.
            TypeError: ``opened`` holds a float.
        """
        real = new_path(Path(path))
        lock = take_writer_lock(real)
        try:
            first = EntryDraft("case_opened", dict(opened), at)
            connection = make_file(real, lambda new: Tail(new, 0, FIRST_PREVIOUS).put([first]))
        except BaseException:
            free_writer_lock(real, lock)
            raise
        return cls(real, connection, lock)

    @classmethod
    def open(cls, path: str | os.PathLike[str], *, write: bool = False) -> CaseFile:
        """Open a case file, for reading unless ``write``; any number may read while one writes.

        Raises:
            CaseFileError: it is missing, no case file, damaged or of a newer version; for writing also: another
                writer has it, or its guards were removed.
        """
        real = checked_path(Path(path))
        connection, frozen = _connect_reading(real)
        if not write:
            return cls(real, connection, None, frozen)
        connection.close()
        lock = take_writer_lock(real)
        try:
            with told_as_case_file_error("write", real):
                real.chmod(0o600)
                connection = connect(real, write=True)
                try:
                    make_writable(connection, real)
                except BaseException:
                    connection.close()
                    raise
        except BaseException:
            free_writer_lock(real, lock)
            raise
        return cls(real, connection, lock)

    def append(self, drafts: Sequence[EntryDraft], clips: Sequence[bytes] = ()) -> list[Entry]:
        """Add entries at the end, and clips, in one transaction; on return they are on the disk.

        Args:
            drafts: the entries, in order. Their bodies name clips by ``clip_hash``.
            clips: FLAC bytes; a clip that is already there is left as it is.

        Returns:
            The entries as they would be read back.

        Raises:
            CaseFileError: the case is closed, the file is open for reading only, a text cannot be stored, or the disk
                refuses; nothing of this call is then stored, and the file stays usable.
            TypeError: a body holds a float.
        """
        for draft in drafts:
            if draft.type in _PLACED_BY_THE_FILE:
                raise CaseFileError(f"An entry of type {draft.type} is made only by opening or closing the case.", "")
        with self.writing() as tail:
            if clips and self.keeps_audio:
                tail.put_clips(clips)
            return tail.put(drafts)

    def close_case(self, at: datetime) -> Entry:
        """End the record: its last entry holds the number of entries before it and the hash of the last of them,
        and where the file has a signer, its signature. A later review adds to it and closes it again (``review.py``).

        Raises:
            CaseFileError: as for ``append``.
        """
        with self.writing() as tail:
            return tail.close(at, self.sign)

    @property
    def keeps_audio(self) -> bool:
        """Whether clips are stored; else only their hashes are, in the entries."""
        ((body,),) = self._rows("SELECT body FROM entries WHERE seq = 1")
        try:
            opened = parse_canonical(body)
        except ValueError as error:
            raise CaseFileError(f"Entry 1 of {shown(self.path)} cannot be read: {error}.", _AUDIT) from error
        return not (isinstance(opened, dict) and opened.items() >= NOT_KEPT.items())

    def entries(self) -> Iterator[Entry]:
        """Every entry in order, as of the first one taken. Hashes are not checked here: ``problems`` does.

        Raises:
            CaseFileError: the file is damaged; names the first entry that cannot be read.
        """
        for row in self._rows(f"SELECT {ENTRY_COLUMNS} FROM entries ORDER BY seq"):
            try:
                yield entry_from_row(row)
            except ValueError as error:
                raise CaseFileError(f"Entry {row[0]} of {shown(self.path)} cannot be read: {error}.", _AUDIT) from error

    def head(self) -> str:
        """The hash of the last entry: a note of it, kept elsewhere, finds every later change of what stands now."""
        ((digest,),) = self._rows("SELECT hash FROM entries ORDER BY seq DESC LIMIT 1")
        return str(digest)

    def clip(self, name: str) -> bytes:
        """The FLAC bytes of a clip, checked against its name.

        Raises:
            CaseFileError: there is no such clip, or its audio was replaced.
        """
        rows = self._rows("SELECT flac FROM clips WHERE hash = ?", name)
        if not rows:
            hint = "It was deleted or never kept, or it is lost: `voicelog audit` tells which."
            raise CaseFileError(f"{shown(self.path)} has no audio clip {name[:12]}.", hint)
        flac = rows[0][0]
        if not isinstance(flac, bytes) or clip_hash(flac) != name:
            raise CaseFileError(f"The audio clip {name[:12]} of {shown(self.path)} was replaced.", _AUDIT)
        return flac

    def problems(self) -> list[str]:
        """Everything found wrong, one sentence each: changed, removed, swapped or cut entries, replaced or missing
        clips, removed guards, damaged pages. Empty when the file is whole. Tamper-evident, never tamper-proof."""
        return find_problems(self._rows)

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._frozen = None
        try:
            with told_as_case_file_error("close", self.path):
                try:
                    # SQLite does this only for the last connection; a reader may still be there, and a later copy of
                    # the file alone must hold everything.
                    if self._lock is not None:
                        self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                finally:
                    self._connection.close()
        finally:
            if self._lock is not None:
                lock, self._lock = self._lock, None
                with told_as_case_file_error("close", self.path):
                    free_writer_lock(self.path, lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def writing(self, *, after_closing: bool = False) -> Iterator[Tail]:
        """One transaction that is kept whole or not at all, for this room's own use; gives the end of the record.

        Args:
            after_closing: for a review: the case must be closed, where it else must not.
        """
        if self._lock is None:
            raise CaseFileError(f"{shown(self.path)} is not open for writing.", "Open it for writing.")
        with told_as_case_file_error("write", self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield Tail(self._connection, *self._end(after_closing))
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _end(self, after_closing: bool) -> tuple[int, str]:
        last = "SELECT seq, hash, type FROM entries ORDER BY seq DESC LIMIT 1"
        seq, digest, kind = self._connection.execute(last).fetchone()
        if (kind == "case_closed") != after_closing:
            if after_closing:
                raise CaseFileError(f"The case in {shown(self.path)} is not closed.", "Close it first.")
            raise CaseFileError(f"The case in {shown(self.path)} is closed.", "Record into a new case file.")
        if not isinstance(digest, str):
            raise CaseFileError(f"Entry {seq} of {shown(self.path)} has no hash to go on from.", _AUDIT)
        return seq, digest

    def clip_names(self) -> list[str]:
        """The hash of every clip that is stored, in the order of storing."""
        return [name for (name,) in self._rows("SELECT hash FROM clips ORDER BY id")]

    def delete_clips(self) -> None:
        """Delete every clip, inside ``writing``; the file allows it only right behind the entry that names them."""
        self._connection.execute("DELETE FROM clips")

    def scrub(self) -> bool:
        """Empty the log and make the file anew without its free pages; False while another program's reading keeps
        old pages in the log."""
        with told_as_case_file_error("write", self.path):
            # The zeros must go over what was deleted in the file itself; making it anew would only leave it behind.
            for statement in ("", "VACUUM"):
                self._connection.execute(statement)
                ((busy, *_),) = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                if busy:
                    return False
        return True

    def _rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Every row of one query. A file read without a log is read again if a writer came to it meanwhile."""
        while True:
            try:
                rows = self._connection.execute(sql, values).fetchall()
            except sql_errors() as error:
                if not self._overtaken():
                    raise case_file_error(error, "read", self.path) from error
            else:
                if not self._overtaken():
                    return rows
            self._connection.close()
            self._connection, self._frozen = _connect_reading(self.path)

    def _overtaken(self) -> bool:
        return self._frozen is not None and frozen_stamp(self.path) != self._frozen


def _connect_reading(path: Path) -> tuple[sqlite3.Connection, tuple[int, ...] | None]:
    """A connection that makes no new files beside the case file, and the stamp to tell when it must be made anew."""
    while True:
        frozen = frozen_stamp(path)
        try:
            return connect(path, frozen=frozen is not None), frozen
        except CaseFileError:
            # A writer that came between the stamp and the reading makes a whole file look broken.
            if frozen is None or frozen_stamp(path) == frozen:
                raise
