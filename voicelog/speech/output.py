"""One opened output device: plays a sound to its end and says when it sounded."""

from __future__ import annotations

import json
import os
import select
import time
from typing import TYPE_CHECKING, Any

from voicelog.audio import portaudio
from voicelog.errors import AudioError
from voicelog.speech.playback import HEADER

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_OPEN_WITHIN_S = 5.0
_LATE_S = 3.0
_HINT = "Unplug and plug it, or restart the sound system."


class Output:
    """The playback process; every method but ``close`` raises AudioError when it ended or the device did."""

    def __init__(self, device: str | int | None) -> None:
        """Open the device.

        Raises:
            AudioError: no sound library, no such device, no output, or it cannot be opened.
        """
        self._input = b""
        self._number = 0
        self._process = portaudio.start("voicelog.speech.playback", "" if device is None else str(device))
        try:
            opened = self._next(_OPEN_WITHIN_S)
            if opened is None:
                raise AudioError("the sound output does not open", _HINT)
        except BaseException:
            self.close()
            raise
        self.name: str = opened["opened"]
        """Name of the device."""
        self.rate: int = opened["rate"]
        """Hz it plays at; the sounds are resampled to it here."""

    def begin(self, samples: NDArray[np.int16], rate: int) -> tuple[float, float]:
        """Play mono samples (at least one); returns the start and the expected end by ``time.monotonic()``."""
        import numpy as np

        if rate != self.rate:
            import soxr

            samples = np.asarray(soxr.resample(samples, rate, self.rate), dtype=np.int16)
        self._number += 1
        data = samples.tobytes()
        self._write(HEADER.pack(self._number, len(data)) + data)
        news = self._await("start", _LATE_S)
        return float(news["start"]), float(news["end"])

    def finish(self, expected_end: float) -> float:
        """Wait for the end of the sound that was begun; returns it by ``time.monotonic()``."""
        end = float(self._await("done", expected_end - time.monotonic() + _LATE_S)["done"])
        time.sleep(max(0.0, end - time.monotonic()))
        return end

    def check(self) -> None:
        """Notice that the device ended while nothing was played."""
        self._next(0.0)

    def close(self) -> None:
        """End it at once, whatever sounds."""
        portaudio.end(self._process)

    def _write(self, data: bytes) -> None:
        assert self._process.stdin is not None
        try:
            while data:
                data = data[os.write(self._process.stdin.fileno(), data) :]
        except OSError as error:
            self._next(0.0)
            raise AudioError("the sound output ended", _HINT) from error

    def _await(self, key: str, timeout_s: float) -> dict[str, Any]:
        until = time.monotonic() + timeout_s
        while True:
            news = self._next(until - time.monotonic())
            if news is None:
                raise AudioError(f"{self.name} does not play", _HINT)
            if news.get("number") == self._number and key in news:
                return news

    def _next(self, timeout_s: float) -> dict[str, Any] | None:
        assert self._process.stdout is not None
        pipe = self._process.stdout.fileno()
        until = time.monotonic() + timeout_s
        while b"\n" not in self._input:
            readable, _, _ = select.select([pipe], [], [], max(0.0, until - time.monotonic()))
            if not readable:
                return None
            more = os.read(pipe, 65536)
            if not more:
                raise AudioError("the sound output ended", _HINT)
            self._input += more
        line, _, self._input = self._input.partition(b"\n")
        news: dict[str, Any] = json.loads(line)
        if "error" in news:
            raise AudioError(news["error"], news["hint"])
        return news
