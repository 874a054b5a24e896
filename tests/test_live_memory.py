"""Memory that is free goes back to the system."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

from voicelog.live.memory import give_back


def resident_mb() -> float:
    """Resident memory of this process, MB."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4096 / 1e6


needs_glibc = pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc keeps them")
THREADS = """
import threading
from pathlib import Path
from voicelog.live.memory import share_arenas
share_arenas()
kept, ready = [], threading.Barrier(9)
def work():
    kept.append([bytes(2000) for _ in range(20)])
    ready.wait()
    ready.wait()
threads = [threading.Thread(target=work, daemon=True) for _ in range(8)]
for thread in threads:
    thread.start()
ready.wait()
# An arena beside the heap is mapped at a multiple of 64 MiB, and grows from there.
starts = [line.split("-")[0] for line in Path("/proc/self/maps").read_text().splitlines()]
print(sum(int(start, 16) % (1 << 26) == 0 for start in starts))
"""


@needs_glibc
def test_threads_share_two_arenas() -> None:
    shared = subprocess.run([sys.executable, "-c", THREADS], capture_output=True, text=True, check=True)
    own = subprocess.run(
        [sys.executable, "-c", THREADS.replace("share_arenas()\n", "", 1)], capture_output=True, text=True, check=True
    )
    # One more may lie at such a place by chance.
    assert int(shared.stdout) + 2 < int(own.stdout)


@needs_glibc
def test_free_blocks_between_used_ones_are_given_back() -> None:
    rows = [bytes(100_000) for _ in range(1000)]
    kept = [bytes(1000) for _ in range(10)] + rows[::10]
    del rows
    before = resident_mb()
    give_back()
    # 900 blocks of 100 kB lie free between those that are still used.
    assert resident_mb() < before - 40
    assert len(kept) == 110
