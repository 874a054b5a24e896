"""A case as JSON lines, nothing lost, and the way back: a line each for the case, every entry and every audio clip."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from voicelog import __version__
from voicelog.casefile.canonical import canonical_json, parse_canonical
from voicelog.casefile.chain import FIRST_PREVIOUS, Entry, clip_hash, entry_hash
from voicelog.casefile.closing import clips_said, closing_fits, misplaced
from voicelog.exports.source import ExportError

FORMAT = 1
"""The version of the lines."""
_HINT = "Export the case again; nothing was imported."
_KEYS = {
    "case": {"line", "format", "case", "head", "entries", "clips", "audio", "grammar_hash", "exported_with"},
    "entry": {"line", "seq", "at", "type", "body", "previous", "hash"},
    "clip": {"line", "hash", "flac"},
}


@dataclass(frozen=True)
class ImportedCase:
    """What the lines of one case hold, every hash checked."""

    entries: tuple[Entry, ...]
    """Every entry, in order; at least one."""
    clips: tuple[bytes, ...]
    """Every audio clip, as FLAC."""
    without_audio: tuple[str, ...]
    """The hashes of clips that entries name and the lines do not hold."""


def named_clips(entries: Sequence[Entry]) -> list[str]:
    """The hashes of the clips that entries name, each once, in order."""
    found = (entry.body.get("clip") for entry in entries)
    return list(dict.fromkeys(name for name in found if isinstance(name, str)))


def jsonl_lines(name: str, entries: Sequence[Entry], clip: Callable[[str], bytes] | None) -> Iterator[str]:
    """Every line, ended by a newline.

    Args:
        name: of the case file.
        entries: every entry, in order; at least one.
        clip: gives the FLAC bytes of a hash; None leaves the audio out.

    Raises:
        CaseFileError: ``clip`` has no such clip.
    """
    said = clips_said(entries)
    names = [name for name in named_clips(entries) if said.missed(name)] if clip else []
    yield _line(
        {
            "line": "case",
            "format": FORMAT,
            "case": name,
            "head": entries[-1].hash,
            "entries": len(entries),
            "clips": len(names),
            "audio": clip is not None,
            "grammar_hash": str(entries[0].body.get("grammar_hash") or "unknown"),
            "exported_with": __version__,
        }
    )
    for entry in entries:
        fields = {name: getattr(entry, name) for name in ("seq", "at", "type", "body", "previous", "hash")}
        yield _line({"line": "entry", **fields})
    for hashed in names:
        flac = clip(hashed) if clip else b""
        yield _line({"line": "clip", "hash": hashed, "flac": base64.b64encode(flac).decode("ascii")})


def read_jsonl(data: bytes, source: str) -> ImportedCase:
    """The case that lines hold.

    Args:
        data: the whole file.
        source: its name, for messages.

    Raises:
        ExportError: a line was changed, removed, added or moved; names the line.
    """
    reading = _Reading(source)
    lines = data.split(b"\n")
    if lines and not lines[-1]:
        lines.pop()
    for number, line in enumerate(lines, start=1):
        try:
            reading.take(number, line)
        except ValueError as error:
            raise ExportError(f"{source} line {number}: {error}.", _HINT) from error
    return reading.whole(len(lines))


def _line(fields: dict[str, Any]) -> str:
    return canonical_json(fields) + "\n"


class _Reading:
    """The lines taken so far; ``take`` raises ValueError for one that does not follow."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.case: dict[str, Any] = {}
        self.entries: list[Entry] = []
        self.clips: dict[str, bytes] = {}
        self.named: frozenset[str] = frozenset()

    def take(self, number: int, line: bytes) -> None:
        try:
            fields = parse_canonical(line.decode("utf-8"))
        except UnicodeDecodeError as error:
            raise ValueError("not UTF-8 text") from error
        kind = fields.get("line") if isinstance(fields, dict) else None
        if not isinstance(kind, str) or kind not in _KEYS or set(fields) != _KEYS[kind]:
            raise ValueError("not a line that voicelog wrote")
        if (kind == "case") != (number == 1):
            raise ValueError("the line of the case stands first, and only there")
        {"case": self._case, "entry": self._entry, "clip": self._clip}[kind](fields)

    def _case(self, fields: dict[str, Any]) -> None:
        if fields["format"] != FORMAT or isinstance(fields["format"], bool):
            raise ValueError(f"its format is {fields['format']!r}, this voicelog reads {FORMAT}")
        if not isinstance(fields["head"], str) or not all(_is_count(fields[name]) for name in ("entries", "clips")):
            raise ValueError("its head or its counts are not what voicelog writes")
        self.case = fields

    def _entry(self, fields: dict[str, Any]) -> None:
        if self.clips:
            raise ValueError("an entry stands behind the audio clips")
        entry = _entry_of(fields)
        expected = len(self.entries) + 1
        if entry.seq != expected:
            raise ValueError(f"entry {entry.seq} stands where entry {expected} should")
        if entry.previous != (self.entries[-1].hash if self.entries else FIRST_PREVIOUS):
            raise ValueError(f"entry {entry.seq} does not follow from the entry before it")
        if entry_hash(entry.seq, entry.at, entry.type, entry.body, entry.previous) != entry.hash:
            raise ValueError(f"entry {entry.seq} was changed: its hash does not fit what it says")
        closed_by = self.entries[-1].seq if self.entries and self.entries[-1].type == "case_closed" else 0
        if (entry.type == "case_opened") != (entry.seq == 1) or misplaced(entry.type, closed_by):
            raise ValueError(f"entry {entry.seq} of type {entry.type!r} cannot stand at this place")
        if entry.type == "case_closed" and not closing_fits(entry):
            raise ValueError("the closing entry does not fit the entries before it")
        self.entries.append(entry)

    def _clip(self, fields: dict[str, Any]) -> None:
        name, text = fields["hash"], fields["flac"]
        if not isinstance(name, str) or not isinstance(text, str):
            raise ValueError("not a line that voicelog wrote")
        try:
            flac = base64.b64decode(text, validate=True)
        except (binascii.Error, ValueError) as error:
            raise ValueError("the audio is not base64") from error
        if clip_hash(flac) != name:
            raise ValueError(f"the audio clip {name[:12]} was replaced: its hash does not fit its audio")
        if not self.clips:
            self.named = frozenset(named_clips(self.entries))
        if name in self.clips or name not in self.named:
            raise ValueError(f"no entry names the audio clip {name[:12]}, or it stands twice")
        self.clips[name] = flac

    def whole(self, lines: int) -> ImportedCase:
        """What was read, if nothing of it is missing."""
        case, entries = self.case, self.entries
        if not case or not entries:
            raise ExportError(f"{self.source} holds no case.", "Name a file that `voicelog export --to jsonl` made.")
        if (len(entries), entries[-1].hash, len(self.clips)) != (case["entries"], case["head"], case["clips"]):
            found = f"{len(entries)} entries and {len(self.clips)} clips"
            counted = f"{case['entries']} and {case['clips']}"
            raise ExportError(f"{self.source} ends too soon after line {lines}: {found}, not {counted}.", _HINT)
        said = clips_said(entries)
        missing = tuple(name for name in said.named if name not in self.clips and said.missed(name))
        if missing and case["audio"] is not False:
            raise ExportError(f"{self.source} line 1: says it has the audio, but {len(missing)} clips lack.", _HINT)
        return ImportedCase(tuple(entries), tuple(self.clips.values()), missing)


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _entry_of(fields: dict[str, Any]) -> Entry:
    texts = ("at", "type", "previous", "hash")
    if not (
        _is_count(fields["seq"])
        and isinstance(fields["body"], dict)
        and all(isinstance(fields[name], str) for name in texts)
    ):
        raise ValueError("not an entry that voicelog wrote")
    moment = datetime.fromisoformat(fields["at"])
    if moment.utcoffset() is None or moment.isoformat() != fields["at"]:
        raise ValueError(f"its time {fields['at']!r} is not in the form voicelog writes")
    return Entry(fields["seq"], moment, fields["type"], fields["body"], fields["previous"], fields["hash"])
