"""The playback process: sounds from standard input to one output device; tells on standard output when each sounded.

In: a header (``HEADER``: number, bytes) and mono samples at the rate that was told. Out, one JSON object a line:
``{"opened", "rate"}``, ``{"number", "start", "end"}`` when a sound begins, ``{"number", "done"}``, and
``{"error", "hint"}`` as the last one. It ends when its standard input is closed.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import struct
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from voicelog.audio.portaudio import Device, first_found, listing, load
from voicelog.errors import AudioError

HEADER = struct.Struct("<II")
"""Number of the sound; bytes of its samples."""
_RATE = 24_000
_LATENCY_S = 0.05
_STUCK_S = 1.0
_WATCH_S = 0.25


class Playback:
    """Sounds waiting, and the callback that plays them."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[int, bytes]] = deque()
        self._now: tuple[int, bytes] | None = None
        self._place = 0
        self.rate = _RATE
        """Of the device, in Hz."""
        self.channels = 1
        """Of the device; each gets the same samples."""
        self.news: queue.SimpleQueue[dict[str, float]] = queue.SimpleQueue()
        """What began and ended, for the pipe."""
        self.last_call = time.monotonic()
        """When the device last asked for samples."""
        self.stopped = threading.Event()
        """Set when the device ended the stream."""

    def add(self, number: int, samples: bytes) -> None:
        """Queue a sound (not empty)."""
        self._waiting.append((number, samples if self.channels == 1 else _doubled(samples)))

    def callback(self, out: Any, frames: int, times: Any, _status: Any) -> None:
        """Copy what is due, then zeros."""
        self.last_call = time.monotonic()
        sounds_at = self.last_call + max(0.0, times.outputBufferDacTime - times.currentTime)
        frame = 2 * self.channels
        need, filled = frames * frame, 0
        while filled < need:
            if self._now is None:
                if not self._waiting:
                    break
                self._now, self._place = self._waiting.popleft(), 0
                start = sounds_at + filled / frame / self.rate
                number, samples = self._now
                self.news.put({"number": number, "start": start, "end": start + len(samples) / frame / self.rate})
            number, samples = self._now
            piece = samples[self._place : self._place + need - filled]
            out[filled : filled + len(piece)] = piece
            filled += len(piece)
            self._place += len(piece)
            if self._place >= len(samples):
                self._now = None
                self.news.put({"number": number, "done": sounds_at + filled / frame / self.rate})
        if filled < need:
            out[filled:need] = bytes(need - filled)


def main(wishes: Sequence[str]) -> int:
    """Run on the first device meant by a wish ('' for the default)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    playback = Playback()
    try:
        _play(playback, wishes)
    except AudioError as error:
        _tell({"error": error.message, "hint": error.hint})
    except BrokenPipeError:
        return 0
    return 1


def _play(playback: Playback, wishes: Sequence[str]) -> None:
    library = load()
    device = first_found(listing(library), "output", wishes)
    stream = _opened(library, device, playback)
    threading.Thread(target=_take_in, args=(playback,), daemon=True).start()
    with stream:
        playback.last_call = time.monotonic()
        _tell({"opened": device.name, "rate": playback.rate})
        while not playback.stopped.is_set() and time.monotonic() - playback.last_call < _STUCK_S:
            try:
                _tell(playback.news.get(timeout=_WATCH_S))
            except queue.Empty:
                continue
        # Told at once, while the stream is open: closing a dead device may hang.
        _tell({"error": f"{device.name} stopped", "hint": "Plug it in again, or restart the sound system."})
        os._exit(1)


def _opened(library: Any, device: Device, playback: Playback) -> Any:
    reason = ""
    for rate, channels in ((_RATE, 1), (device.default_rate, 1), (device.default_rate, 2)):
        playback.rate, playback.channels = rate, channels
        try:
            return library.RawOutputStream(
                samplerate=rate,
                channels=channels,
                dtype="int16",
                device=device.number,
                latency=_LATENCY_S,
                callback=playback.callback,
                finished_callback=playback.stopped.set,
            )
        except library.PortAudioError as error:
            reason = error.args[0]
    raise AudioError(
        f"{device.name} cannot be opened: {reason}", "Is it in use by another program? See: voicelog doctor --audio"
    )


def _take_in(playback: Playback) -> None:
    while len(header := _read(HEADER.size)) == HEADER.size:
        number, size = HEADER.unpack(header)
        playback.add(number, _read(size))
    os._exit(0)


def _read(size: int) -> bytes:
    data = b""
    while len(data) < size and (more := os.read(0, size - len(data))):
        data += more
    return data


def _doubled(samples: bytes) -> bytes:
    return b"".join(samples[place : place + 2] * 2 for place in range(0, len(samples), 2))


def _tell(news: Mapping[str, float | str]) -> None:
    os.write(1, json.dumps(news).encode() + b"\n")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
