"""Two hundred files that are no case files, or broken ones: each is refused in one line and a hint."""

from __future__ import annotations

import gzip
import os
import random
import signal
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from case_files import make

from voicelog.casefile.schema import APPLICATION_ID, GUARDS, TABLES, USER_VERSION
from voicelog.cli import main

ROUNDS = 10
"""Of the twenty kinds below."""
INJECTED = "'); DROP TABLE entries; --"
OURS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {USER_VERSION}")
MAGIC = b"SQLite format 3\0"


def database(path: Path, *statements: str, values: tuple[object, ...] = ()) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement, values if "?" in statement else ())


def own(path: Path, row: str, *values: object) -> None:
    """A file with all marks of a case file, and one entry that voicelog never writes."""
    inserted = f"INSERT INTO entries VALUES (1, {row})"
    database(path, *OURS, *TABLES.values(), *GUARDS.values(), inserted, values=values)


def fuzzed_header(path: Path, chance: random.Random) -> None:
    whole = bytearray(make(path).read_bytes())
    whole[16:100] = chance.randbytes(84)
    path.write_bytes(whole)


def cut(path: Path, chance: random.Random) -> None:
    os.truncate(make(path), chance.randrange(1, 4096))


def bound_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as bound:
        # The name of a socket may be short only.
        descriptor = os.open(path.parent, os.O_RDONLY)
        bound.bind(f"/proc/self/fd/{descriptor}/{path.name}")
        os.close(descriptor)


def build(kind: int, path: Path, chance: random.Random) -> None:
    """A hostile file of one kind."""
    size = chance.randrange(1, 50_000)
    name = f'"t{chance.random()}{INJECTED}"'
    at = "'2026-11-25T08:00:00+00:00'"
    match kind:
        case 0:
            path.write_bytes(chance.randbytes(size))
        case 1:
            path.write_bytes(MAGIC + chance.randbytes(size))
        case 2:
            fuzzed_header(path, chance)
        case 3:
            database(path, f"CREATE TABLE {name} (a)", f"INSERT INTO {name} VALUES (1)")
        case 4:
            database(path, *OURS, f"CREATE TABLE {name} (a)")
        case 5:
            path.write_bytes(MAGIC)
            os.truncate(path, chance.randrange(1 << 33, 1 << 40))
        case 6:
            endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS seq FROM n"
            database(path, *OURS, f"CREATE VIEW entries AS {endless}", TABLES["clips"])
        case 7:
            path.symlink_to(path if chance.random() < 0.5 else "/dev/zero")
        case 8:
            os.mkfifo(path)
        case 9:
            path.mkdir()
        case 10:
            cut(path, chance)
        case 11:
            own(path, f"?, 'case_opened', '{{}}', {'0' * 64!r}, 'h'", "2" * chance.randrange(1 << 18, 1 << 21))
        case 12:
            own(path, f"{at}, 'case_opened', ?, {'0' * 64!r}, 'h'", INJECTED)
        case 13:
            own(path, f"{at}, 'case_opened', ?, {'0' * 64!r}, 'h'", "[" * chance.randrange(1000, 1 << 20))
        case 14:
            own(path, f"{at}, 'case_opened', zeroblob({1 << 21}), {'0' * 64!r}, 'h'")
        case 15:
            path.write_bytes(gzip.compress(bytes(1 << 24)))
        case 16:
            path.symlink_to(path.with_name("pipe"))
            os.mkfifo(path.with_name("pipe"))
        case 17:
            bound_socket(path)
        case 18:
            make(path)
            chance.choice([os.mkfifo, os.mkdir])(
                path.with_name(path.name + chance.choice(["-wal", "-shm", "-journal"]))
            )
        case 19:
            other = TABLES["entries"].replace("TEXT NOT NULL", chance.choice(["ANY", "TEXT", f"TEXT DEFAULT {name}"]))
            database(path, *OURS, other, TABLES["clips"], *GUARDS.values())


@pytest.fixture
def no_hanging() -> Iterator[None]:
    """A hang ends the test, not the suite."""
    before = signal.signal(signal.SIGALRM, lambda number, frame: pytest.fail("it hangs"))
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.usefixtures("no_hanging")
@pytest.mark.parametrize("kind", range(20))
def test_a_hostile_file_is_refused_in_one_line(tmp_path: Path, kind: int, capfd: pytest.CaptureFixture[str]) -> None:
    for number in range(ROUNDS):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / "case.vlog"
        build(kind, path, random.Random(kind * 1000 + number))
        assert main(["show", str(path)]) == 2, f"round {number}"
        out, told = capfd.readouterr()
        assert out == ""
        assert [line.split(":")[0] for line in told.splitlines()] == ["voicelog", "hint"], told
        assert len(told) < 1000
        if path.is_file():
            path.unlink()
