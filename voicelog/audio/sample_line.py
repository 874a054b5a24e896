"""One sample clock from what a device gives: resampled, holes found by the wall clock and filled; no device here."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_WINDOW_S = 1.5
"""Blocks come late at times but never early: the least late of this many seconds tells the clock."""
_JUMP_S = 0.06
_JUMP_AFTER_OVERFLOW_S = 0.02
_STEER_S = 0.005
_STEER_SAMPLES = 64
_SETTLE_S = 0.3
_PIECE = SAMPLE_RATE


@dataclass(frozen=True)
class Block:
    """Sound: blocks follow each other without a hole or an overlap, from sample 0 on."""

    samples: NDArray[np.int16]
    """Mono at 16 kHz, shape (n,), n >= 1 and at most a second or what the device gave at once."""
    start_sample: int
    """Number of its first sample; always the end of the block before."""
    padding: bool = False
    """True for zeros that stand for sound that was lost or never heard."""


@dataclass(frozen=True)
class Recovered:
    """The sound is back; blocks of padding follow for exactly the missed samples, then sound."""

    samples_missed: int
    """Samples at 16 kHz between the last sound and the first new one, by the wall clock."""
    seconds: float
    """The same in seconds."""
    at_sample: int = 0
    """Number of the first missed sample, as in ``Deaf``."""


@dataclass(frozen=True)
class Lost:
    """Sound was dropped (queue full, or the device overflowed); blocks of padding follow for exactly that many.

    From a full queue the place is exact. Where the device dropped it, the wall clock tells how much, and the place is
    up to two seconds late.
    """

    samples: int
    """How many, at 16 kHz."""
    at_sample: int
    """Number of the first one."""


Heard = Block | Recovered | Lost


@dataclass(frozen=True)
class Raw:
    """One block as the device gave it."""

    samples: NDArray[np.int16]
    """Frames by channels, shape (n, channels)."""
    arrived: float
    """``time.monotonic()`` when it was complete."""
    lost_before: int = 0
    """Frames dropped between the block before and this one."""
    overflow: bool = False
    """True when the device dropped an unknown number of frames."""


class SampleLine:
    """Counts samples from 0; each ``feed`` must be iterated to its end before the next call."""

    def __init__(self) -> None:
        self.count = 0
        """Number of the next sample to be given out."""
        self.origin: float | None = None
        """``time.monotonic()`` of sample 0, once there was sound."""
        self.drift_s = 0.0
        """How far the sample clock lags behind the wall clock, over the last 1.5 s."""
        self.steered = 0
        """Samples put in (negative: taken out) one at a time to stay with the wall clock: the device's own drift."""
        self._rate = SAMPLE_RATE
        self._resampler: Any = None
        self._base = 0
        self._frames = 0
        self._steer = 0
        self._late: deque[tuple[float, float]] = deque()
        self._suspect = False
        self._held: list[Raw] | None = None

    def open(self, rate: int) -> None:
        """A device begins, with that rate in Hz; after a deaf stretch its first 0.3 s are held to find their time."""
        self._rate, self._base, self._frames = rate, self.count, 0
        self._resampler = None
        self._late.clear()
        self._suspect, self._steer = False, 0
        self._held = None if self.origin is None else []

    def close(self) -> Iterator[Heard]:
        """The device ended: the rest of its sound. What was still held is part of the deaf stretch."""
        self._held = None
        yield from self._flush()

    def start_at(self, origin: float) -> None:
        """Let sample 0 be at that ``time.monotonic()``, for a device that was deaf from the start."""
        if self.origin is None:
            self.origin = origin

    def feed(self, raw: Raw) -> Iterator[Heard]:
        """What the block brings, in order."""
        if self._held is not None:
            self._held.append(raw)
            if sum(len(one.samples) for one in self._held) >= _SETTLE_S * self._rate:
                held, self._held = self._held, None
                yield from self._recover(held)
            return
        if raw.lost_before:
            yield from self._flush()
            self._frames += raw.lost_before
            yield from self._lose(self._position() - self.count)
        yield from self._sound(raw.samples)
        late = raw.arrived - self._position() / SAMPLE_RATE
        yield from self._compare(raw, late)

    def _recover(self, held: list[Raw]) -> Iterator[Heard]:
        frames = 0
        starts = []
        for raw in held:
            frames += raw.lost_before + len(raw.samples)
            starts.append(raw.arrived - frames / self._rate)
        assert self.origin is not None
        missed = max(0, round((min(starts) - self.origin) * SAMPLE_RATE) - self.count)
        yield Recovered(missed, missed / SAMPLE_RATE, self.count)
        yield from self._pad(missed)
        self._base = self.count
        for raw in held:
            yield from self.feed(raw)

    def _compare(self, raw: Raw, late: float) -> Iterator[Heard]:
        self._suspect = self._suspect or raw.overflow
        self._late.append((raw.arrived, late))
        while raw.arrived - self._late[0][0] > _WINDOW_S:
            self._late.popleft()
        least = min(value for _, value in self._late)
        if self.origin is None or self.count <= _WINDOW_S * SAMPLE_RATE:
            self.origin = least if self.origin is None else min(self.origin, least)
            return
        self.drift_s = least - self.origin
        self._steer = 0
        if raw.arrived - self._late[0][0] < 0.9 * _WINDOW_S:
            return
        jump = self.drift_s
        if jump > (_JUMP_AFTER_OVERFLOW_S if self._suspect else _JUMP_S):
            yield from self._flush()
            self._base += round(jump * SAMPLE_RATE)
            self._late.clear()
            self._suspect, self.drift_s = False, 0.0
            yield from self._lose(self._position() - self.count)
        elif abs(jump) > _STEER_S:
            # A device's clock is some ten parts in a million off, a second in twelve hours. One sample more or less in
            # a block of hundreds is not heard, and keeps the two clocks together.
            self._steer = 1 if jump > 0 else -1

    def _position(self) -> int:
        return self._base + round(self._frames * SAMPLE_RATE / self._rate)

    def _sound(self, samples: NDArray[np.int16]) -> Iterator[Block]:
        mono = _mono(samples)
        self._frames += len(mono)
        if self._rate != SAMPLE_RATE:
            if self._resampler is None:
                import soxr

                self._resampler = soxr.ResampleStream(self._rate, SAMPLE_RATE, 1, dtype="int16")
            mono = self._resampler.resample_chunk(mono)
        if self._steer and len(mono) >= _STEER_SAMPLES:
            mono = _stretched(mono, len(mono) + self._steer)
            self._base += self._steer
            self.steered += self._steer
        yield from self._block(mono)

    def _flush(self) -> Iterator[Block]:
        """The resampler's rest; after it the count is what the wall clock says, to a sample."""
        import numpy as np

        if self._resampler is None:
            return
        rest = self._resampler.resample_chunk(np.zeros(0, dtype=np.int16), last=True)
        self._resampler = None
        yield from self._block(rest[: max(0, self._position() - self.count)])

    def _block(self, samples: NDArray[np.int16]) -> Iterator[Block]:
        if len(samples):
            start = self.count
            self.count += len(samples)
            yield Block(samples, start)

    def _lose(self, samples: int) -> Iterator[Heard]:
        if samples > 0:
            yield Lost(samples, self.count)
            yield from self._pad(samples)

    def _pad(self, samples: int) -> Iterator[Block]:
        import numpy as np

        while samples > 0:
            piece = min(samples, _PIECE)
            start = self.count
            self.count += piece
            samples -= piece
            yield Block(np.zeros(piece, dtype=np.int16), start, padding=True)


def _mono(samples: NDArray[np.int16]) -> NDArray[np.int16]:
    import numpy as np

    if samples.shape[1] == 1:
        return samples[:, 0]
    mixed: NDArray[np.int16] = np.round(samples.mean(axis=1)).astype(np.int16)
    return mixed


def _stretched(samples: NDArray[np.int16], size: int) -> NDArray[np.int16]:
    import numpy as np

    places = np.linspace(0, len(samples) - 1, size)
    return np.round(np.interp(places, np.arange(len(samples)), samples)).astype(np.int16)
