"""The live microphone: 16 kHz blocks on one sample clock, with every deaf or lost stretch told and padded."""

from __future__ import annotations

import json
import os
import select
import subprocess
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Self

from voicelog.audio import portaudio
from voicelog.audio.capture import BLOCK, FAILED, HEADER, OPENED
from voicelog.audio.portaudio import Device as Device
from voicelog.audio.portaudio import devices as devices
from voicelog.audio.sample_line import Block as Block
from voicelog.audio.sample_line import Lost as Lost
from voicelog.audio.sample_line import Raw, SampleLine
from voicelog.audio.sample_line import Recovered as Recovered
from voicelog.errors import AudioError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SILENCE_DBFS = -96.0
"""The level told for no sound at all: the step of 16-bit samples is about as far below full scale."""
_DEAF_AFTER_S = 1.0
_FIRST_WITHIN_S = 3.0
_REOPEN_EVERY_S = 1.0
_OPEN_WITHIN_S = 5.0
_QUIET_PIPE_S = 0.25
_LEVEL_S = 0.3


@dataclass(frozen=True)
class Deaf:
    """Told once when the sound stopped; the microphone goes on trying to open the device, once a second."""

    since: float
    """``time.monotonic()`` of the last sound, in seconds."""
    reason: str
    """In words, such as "no sound from pulse for 1.0 s"."""
    at_sample: int = 0
    """Number of the first sample that is missing."""


Heard = Block | Deaf | Recovered | Lost


