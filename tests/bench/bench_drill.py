"""How fast drills are scored: hours of audio a minute, and how that grows with workers; see --help."""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

from voicelog.drill.make import conditions_of, make, named_script
from voicelog.drill.scoring import score_folder
from voicelog.drill.truth import Truth, drills_in
from voicelog.drill.work import Pool, workers
from voicelog.grammar.loader import load_grammar

SCRIPTS = ("calm_chest_pain", "hectic_arrest", "teens_and_tens_vitals", "alike_drugs_pain")


def main(arguments: Sequence[str] | None = None) -> int:
    """Make drills, score them from nothing with one worker and with more, print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_drill", description=__doc__)
    parser.add_argument("--drills", type=Path, help="folder of drills (default: four shipped scripts by flite voices)")
    parser.add_argument("--listeners", default="sphinx", help="recognisers, divided by commas (%(default)s)")
    parser.add_argument("--workers", default="1,2", help="numbers of workers, divided by commas (%(default)s)")
    parser.add_argument("--dask", action="store_true", help="workers of a local Dask cluster in place of processes")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as temporary:
        drills = drills_in(options.drills) if options.drills else _made(Path(temporary))
        hours = sum(truth.hours for _, truth in drills)
        print(f"{len(drills)} drills, {60 * hours:.1f} min; load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
        for listener in options.listeners.split(","):
            first = 0.0
            for number in map(int, options.workers.split(",")):
                kept = Path(temporary) / f"{listener}{number}"
                took, busy = _timed(drills, listener, number, options.dask, kept)
                rate = hours / (took / 60)
                first = first or rate
                print(
                    f"{listener}, {number} worker{'s' if number > 1 else ''}: {took:.1f} s, {rate:.3f} hours of audio a"
                    f" minute, {rate / first:.2f} times the first; {busy:.1f} s of processor time in the workers"
                )
    return 0


def _made(folder: Path) -> list[tuple[Path, Truth]]:
    (conditions,) = conditions_of(["flite-slt"], ["diesel_idle"], [20])
    for name in SCRIPTS:
        make(*named_script(name), conditions, load_grammar(), folder)
    return list(drills_in(folder))


def _timed(
    drills: Sequence[tuple[Path, Truth]], listener: str, number: int, dask: bool, kept: Path
) -> tuple[float, float]:
    """Seconds from asking to the judged results, workers started and recognisers opened within; and their processor
    time, which tells how it would scale were the cores free."""
    before = _children_s()
    with _cluster(number) if dask else workers(number) as pool:
        begun = time.perf_counter()
        score_folder(list(drills), [listener], [], pool, kept=kept)
        took = time.perf_counter() - begun
    return took, _children_s() - before


def _children_s() -> float:
    """Processor seconds of all child processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@contextmanager
def _cluster(number: int) -> Iterator[Pool]:
    from distributed import LocalCluster

    with (
        cast(Any, LocalCluster)(n_workers=number, threads_per_worker=1, dashboard_address=None) as cluster,
        workers(1, cluster.scheduler_address) as pool,
    ):
        yield pool


if __name__ == "__main__":
    raise SystemExit(main())
