"""The closing entry, its signature, and the order in which closings and reviews follow each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import takewhile
from typing import Any

from voicelog.casefile.canonical import canonical_json
from voicelog.casefile.chain import Entry, EntryDraft
from voicelog.casefile.schema import REVIEW_OPENED

Signer = Callable[[bytes], dict[str, str]]
"""Signs bytes: gives ``algorithm``, ``key`` (the public key) and ``value`` (the signature), both in hex."""
Verifier = Callable[[bytes, str], bool]
"""Whether a signature in hex was made over these bytes with one certain key."""

NOT_KEPT = {"audio": "not kept"}
"""What ``case_opened`` says of a case whose entries carry the hash of each clip, and whose clips are not stored."""


def closing_draft(count: int, head: str, at: datetime, sign: Signer | None) -> EntryDraft:
    """The entry that closes a case behind ``count`` entries, the last of which has the hash ``head``."""
    body: dict[str, Any] = {"count": count, "head": head}
    if sign:
        body["signature"] = sign(_statement(count, head, at))
    return EntryDraft("case_closed", body, at)


def _statement(count: int, head: str, at: datetime) -> bytes:
    """What is signed: all that a closing entry says, and so, through the head, every entry before it."""
    return canonical_json({"what": "voicelog case closed", "count": count, "head": head, "at": at}).encode()


def closing_fits(entry: Entry) -> bool:
    """Whether a closing entry says the number and the hash of the entries before it; its signature is not checked."""
    body = dict(entry.body)
    signature = body.pop("signature", {"algorithm": "", "key": "", "value": ""})
    well_formed = isinstance(signature, dict) and set(signature) == {"algorithm", "key", "value"}
    return (
        well_formed
        and all(isinstance(text, str) for text in signature.values())
        and body == {"count": entry.seq - 1, "head": entry.previous}
    )


def misplaced(entry_type: str, closed_by: int) -> bool:
    """Whether an entry of this type may not stand here; ``closed_by`` is the seq of a closing right before, or 0."""
    return (entry_type == REVIEW_OPENED) != bool(closed_by)


def recorded_until(entries: Sequence[Entry]) -> datetime:
    """The latest time in a record of at least one entry; what a later review added does not make the case longer."""
    case = list(takewhile(lambda entry: entry.type != REVIEW_OPENED, entries))
    return max(entry.at for entry in case or entries)


def signature_problems(entries: Sequence[Entry], keys: dict[str, Verifier]) -> list[str]:
    """What is wrong with the signatures of a case, one sentence each; empty when its last entry is a signed closing.

    A signature that holds also finds a chain that was hashed again from end to end. It does not find a file that was
    taken back to an earlier signed closing: that takes a note of the later head.

    Args:
        entries: all of them, in order.
        keys: the trusted public keys in hex, each with what checks a signature made with it.
    """
    found: list[str] = []
    last_good = 0
    for entry in entries:
        signature = entry.body.get("signature")
        if entry.type != "case_closed" or signature is None:
            continue
        verify = keys.get(signature["key"]) if closing_fits(entry) else None
        if verify is None:
            found.append(f"The closing entry {entry.seq} is signed with a key that was not given.")
        elif verify(_statement(entry.seq - 1, entry.previous, entry.at), signature["value"]):
            last_good = entry.seq
        else:
            found.append(f"The signature of the closing entry {entry.seq} does not fit: the record was changed.")
    last = entries[-1]
    if last.type != "case_closed":
        found.append("The case is not closed, so its end is not signed.")
    elif last.seq != last_good and not found:
        before = f"; the last signed one is entry {last_good}" if last_good else ""
        found.append(f"The closing entry {last.seq} is not signed{before}.")
    return found


def signed_with(entries: Sequence[Entry]) -> str:
    """The public key, in hex, that the last entry says it is signed with; '' when it is no signed closing."""
    signature = entries[-1].body.get("signature") if entries and entries[-1].type == "case_closed" else None
    key = signature.get("key") if isinstance(signature, dict) else None
    return key if isinstance(key, str) else ""


@dataclass
class ClipsSaid:
    """What the entries say of the audio clips; filled entry by entry."""

    named: dict[str, int] = field(default_factory=dict)
    """The hash of each clip that an entry names, with the first entry that does."""
    deleted: dict[str, int] = field(default_factory=dict)
    """The hash of each clip that was deleted on purpose, with the entry that says so."""
    kept: bool = True
    """Whether clips are stored at all."""

    def take(self, entry: Entry) -> None:
        """Take in the next entry."""
        if entry.type == "case_opened":
            self.kept = not entry.body.items() >= NOT_KEPT.items()
        clip = entry.body.get("clip")
        if isinstance(clip, str):
            self.named.setdefault(clip, entry.seq)
        clips = entry.body.get("clips") if entry.type == "audio_deleted" else None
        for name in clips if isinstance(clips, list) else []:
            if isinstance(name, str):
                self.deleted[name] = entry.seq

    def missed(self, name: str) -> bool:
        """Whether a named clip that is not stored should be."""
        return self.kept and name not in self.deleted


def clips_said(entries: Sequence[Entry]) -> ClipsSaid:
    """What all these entries say of their clips."""
    said = ClipsSaid()
    for entry in entries:
        said.take(entry)
    return said
