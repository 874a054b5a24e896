"""How long an entry takes to be on the disk, and a long case to be opened and folded; prints its figures.

Run: python tests/bench/bench_casefile.py [--folder DIR] [--commits N]
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
CLIP_BYTES = 60_000
"""About what three seconds of speech take as FLAC."""
SIZES = (1_000, 10_000, 50_000)


def callout(number: int, clip: str | None) -> list[EntryDraft]:
    """What one callout is entered as: the utterance, its event, the read-back, the decision."""
    at = START + timedelta(seconds=number)
    words = [
        {"text": text, "start": Decimal("1.200"), "end": Decimal("1.500"), "confidence": Decimal("0.980")}
        for text in "pulse one thirty two and regular".split()
    ]
    event = {
        "kind": "vital_sign",
        "sign": "heart_rate",
        "value": "132",
        "unit": "/min",
        "occurred_at": at.isoformat(),
        "heard_at": at.isoformat(),
        "evidence": {"value": {"words": "one thirty two", "start": "1.200", "end": "1.500"}},
    }
    utterance: dict[str, Any] = {
        "id": f"U{number}",
        "start": Decimal(number),
        "end": Decimal(number + 1),
        "clip": clip,
        "faults": [],
        "listener": "sphinx",
        "alternatives": [{"words": words}],
    }
    made = {"id": f"E{number}", "event": event, "needs_confirm": False, "flags": [], "amends": None}
    decision = {"event": f"E{number}", "status": "confirmed", "basis": "read back", "utterance": None}
    return [
        EntryDraft("utterance", utterance, at),
        EntryDraft("event", {**made, "utterance": f"U{number}"}, at),
        EntryDraft("read_back", {"text": "Pulse one three two.", "events": [f"E{number}"]}, at),
        EntryDraft("decision", decision, at),
    ]


def commits(folder: Path, count: int) -> list[float]:
    """Milliseconds of each append of a callout with its clip; on return it is synced to the disk."""
    took = []
    with CaseFile.create(folder / "commits", {}, START) as case:
        for number in range(count):
            flac = os.urandom(CLIP_BYTES)
            drafts = callout(number, clip_hash(flac))
            before = time.perf_counter()
            case.append(drafts, [flac])
            took.append((time.perf_counter() - before) * 1000)
    return took


def opened(folder: Path, entries: int) -> tuple[float, float, float, float]:
    """Seconds to open and read, to fold, and to check a case of so many entries; then processor seconds to read and
    fold, which others at work on the machine stretch less."""
    path = folder / f"case-{entries}"
    with CaseFile.create(path, {}, START) as case:
        for first in range(0, entries // 4, 100):
            last = min(first + 100, entries // 4)
            case.append([draft for number in range(first, last) for draft in callout(number, None)])
    before, busy = time.perf_counter(), time.process_time()
    with CaseFile.open(path) as case:
        stored = list(case.entries())
    read = time.perf_counter()
    fold(stored)
    folded, busy = time.perf_counter(), time.process_time() - busy
    with CaseFile.open(path) as case:
        assert case.problems() == []
    return read - before, folded - read, time.perf_counter() - folded, busy


def report(folder: Path, count: int, name: str) -> None:
    """Measure and print one way of storing."""
    took = sorted(commits(folder, count))
    cuts = statistics.quantiles(took, n=100)
    print(f"{name}: entry committed, {count} callouts with a clip of {CLIP_BYTES} bytes, ms: ", end="")
    print(f"p50 {cuts[49]:.1f}, p95 {cuts[94]:.1f}, p99 {cuts[98]:.1f}, most {took[-1]:.1f}")
    for size in SIZES:
        rounds = [opened(Path(tempfile.mkdtemp(dir=folder)), size) for _ in range(3)]
        read, folded, checked, busy = (statistics.median(column) for column in zip(*rounds, strict=True))
        print(f"{name}: {size} entries: open and read {read:.2f} s, fold {folded:.2f} s, ", end="")
        print(f"together {read + folded:.2f} s ", end="")
        print(f"({busy:.2f} s of processor, {busy / size * 1e6:.0f} us an entry); check the chain {checked:.2f} s")


def main(argv: Sequence[str] | None = None) -> int:
    """Measure plain and, where its package is installed, encrypted case files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="on the disk to measure (default: the system's temporary one)")
    parser.add_argument("--commits", type=int, default=1000)
    arguments = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(dir=arguments.folder) as name:
        os.environ.pop(PASSPHRASE_FILE, None)
        report(Path(name), arguments.commits, "plain")
    with tempfile.TemporaryDirectory(dir=arguments.folder) as name:
        secret = Path(name, "secret")
        secret.write_text("a passphrase for this run\n")
        secret.chmod(0o600)
        os.environ[PASSPHRASE_FILE] = str(secret)
        report(Path(name), arguments.commits, "encrypted")
    return 0


if __name__ == "__main__":
    sys.exit(main())
