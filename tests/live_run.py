"""A live session of the real program, in real time: what is played into the virtual microphone, and what it tells."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pulse import RATE, Pulse

from voicelog.casefile.chain import Entry
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.drill.voices import voice

PROGRAM = str(Path(sys.executable).with_name("voicelog"))
ANSWER_S = 30.0
"""Longest a step may take on a slow machine before the test gives up, seconds."""

SPHINX = ("--listener", "sphinx", "--voice", "hibari")
"""Options that every machine with the tests' packages can meet."""

Line = dict[str, Any]


@cache
def spoken(text: str, name: str = "hibari") -> NDArray[np.int16]:
    """The words in a synthetic voice at 16 kHz, with a third of a second of silence around them."""
    import soxr

    samples, rate = voice(name).synthesise(text, 1.0)
    signal_ = soxr.resample(np.asarray(samples, dtype=np.float64), rate, RATE)
    signal_ = 0.3 * signal_ / np.abs(signal_).max()
    edge = np.zeros(RATE // 3)
    return np.round(np.concatenate([edge, signal_, edge]) * 32767).astype(np.int16)


class Run:
    """One run of ``voicelog listen --json``."""

    def __init__(self, pulse: Pulse, *options: str, before: Sequence[str] = ()) -> None:
        command = [*before, PROGRAM, "listen", "--json", *options]
        self.pulse = pulse
        self.lines: list[Line] = []
        """All that was told so far."""
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, **pulse.environment}
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append({**json.loads(line), "monotonic": time.monotonic()})

    def until(self, found: Callable[[Line], bool], *, after: int = 0, within_s: float = ANSWER_S) -> Line:
        """The first line told after so many that is meant; waits for it."""
        end = time.monotonic() + within_s
        while True:
            line = next((line for line in self.lines[after:] if found(line)), None)
            if line is not None:
                return line
            if time.monotonic() > end or (self.process.poll() is not None and not self._reader.is_alive()):
                raise AssertionError(f"not told; {self.process.poll()=}, told: {self.told}, {self.complaint()}")
            time.sleep(0.02)

    def listening(self) -> Run:
        """Wait until it listens."""
        self.until(lambda line: line["type"] == "listening")
        return self

    def say(self, text: str, name: str = "hibari", *, wait: bool = True) -> Line | None:
        """Say it into the microphone; unless told not to wait, returns the last thing voicelog says to it."""
        before = len(self.lines)
        self.play(spoken(text, name))
        if not wait:
            return None
        line = self.until(lambda line: line["type"] == "utterance", after=before)
        for _ in range(25):
            time.sleep(0.02)
            said = [one for one in self.lines[before:] if one["type"] in {"read_back", "question", "not_understood"}]
            if said:
                return said[-1]
        return line

    def play(self, samples: NDArray[np.int16]) -> None:
        """Into the virtual microphone, with a deep buffer."""
        self.pulse.play(samples, latency_ms=2000)

    def answered(self, text: str, name: str = "hibari") -> None:
        """Say it and wait until the answer has sounded to its end."""
        before = len(self.lines)
        self.say(text, name)
        self.until(lambda line: line["type"] == "spoken", after=before)
        time.sleep(0.4)

    def say_unrecorded(self, text: str) -> None:
        """Say it while nothing can be recorded."""
        before = len(self.lines)
        self.play(spoken(text))
        self.until(lambda line: line["type"] == "not_recorded", after=before)

    def limit(self, size: int) -> None:
        """How large a file of the program may become, in bytes: a full disk, or one with room again."""
        subprocess.run(["prlimit", f"--fsize={size}:unlimited", "--pid", str(self.process.pid)], check=True)

    @staticmethod
    def now() -> datetime:
        """The wall clock."""
        return datetime.now(UTC)

    @property
    def told(self) -> list[str]:
        """The lines in short."""
        keys = ("words", "text", "reason", "status", "basis")
        return [f"{line['type']}: {', '.join(str(line[key]) for key in keys if line.get(key))}" for line in self.lines]

    def kill(self) -> None:
        """SIGKILL."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal; returns the exit code."""
        self.process.send_signal(number)
        code = self.process.wait(60)
        self._reader.join(5)
        return code

    def complaint(self) -> str:
        """What it wrote to standard error, once it has ended."""
        if self.process.poll() is None or self.process.stderr is None:
            return ""
        return self.process.stderr.read().decode()[-1500:]


@contextmanager
def running(pulse: Pulse, *options: str, before: Sequence[str] = ()) -> Iterator[Run]:
    """A run that is killed at the end, if it has not ended; ``before`` are words before its command, such as env."""
    run = Run(pulse, *options, before=before)
    try:
        yield run.listening()
    finally:
        if run.process.poll() is None:
            run.kill()


def stored(path: Path) -> tuple[list[Entry], CaseState]:
    """The entries of a case file that must be whole, and its state."""
    with CaseFile.open(path) as case:
        assert case.problems() == []
        entries = list(case.entries())
    return entries, fold(entries)
