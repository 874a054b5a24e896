"""A long live session over virtual devices: ``python -m tests.bench.bench_live [--minutes 30]``; prints figures.

Memory, drift between the sample clock and the wall clock, and the time from the end of speech to the start of the
read-back, measured at the virtual devices. With ``--kills 10`` it kills the program ten times and measures the loss.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from live_run import Run, running, spoken, stored
from pulse import RATE, Pulse, Recording

from voicelog.audio.clock import SampleClock
from voicelog.casefile.chain import Entry
from voicelog.casefile.store import CaseFile
from voicelog.live.case import sound_end

CALLOUTS = (
    "heart rate ninety six",
    "blood pressure one eighteen over seventy six",
    "naloxone two milligrams intranasal",
    "confirm",
    "what is due",
)
MIN_LEVEL = 400
"""Of 16-bit samples; the virtual devices are silent between words."""


def memory_mb(pid: int) -> float:
    """Resident memory of a process."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def drift_s(entries: list[Entry], file_end: int, now: datetime) -> float:
    """How far the end of the stored sound lies behind the wall clock; half a second of it is the chunk under way."""
    return (now - SampleClock(entries[0].at).at(file_end)).total_seconds()


def sound_edges(samples: NDArray[np.int16]) -> NDArray[np.bool_]:
    """For each 10 ms whether there is sound."""
    frames = samples[: len(samples) // 160 * 160].reshape(-1, 160)
    loud: NDArray[np.bool_] = np.abs(frames.astype(int)).max(axis=1) > MIN_LEVEL
    return loud


def latency_s(run: Run, text: str) -> float | None:
    """Seconds from the last sound of a callout in the microphone to the first of its answer in the loudspeaker."""
    with recorded(run.pulse, "out") as out, recorded(run.pulse, "mic") as microphone:
        run.answered(text)
    said, answered = sound_edges(microphone.samples), sound_edges(out.samples)
    if not said.any() or not answered.any():
        return None
    end = microphone.started + (int(np.flatnonzero(said)[-1]) + 1) / 100
    starts = out.started + np.flatnonzero(answered) / 100
    after = starts[starts > end]
    return float(after[0] - end) if len(after) else None


@contextmanager
def recorded(pulse: Pulse, sink: str) -> Iterator[Recording]:
    """What a virtual device plays meanwhile."""
    path = pulse.folder / f"{sink}.raw"
    command = ["parec", f"--device={sink}.monitor", "--channels=1", "--format=s16le", "--raw", "--latency-msec=20"]
    with path.open("wb") as file:
        recorder = subprocess.Popen([*command, f"--rate={RATE}"], env={**os.environ, **pulse.environment}, stdout=file)
        while path.stat().st_size == 0:
            time.sleep(0.01)
        heard = Recording(started=time.monotonic() - path.stat().st_size / 2 / RATE)
        yield heard
        recorder.terminate()
        recorder.wait()
    heard.samples = np.fromfile(path, dtype="<i2")


def soak(pulse: Pulse, minutes: float, case: Path, listener: str) -> None:
    """Speak on and on; print what was measured."""
    latencies: dict[str, list[float]] = {text: [] for text in CALLOUTS}
    memory: list[tuple[float, float]] = []
    behind: list[float] = []
    with running(pulse, "--case", str(case), "--listener", listener, "--voice", "hibari") as run:
        begin = time.monotonic()
        number = 0
        while time.monotonic() - begin < minutes * 60:
            text = CALLOUTS[number % len(CALLOUTS)]
            number += 1
            try:
                found = latency_s(run, text)
            except AssertionError as error:
                print(f"no answer to {text!r}: {str(error)[-300:]}")
                found = None
            if found is not None:
                latencies[text].append(found)
            memory.append(((time.monotonic() - begin) / 60, memory_mb(run.process.pid)))
            with CaseFile.open(case) as file:
                entries = list(file.entries())
                behind.append(drift_s(entries, sound_end(file, SampleClock(entries[0].at)), run.now()))
        slow = [line["text"] for line in run.lines if line["type"] in {"slow", "deaf", "no_sound"}]
        run.end()
        kept_up = [line["text"] for line in run.lines if line["type"] == "kept_up"]
    entries, state = stored(case)
    gaps = [entry.body for entry in entries if entry.type == "gap"]
    sound = sum(Decimal(e.body["end"]) - Decimal(e.body["start"]) for e in entries if e.type == "audio")
    print(f"{number} callouts, {len(state.utterances)} utterances, {len(state.events)} events")
    print(
        f"{float(sound):.1f} s stored in {case.stat().st_size / 1e6:.2f} MB, {len(entries)} entries, {len(gaps)} gaps"
    )
    print(f"told: {[*slow[:10], *kept_up]}")
    (early, first), (late, last) = memory[0], memory[-1]
    print(f"memory {first:.0f} MB after {early:.1f} min, {last:.0f} MB after {late:.1f} min")
    tenths = [memory[len(memory) * part // 10][1] for part in range(10)]
    print(f"memory at each tenth: {', '.join(f'{mb:.0f}' for mb in tenths)} MB")
    if len(memory) > 8:
        later = np.array(memory[len(memory) // 3 :])
        print(f"memory grows {np.polyfit(later[:, 0], later[:, 1], 1)[0]:.3f} MB a minute after the first third")
    half = len(behind) // 2
    least = min(behind[:half]), min(behind[half:])
    print(f"stored sound ends before the wall clock by {min(behind):.3f} to {max(behind):.3f} s")
    print(f"least in the first half {least[0]:.3f}, in the second {least[1]:.3f}: drift {least[1] - least[0]:+.3f} s")
    for text, row in {**latencies, "all": [one for each in latencies.values() for one in each]}.items():
        if row:
            p50, p95 = np.percentile(row, [50, 95])
            print(f"end of speech to start of read-back, {text}: p50 {p50:.2f}, p95 {p95:.2f}, most {max(row):.2f} s")


def kills(pulse: Pulse, count: int, case: Path) -> None:
    """Kill at random moments; print how much sound each cost."""
    lost = []
    before: list[str] = []
    for number in range(count):
        with running(pulse, "--resume" if number else "--case", str(case), "--listener", "sphinx") as run:
            run.play(np.concatenate([spoken(text) for text in CALLOUTS]))
            time.sleep(random.uniform(0.5, 8))
            run.kill()
            killed = run.now()
        for player in pulse.playing:
            player.kill()
        entries, _ = stored(case)
        assert [entry.hash for entry in entries[: len(before)]] == before, "something entered is gone"
        before = [entry.hash for entry in entries]
        with CaseFile.open(case) as file:
            lost.append(drift_s(entries, sound_end(file, SampleClock(entries[0].at)), killed))
    print(f"{count} kills, seconds of sound lost: {', '.join(f'{seconds:.2f}' for seconds in lost)}")


def main() -> None:
    """Read the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--listener", default="sphinx")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="p") as folder:
        pulse = Pulse(Path(folder))
        try:
            pulse.start()
            case = Path(folder) / "case.voicelog"
            if options.kills:
                kills(pulse, options.kills, case)
            else:
                soak(pulse, options.minutes, case, options.listener)
        finally:
            pulse.close()


if __name__ == "__main__":
    main()
