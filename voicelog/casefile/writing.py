"""The end of a case file inside one transaction: what is put there, and the closing entry."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import datetime

from voicelog.casefile.canonical import canonical_json
from voicelog.casefile.chain import ENTRY_COLUMNS, Entry, EntryDraft, clip_hash, place
from voicelog.casefile.closing import Signer, closing_draft
from voicelog.errors import CaseFileError


class Tail:
    """Where the next entry goes; used inside one transaction, which is kept whole or not at all."""

    def __init__(self, connection: sqlite3.Connection, seq: int, head: str) -> None:
        self.seq = seq
        """The number of entries so far."""
        self.head = head
        """The hash of the last of them."""
        self._connection = connection

    def put(self, drafts: Sequence[EntryDraft]) -> list[Entry]:
        """Add entries; gives them as they would be read back.

        Raises:
            CaseFileError: one of them cannot be stored.
            TypeError: a body holds a float.
        """
        entries: list[Entry] = []
        for draft in drafts:
            try:
                entry = place(draft, self.seq + 1, self.head)
            except ValueError as error:
                hint = "Nothing of this step was stored."
                raise CaseFileError(f"An entry of type {draft.type!r} cannot be stored: {error}.", hint) from error
            row = (entry.seq, entry.at.isoformat(), entry.type, canonical_json(entry.body), entry.previous, entry.hash)
            self._connection.execute(f"INSERT INTO entries ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)", row)
            self.seq, self.head = entry.seq, entry.hash
            entries.append(entry)
        return entries

    def put_clips(self, clips: Iterable[bytes]) -> None:
        """Add FLAC clips; one that is already there is left as it is."""
        for flac in clips:
            name = clip_hash(flac)
            if self._connection.execute("SELECT 1 FROM clips WHERE hash = ?", (name,)).fetchone() is None:
                insert = "INSERT INTO clips (id, hash, flac) SELECT coalesce(max(id), 0) + 1, ?, ? FROM clips"
                self._connection.execute(insert, (name, bytes(flac)))

    def close(self, at: datetime, sign: Signer | None) -> Entry:
        """Add the closing entry."""
        return self.put([closing_draft(self.seq, self.head, at, sign)])[0]
