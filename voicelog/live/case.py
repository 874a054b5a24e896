"""The case file of a live session, with what the board needs of it kept at hand; made new, or one that goes on."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.casefile.chain import Entry, EntryDraft
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.audio.clock import SampleClock


class LiveCase(CaseFile):
    """A case file that keeps its entries, all but those of the sound, so that a long case is not read again."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        lock: int | None = None,
        frozen: tuple[int, ...] | None = None,
    ) -> None:
        super().__init__(path, connection, lock, frozen)
        self.kept: list[Entry] = []
        """In order."""

    def append(self, drafts: Sequence[EntryDraft], clips: Sequence[bytes] = ()) -> list[Entry]:
        """As ``CaseFile.append``."""
        entries = super().append(drafts, clips)
        self.kept += [entry for entry in entries if entry.type != "audio"]
        return entries

    def close_case(self, at: datetime) -> Entry:
        """As ``CaseFile.close_case``."""
        entry = super().close_case(at)
        self.kept.append(entry)
        return entry

    @property
    def state(self) -> CaseState:
        """Where the case stands."""
        return fold(self.kept)

    @property
    def utterances(self) -> int:
        """How many were entered."""
        return sum(entry.type == "utterance" for entry in self.kept)


def go_on(path: str | os.PathLike[str]) -> LiveCase:
    """Open a case that was broken off, for writing.

    Raises:
        CaseFileError: it is closed, damaged, being written, or no case file.
    """
    case = LiveCase.open(path, write=True)
    assert isinstance(case, LiveCase)
    try:
        case.kept = [entry for entry in case.entries() if entry.type != "audio"]
        if case.state.closed:
            raise CaseFileError("This case was closed and cannot go on.", "Begin a new one: voicelog listen")
        problems = case.problems()
        if problems:
            hint = "See all of it with `voicelog audit`, and begin a new case: voicelog listen"
            raise CaseFileError(f"This case is damaged and cannot go on: {problems[0]}", hint)
    except BaseException:
        case.close()
        raise
    return case


def sound_end(case: CaseFile, clock: SampleClock) -> int:
    """The number of the first sample after all the sound that the case holds."""
    ends = [_sample(entry, "end", clock) for entry in case.entries() if entry.type in {"audio", "gap", "utterance"}]
    return max(ends, default=0)


def unheard(case: CaseFile, clock: SampleClock) -> Iterator[tuple[int, NDArray[np.int16]]]:
    """The sound that was stored and is in no utterance yet, after the last one: sample number and samples, in order.

    A case that keeps no audio has none: what was said just before it was broken off cannot be heard again.
    """
    from voicelog.audio.flac import decode_flac

    if not case.keeps_audio:
        return
    entries = [entry for entry in case.entries() if entry.type in {"audio", "utterance"}]
    heard = max((_sample(entry, "end", clock) for entry in entries if entry.type == "utterance"), default=0)
    sound = [entry for entry in entries if entry.type == "audio" and _sample(entry, "end", clock) > heard]
    for entry in sorted(sound, key=lambda one: _sample(one, "start", clock)):
        start = _sample(entry, "start", clock)
        samples = decode_flac(case.clip(entry.body["clip"]))
        skipped = max(0, heard - start)
        if len(samples) > skipped:
            yield start + skipped, samples[skipped:]


def _sample(entry: Entry, key: str, clock: SampleClock) -> int:
    value = entry.body[key]
    return 0 if value is None else round(Decimal(value) * clock.rate)
