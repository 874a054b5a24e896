"""The capture process: one input device to standard output, block by block, each with the time it arrived.

A message is a header (``HEADER``) and a body: kind ``O`` opened (JSON), ``B`` block (samples of the device), ``E``
failed (JSON; the last one). It ends when its standard input is closed.
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
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from voicelog.audio.portaudio import Device, first_found, listing, load
from voicelog.errors import AudioError
from voicelog.recognisers.base import SAMPLE_RATE

HEADER = struct.Struct("<cdIBI")
"""Kind; ``time.monotonic()`` of arrival; frames lost just before; 1 when the device overflowed; bytes of the body."""
OPENED, BLOCK, FAILED = b"O", b"B", b"E"
_LATENCY_S = 0.1
_WATCH_S = 0.25

Message = tuple[bytes, float, int, bool, bytes]


class Capture:
    """Queue between the callback, which only copies, and the pipe."""

    def __init__(self, queue_s: float) -> None:
        self._queue: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._queue_s = queue_s
        self._put = self._got = self._lost = 0
        self.rate = SAMPLE_RATE
        """Of the device, in Hz; to be set before the stream starts."""
        self.stopped = threading.Event()
        """Set when the device ended the stream."""

    def callback(self, samples: Any, frames: int, _times: Any, status: Any) -> None:
        """Copy and queue; what does not fit is counted and told with the next block that does."""
        # Each counter is written by one thread only, so no lock can make the device wait.
        if self._put + frames - self._got > self._queue_s * self.rate:
            self._lost += frames
            return
        self._queue.put((BLOCK, time.monotonic(), self._lost, bool(status.input_overflow), bytes(samples)))
        self._put += frames
        self._lost = 0

    def next(self, channels: int) -> Message | None:
        """The next block; None when there was none for a quarter of a second."""
        try:
            message = self._queue.get(timeout=_WATCH_S)
        except queue.Empty:
            return None
        self._got += len(message[4]) // (2 * channels)
        return message


def main(arguments: Sequence[str]) -> int:
    """Run with ``--list``, or with the queue's seconds, ``as-asked`` or ``own-rate``, and devices ('' default)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if list(arguments) == ["--list"]:
        return _list()
    threading.Thread(target=_end_with_parent, daemon=True).start()
    queue_s, rate, *wishes = arguments
    try:
        _capture(float(queue_s), rate == "own-rate", wishes)
    except AudioError as error:
        _send((FAILED, time.monotonic(), 0, False, json.dumps([error.message, error.hint]).encode()))
    except BrokenPipeError:
        return 0
    return 1


def _list() -> int:
    try:
        answer: dict[str, Any] = {"devices": [asdict(device) for device in listing(load())]}
    except AudioError as error:
        answer = {"error": error.message, "hint": error.hint}
    os.write(1, json.dumps(answer).encode())
    return 0


def _capture(queue_s: float, own_rate: bool, wishes: Sequence[str]) -> None:
    library = load()
    device = first_found(listing(library), "input", wishes)
    capture = Capture(queue_s)
    stream, rate, channels = _opened(library, device, own_rate, capture)
    opened = {"name": device.name, "number": device.number, "rate": rate, "channels": channels}
    _send((OPENED, time.monotonic(), 0, False, json.dumps(opened).encode()))
    with stream:
        while True:
            message = capture.next(channels)
            if message is not None:
                _send(message)
            elif capture.stopped.is_set():
                raise AudioError(f"{device.name} stopped", "Plug it in again, or restart the sound system.")


def _opened(library: Any, device: Device, own_rate: bool, capture: Capture) -> tuple[Any, int, int]:
    formats = [(SAMPLE_RATE, 1), (device.default_rate, 1), (device.default_rate, min(2, device.inputs))]
    reason = ""
    for rate, channels in formats[1:] if own_rate else formats:
        capture.rate = rate
        try:
            stream = library.RawInputStream(
                samplerate=rate,
                channels=channels,
                dtype="int16",
                device=device.number,
                latency=_LATENCY_S,
                callback=capture.callback,
                finished_callback=capture.stopped.set,
            )
        except library.PortAudioError as error:
            reason = error.args[0]
            continue
        return stream, rate, channels
    raise AudioError(
        f"{device.name} cannot be opened: {reason}", "Is it in use by another program? See: voicelog doctor --audio"
    )


def _send(message: Message) -> None:
    *head, body = message
    data = HEADER.pack(*head, len(body)) + body
    while data:
        data = data[os.write(1, data) :]


def _end_with_parent() -> None:
    while os.read(0, 1024):
        pass
    os._exit(0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
