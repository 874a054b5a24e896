"""How much of real time a replay of each sample takes, and its peak memory."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from voicelog.audio.source import probe
from voicelog.drill.samples import NAMES, samples_dir


def main() -> None:
    """Print wall time over audio time, processor time over audio time, and memory, a sample a line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--listener", default="sphinx")
    listener = parser.parse_args().listener
    print(f"voicelog replay --listener {listener}, one process on {os.cpu_count()} cores; start included")
    for name in NAMES:
        audio = samples_dir() / f"{name}.flac"
        seconds = probe(audio).duration_s
        with tempfile.TemporaryDirectory() as directory:
            case = Path(directory) / "case.voicelog"
            command = [sys.executable, "-m", "voicelog", "replay", str(audio), "--json", "--case", str(case)]
            start = time.perf_counter()
            process = subprocess.Popen([*command, "--listener", listener], stdout=subprocess.DEVNULL)
            _, _, usage = os.wait4(process.pid, 0)
            wall = time.perf_counter() - start
        busy = usage.ru_utime + usage.ru_stime
        print(
            f"  {name:<12} {seconds:5.0f} s audio  {wall:5.1f} s  real-time factor {wall / seconds:.3f}"
            f"  processor {busy / seconds:.3f}  peak {usage.ru_maxrss / 1000:.0f} MB"
        )


if __name__ == "__main__":
    main()
