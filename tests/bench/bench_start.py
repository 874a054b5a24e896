"""How long ``voicelog parse`` takes from start to answer, and its peak memory: a distribution over fresh processes."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from statistics import median

RUNS = 20


def one_run() -> tuple[float, float]:
    """Wall time in seconds and peak resident memory in MB of one start."""
    start = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "voicelog", "parse", "blood pressure one eighteen over seventy six", "--json"],
        stdout=subprocess.DEVNULL,
    )
    _, _, usage = os.wait4(process.pid, 0)
    return time.perf_counter() - start, usage.ru_maxrss / 1000


def main() -> None:
    """Print the distribution."""
    one_run()
    runs = [one_run() for _ in range(RUNS)]
    times = sorted(run[0] for run in runs)
    print(f"voicelog parse, {RUNS} fresh processes on {os.cpu_count()} cores")
    print(f"  start to answer: min {times[0]:.2f} s, median {median(times):.2f} s, max {times[-1]:.2f} s")
    print(f"  peak memory:     median {median(run[1] for run in runs):.0f} MB")


if __name__ == "__main__":
    main()
