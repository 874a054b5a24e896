"""Case files for tests: making, tampering as with an SQLite tool, reading back."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import voicelog.errors
from voicelog.casefile.schema import GUARDS
from voicelog.casefile.store import CaseFile, Entry, EntryDraft, clip_hash

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
ROOT = Path(voicelog.errors.__file__).parents[1]


def remark(number: int, **more: Any) -> EntryDraft:
    return EntryDraft("remark", {"number": number, **more}, AT + timedelta(seconds=number))


def make(path: Path, entries: int = 3, *, closed: bool = False) -> Path:
    """A case file of ``entries`` remarks, each with a clip of its own."""
    with CaseFile.create(path, {"version": "test"}, AT) as case:
        for number in range(1, entries + 1):
            flac = b"clip %d" % number
            case.append([remark(number, clip=clip_hash(flac))], [flac])
        if closed:
            case.close_case(AT)
    return path


def tamper(path: Path, *statements: str, values: tuple[Any, ...] = ()) -> None:
    """Change a case file as someone with an SQLite tool would: guards off, change, guards on again."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for guard in GUARDS:
            connection.execute(f"DROP TRIGGER {guard}")
        for statement in statements:
            connection.execute(statement, values)
        for guard in GUARDS.values():
            connection.execute(guard)


def problems(path: Path) -> list[str]:
    with CaseFile.open(path) as case:
        return case.problems()


def stored(path: Path) -> list[Entry]:
    with CaseFile.open(path) as case:
        return list(case.entries())


def run_python(code: str, *arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60, check=False, **options)


ENTRY_VALUES = "'2026-11-25T08:00:00+00:00', 'remark', '{}', 'p', 'h'"
