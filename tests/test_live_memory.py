"""Memory that is free goes back to the system."""

from __future__ import annotations

import platform
from pathlib import Path

import pytest

from voicelog.live.memory import give_back


def resident_mb() -> float:
    """Resident memory of this process, MB."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4096 / 1e6


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc keeps them")
def test_free_blocks_between_used_ones_are_given_back() -> None:
    rows = [bytes(100_000) for _ in range(1000)]
    kept = [bytes(1000) for _ in range(10)] + rows[::10]
    del rows
    before = resident_mb()
    give_back()
    # 900 blocks of 100 kB lie free between those that are still used.
    assert resident_mb() < before - 40
    assert len(kept) == 110
