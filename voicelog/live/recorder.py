"""Writes every sample to the case file as it comes, and holds it while the disk refuses."""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.errors import CaseFileError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.audio.clock import SampleClock
    from voicelog.casefile.store import CaseFile

CHUNK_SAMPLES = SAMPLE_RATE // 2
"""Sound is written in pieces of half a second, so that a crash loses little; while the machine is busy, of a second."""
RETRY_S = 2.0
"""How often a disk that refused is tried again."""
HELD_MOST = 7200
"""Pieces held while the disk refuses: an hour, some 25 MB."""
_AT_ONCE = 100


class Recorder:
    """Chunks of sound, and other entries that need no answer, on their way to the disk."""

    def __init__(self, case: CaseFile, clock: SampleClock) -> None:
        self.failure: CaseFileError | None = None
        """Why nothing can be written now; None while all is well."""
        self._case, self._clock = case, clock
        self._pieces: list[NDArray[np.int16]] = []
        self._start = self._end = 0
        self._held: deque[tuple[EntryDraft, bytes | None]] = deque()
        self._lost: EntryDraft | None = None
        self._next_try = 0.0

    @property
    def end(self) -> int:
        """Number of the first sample that was not given yet."""
        return self._end

    def sound(self, samples: NDArray[np.int16], start: int) -> None:
        """Take the next samples; a hole before them ends the piece under way."""
        if start != self._end:
            self._cut()
            self._start = start
        self._pieces.append(samples)
        self._end = start + len(samples)
        if self._end - self._start >= CHUNK_SAMPLES:
            self._cut()
            self.write()

    def enter(self, draft: EntryDraft) -> None:
        """Write an entry, now or as soon as the disk takes it."""
        self._held.append((draft, None))
        self.write()

    def write(self, *, at_once: bool = False) -> None:
        """Write what is complete, unless the disk refused less than 2 s ago.

        Args:
            at_once: try in any case, with the piece under way.
        """
        if at_once:
            self._cut()
        if not self._held or (self.failure and not at_once and time.monotonic() < self._next_try):
            return
        try:
            if self._lost:
                self._case.append([self._lost])
                self._lost = None
            while self._held:
                some = list(self._held)[:_AT_ONCE]
                self._case.append([draft for draft, _ in some], [clip for _, clip in some if clip is not None])
                for _ in some:
                    self._held.popleft()
        except CaseFileError as error:
            self.refused(error)
        else:
            self.failure = None

    def refused(self, error: CaseFileError) -> None:
        """Note that the disk refused, also when somebody else tried."""
        self.failure = error
        self._next_try = time.monotonic() + RETRY_S

    def _cut(self) -> None:
        import numpy as np

        from voicelog.audio.flac import encode_flac

        if not self._pieces:
            self._start = self._end
            return
        samples = np.concatenate(self._pieces)
        for place in range(0, len(samples), SAMPLE_RATE):
            piece = samples[place : place + SAMPLE_RATE]
            flac = encode_flac(piece)
            first = self._start + place
            start, end = self._clock.seconds(first), self._clock.seconds(first + len(piece))
            body = {"start": start, "end": end, "clip": clip_hash(flac)}
            self._held.append((EntryDraft("audio", body, self._clock.at(first)), flac))
        self._pieces, self._start = [], self._end
        self._drop_oldest()

    def _drop_oldest(self) -> None:
        """The memory has an end; what goes is told by one entry, once the disk takes entries again."""
        while len(self._held) > HELD_MOST:
            place = next(place for place, (_, clip) in enumerate(self._held) if clip is not None)
            oldest, _ = self._held[place]
            del self._held[place]
            start = self._lost.body["start"] if self._lost else oldest.body["start"]
            body = {"start": start, "end": oldest.body["end"], "reason": "the disk refused and the memory was full"}
            self._lost = EntryDraft("gap", body, self._lost.at if self._lost else oldest.at)