class Microphone:
    """The microphone as a context manager; see ``read``.

    A process of its own captures (``capture.py``), so a recogniser that is busy here delays no block, and a sound
    system that hangs is ended with it. Its queue holds what is not read yet.
    """

    def __init__(self, device: str | int | None = None, *, queue_s: float = 30.0, own_rate: bool = False) -> None:
        """Open nothing yet.

        Args:
            device: name (or part of it) or number; None for the default input.
            queue_s: how much sound is kept while nobody reads (a pipe keeps two seconds more); what comes then is
                lost and counted.
            own_rate: take the device's own rate and resample here, also where it offers 16 kHz.
        """
        self._wanted = "" if device is None else str(device)
        self._options = [str(queue_s), "own-rate" if own_rate else "as-asked"]
        self._line = SampleLine()
        self._process: subprocess.Popen[bytes] | None = None
        self._input = bytearray()
        self._ready: Iterator[Heard] = iter(())
        self._name = self._wanted or "the default input"
        self._channels = 1
        self._last_sound = self._opening_since = 0.0
        self._next_try = self._quiet_since = 0.0
        self._deaf = self._sounded = False
        self._backlog_s = 0.0
        self._tail: deque[NDArray[np.int16]] = deque()

    def __enter__(self) -> Self:
        """Open the device.

        Raises:
            AudioError: no sound library, no such device, no input, or it cannot be opened.
        """
        self._start()
        until = time.monotonic() + _OPEN_WITHIN_S
        try:
            while self._opening_since:
                message = self._receive(until - time.monotonic())
                if message is None:
                    raise AudioError(f"{self._name} does not open", "Unplug and plug it, or restart the sound system.")
                self._take(*message)
        except BaseException:
            self._stop()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the device."""
        self._stop()

    def read(self, timeout_s: float) -> Heard | None:
        """The next thing heard or noticed, in order; None when there was nothing within that many seconds.

        Blocks carry every sample from 0 on, without a hole or an overlap: after a ``Lost`` or a ``Recovered`` come
        blocks of zeros (``padding``) for exactly its samples, so a caller need not pad. A ``Deaf`` is told once, after
        a second without sound (three when it was just opened) or when the device ends; then nothing comes until
        ``Recovered``. Never raises AudioError.
        """
        until = time.monotonic() + timeout_s
        while True:
            heard = next(self._ready, None)
            if heard is not None:
                self._note(heard)
                return heard
            now = time.monotonic()
            if self._process is None and now >= self._next_try:
                self._try_again()
            wait = min(until, now + _QUIET_PIPE_S, self._next_try if self._process is None else until) - now
            self._step(max(0.0, wait))
            if time.monotonic() >= until:
                heard = next(self._ready, None)
                self._note(heard)
                return heard

    @property
    def device_name(self) -> str:
        """Name of the device that is or was last open."""
        return self._name

    @property
    def deaf(self) -> bool:
        """True between a ``Deaf`` and its ``Recovered``."""
        return self._deaf

    @property
    def level_dbfs(self) -> float:
        """RMS level of the last 0.3 s read, in dB full scale (0 is the loudest, -96.0 for silence or when deaf)."""
        import numpy as np

        if self._deaf or not self._tail:
            return SILENCE_DBFS
        return level_dbfs(np.concatenate(self._tail)[-round(_LEVEL_S * SAMPLE_RATE) :])

    @property
    def drift_s(self) -> float:
        """How far the sample clock lags behind the wall clock since the start, in seconds (negative: runs ahead).

        The least late of the blocks of the last 1.5 s counts; a single late one says nothing about the clocks. Above
        5 ms it is steered back, one sample a block.
        """
        return self._line.drift_s

    @property
    def device_drift_s(self) -> float:
        """How far the device's clock is off since the start, in seconds: what was put in (negative: taken out)."""
        return self._line.steered / SAMPLE_RATE

    @property
    def backlog_s(self) -> float:
        """Age of the newest block when it was read, in seconds: how far the reader is behind."""
        return self._backlog_s

    def monotonic_at(self, sample: int) -> float:
        """``time.monotonic()`` at which that sample was heard, in seconds; the device's own delay is not in it."""
        return (self._line.origin or self._last_sound) + sample / SAMPLE_RATE

    def sample_at(self, monotonic: float) -> int:
        """Number of the sample heard at that ``time.monotonic()``; may lie ahead of what was read."""
        return round((monotonic - self.monotonic_at(0)) * SAMPLE_RATE)

    def _start(self) -> None:
        """Open by the name it had, so that a device that got another number is found, else as was asked for."""
        wishes = [self._name, self._wanted] if self._line.origin is not None else [self._wanted]
        self._input.clear()
        self._opening_since = time.monotonic()
        self._process = portaudio.start("voicelog.audio.capture", *self._options, *wishes)

    def _try_again(self) -> None:
        try:
            self._start()
        except AudioError as error:
            self._fail(error.message)

    def _stop(self) -> None:
        if self._process is not None:
            portaudio.end(self._process)
            self._process = None

    def _step(self, timeout_s: float) -> None:
        """Take one message, or notice that none comes any more."""
        if self._process is None:
            time.sleep(timeout_s)
            return
        try:
            message = self._receive(timeout_s)
            if message is not None:
                self._quiet_since = 0.0
                self._take(*message)
                return
        except AudioError as error:
            self._fail(error.message)
            return
        now = time.monotonic()
        if self._opening_since:
            if now - self._opening_since > _OPEN_WITHIN_S:
                self._fail(f"{self._name} does not open")
            return
        self._quiet_since = self._quiet_since or now
        # After a pause of the reader the capture process needs a moment to refill the pipe: that is not silence.
        if (
            now - self._last_sound > (_DEAF_AFTER_S if self._sounded else _FIRST_WITHIN_S)
            and now - self._quiet_since >= _QUIET_PIPE_S
        ):
            self._fail(f"no sound from {self._name} for {now - self._last_sound:.1f} s")

    def _receive(self, timeout_s: float) -> tuple[bytes, float, int, bool, bytes] | None:
        """The next message of the capture process; None when there was none in time.

        Raises:
            AudioError: it ended.
        """
        assert self._process is not None
        assert self._process.stdout is not None
        pipe = self._process.stdout.fileno()
        until = time.monotonic() + timeout_s
        while True:
            if len(self._input) >= HEADER.size:
                kind, arrived, lost, overflow, size = HEADER.unpack_from(self._input)
                end = HEADER.size + size
                if len(self._input) >= end:
                    body = bytes(self._input[HEADER.size : end])
                    del self._input[:end]
                    return kind, arrived, lost, bool(overflow), body
            readable, _, _ = select.select([pipe], [], [], max(0.0, until - time.monotonic()))
            if not readable:
                return None
            more = os.read(pipe, 65536)
            if not more:
                raise AudioError(f"the capture of {self._name} ended")
            self._input += more

    def _take(self, kind: bytes, arrived: float, lost: int, overflow: bool, body: bytes) -> None:
        import numpy as np

        if kind == FAILED:
            raise AudioError(*json.loads(body))
        if kind == OPENED:
            opened = json.loads(body)
            self._name, self._channels = opened["name"], opened["channels"]
            self._opening_since, self._last_sound, self._sounded = 0.0, arrived, False
            self._line.open(opened["rate"])
        elif kind == BLOCK:
            self._last_sound, self._sounded = arrived, True
            self._backlog_s = time.monotonic() - arrived
            samples = np.frombuffer(body, dtype=np.int16).reshape(-1, self._channels)
            self._ready = self._line.feed(Raw(samples, arrived, lost, overflow))

    def _fail(self, reason: str) -> None:
        self._stop()
        self._opening_since = 0.0
        self._next_try = time.monotonic() + _REOPEN_EVERY_S
        self._line.start_at(self._last_sound)
        self._ready = self._ended(reason)

    def _ended(self, reason: str) -> Iterator[Heard]:
        yield from self._line.close()
        if not self._deaf:
            yield Deaf(self._last_sound, reason, self._line.count)

    def _note(self, heard: Heard | None) -> None:
        if isinstance(heard, Deaf):
            self._deaf = True
        elif isinstance(heard, Recovered):
            self._deaf = False
        elif isinstance(heard, Block):
            self._tail.append(heard.samples)
            while len(self._tail) > 1 and sum(map(len, list(self._tail)[1:])) >= _LEVEL_S * SAMPLE_RATE:
                self._tail.popleft()


def level_dbfs(samples: NDArray[np.int16]) -> float:
    """RMS level of 16-bit samples in dB below full scale, at least -96.0."""
    import numpy as np

    if not len(samples):
        return SILENCE_DBFS
    power = float(np.mean(np.square(samples.astype(np.float64) / 32768)))
    return max(SILENCE_DBFS, 10 * float(np.log10(power))) if power > 0 else SILENCE_DBFS
