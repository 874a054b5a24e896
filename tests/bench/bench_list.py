"""How long ``voicelog list`` and ``query`` take over thousands of invented cases: a distribution over fresh processes.

Run with the repository on the Python path: ``python -m tests.bench.bench_list [CASES]``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented_cases import invented_case

RUNS = 7


def make(folder: Path, number: int) -> int:
    """One case; returns its size in bytes."""
    return invented_case(folder / f"case-{number:05}.voicelog", number).stat().st_size


def one_run(*arguments: str) -> tuple[float, float, float]:
    """Wall time in seconds, peak resident memory of the first process in MB, and processor time of all in seconds."""
    start = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-m", "voicelog", *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    assert status == 0, status
    return time.perf_counter() - start, usage.ru_maxrss / 1000, usage.ru_utime + usage.ru_stime


def report(name: str, *arguments: str, rounds: int = RUNS) -> None:
    """Print the distribution over fresh processes, the first of which is left out."""
    one_run(*arguments)
    runs = [one_run(*arguments) for _ in range(rounds)]
    times = sorted(run[0] for run in runs)
    memory = median(run[1] for run in runs)
    busy = median(run[2] for run in runs)
    print(f"  {name}: min {times[0]:.2f} s, median {median(times):.2f} s, max {times[-1]:.2f} s, ", end="")
    # What others at work on the machine stretch less.
    print(f"{busy:.2f} s of processor, {memory:.0f} MB; load {os.getloadavg()[0]:.1f}")


def main() -> None:
    """Make the cases, list them and ask about them, and print the distributions."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with ProcessPoolExecutor() as pool:
            sizes = list(pool.map(partial(make, folder), range(cases), chunksize=50))
        print(
            f"{cases} invented cases of {median(sizes) / 1000:.0f} kB (median) on {os.cpu_count()} cores, {RUNS} runs"
        )
        report("voicelog list       ", "list", name)
        report("voicelog list --json", "list", name, "--json")
        sql = "SELECT count(*) FROM utterances JOIN decisions USING (case_no, utterance)"
        report("a ready-made question", "query", name, "--name", "ventilation_to_drug", rounds=3)
        report("SQL over the words   ", "query", name, sql, rounds=3)
        for part in (cases // 4, cases // 2):
            few = folder / f"first-{part}"
            few.mkdir()
            for path in sorted(folder.glob("*.voicelog"))[:part]:
                (few / path.name).symlink_to(path)
            report(f"the first {part}", "list", str(few))


if __name__ == "__main__":
    main()
