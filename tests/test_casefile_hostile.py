"""Files that are not case files, or broken ones: one line and a hint, quickly, and not a byte of them changed."""

from __future__ import annotations

import os
import random
import socket
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from voicelog.casefile.schema import APPLICATION_ID, GUARDS, TABLES, USER_VERSION
from voicelog.casefile.store import CaseFile, EntryDraft
from voicelog.errors import CaseFileError

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def make(path: Path, entries: int = 3) -> Path:
    with CaseFile.create(path, {"version": "test"}, AT) as case:
        for number in range(entries):
            case.append([EntryDraft("remark", {"number": number, "text": "words " * 40}, AT)], [b"clip %d" % number])
    return path


def database(path: Path, *statements: str) -> Path:
    """An SQLite file that these statements make."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)
    return path


OURS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {USER_VERSION}")
ROW = "1, '2026-11-25T08:00:00+00:00', 'case_opened', '{}', 'p', 'h'"


def folder_bytes(folder: Path) -> dict[str, bytes]:
    """Every regular file in a folder with its bytes; a sparse giant only by its ends."""
    found = {}
    for file in folder.iterdir():
        if file.is_file():
            with file.open("rb") as opened:
                found[file.name] = opened.read(1 << 20) + str(file.stat().st_size).encode()
        else:
            found[file.name] = b"not a regular file"
    return found


def read_all(path: Path, *, write: bool = False) -> int:
    """Read everything a case file holds; returns the number of entries."""
    with CaseFile.open(path, write=write) as case:
        entries = list(case.entries())
        for (name,) in case._rows("SELECT hash FROM clips"):
            case.clip(name)
    return len(entries)


def told(path: Path) -> list[str]:
    """What reading and checking a broken file tells: its problems, or the one error."""
    try:
        with CaseFile.open(path) as case:
            found = case.problems()
            list(case.entries())
    except CaseFileError as error:
        return [error.message]
    return found


def refuse(path: Path) -> CaseFileError:
    """Both ways of opening refuse the file and change nothing; returns the error of reading."""
    before = folder_bytes(path.parent)
    errors = []
    for write in (False, True):
        with pytest.raises(CaseFileError) as caught:
            read_all(path, write=write)
        errors.append(caught.value)
    assert folder_bytes(path.parent) == before
    for error in errors:
        assert error.message.strip()
        assert len(error.message.splitlines()) == 1
        assert error.hint.strip()
        assert len(error.hint.splitlines()) == 1
    return errors[0]


# --- not ours ------------------------------------------------------------------------------------------------------


def garbage(path: Path) -> Path:
    path.write_bytes(random.Random(1).randbytes(300_000))
    return path


def huge(path: Path) -> Path:
    """Eight sparse gigabytes."""
    path.write_bytes(b"garbage")
    os.truncate(path, 8 << 30)
    return path


def header_only(path: Path) -> Path:
    path.write_bytes(b"SQLite format 3\0" + bytes(84))
    return path


def text(path: Path) -> Path:
    path.write_text("just a note\n")
    return path


@pytest.mark.parametrize("build", [garbage, huge, header_only, text])
def test_what_is_not_sqlite_is_refused(tmp_path: Path, build: Callable[[Path], Path]) -> None:
    assert "Cannot open" in refuse(build(tmp_path / "case.vlog")).message


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "case.vlog"
    path.touch()
    assert "empty" in refuse(path).message


def test_a_missing_file_is_refused_and_not_made(tmp_path: Path) -> None:
    assert "No such file" in refuse(tmp_path / "case.vlog").message


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = database(tmp_path / "case.vlog", "CREATE TABLE notes (words)", "INSERT INTO notes VALUES ('a')")
    assert "not a case file" in refuse(path).message


def test_another_programs_database_with_a_log_is_refused(tmp_path: Path) -> None:
    path = database(tmp_path / "case.vlog", "PRAGMA journal_mode = WAL", "CREATE TABLE entries (words)")
    assert "not a case file" in refuse(path).message


def test_our_mark_without_tables_is_refused(tmp_path: Path) -> None:
    path = database(tmp_path / "case.vlog", *OURS, "CREATE TABLE other (words)")
    assert "lacks the table of entries" in refuse(path).message


def test_views_in_place_of_tables_are_refused(tmp_path: Path) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS seq, 'a' AS body FROM n"
    path = database(tmp_path / "case.vlog", *OURS, f"CREATE VIEW entries AS {endless}", TABLES["clips"])
    assert "lacks the table of entries" in refuse(path).message


def test_tables_of_another_shape_are_refused(tmp_path: Path) -> None:
    path = database(tmp_path / "case.vlog", *OURS, "CREATE TABLE entries (seq, body)", TABLES["clips"])
    assert "lacks the table of entries" in refuse(path).message


def test_a_case_file_without_entries_is_refused(tmp_path: Path) -> None:
    path = database(tmp_path / "case.vlog", *OURS, *TABLES.values(), *GUARDS.values())
    assert "no entries" in refuse(path).message


@pytest.mark.parametrize(("version", "said"), [(3, "version 3"), (0, "version 0"), (-1, "version -1")])
def test_another_version_is_refused(tmp_path: Path, version: int, said: str) -> None:
    path = database(make(tmp_path / "case.vlog"), f"PRAGMA user_version = {version}")
    assert said in refuse(path).message


# --- not a regular file --------------------------------------------------------------------------------------------


def test_a_folder_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "case.vlog"
    path.mkdir()
    assert "folder" in refuse(path).message


def test_a_fifo_is_refused_without_hanging(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "case.vlog")
    assert "pipe" in refuse(tmp_path / "case.vlog").message


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null", "/dev/full"])
def test_a_link_to_a_device_is_refused(tmp_path: Path, device: str) -> None:
    path = tmp_path / "case.vlog"
    path.symlink_to(device)
    assert "device" in refuse(path).message


def test_a_socket_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # The name of a socket may be only about a hundred bytes long.
    with closing(socket.socket(socket.AF_UNIX)) as made:
        made.bind("case.vlog")
        assert "device or a pipe" in refuse(tmp_path / "case.vlog").message


def test_a_link_to_itself_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "case.vlog"
    path.symlink_to(path)
    assert "Cannot open" in refuse(path).message


@pytest.mark.parametrize("name", ["a\0b", "\ud800", "n" * 5000])
def test_an_impossible_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(CaseFileError) as opening:
        CaseFile.open(tmp_path / name)
    with pytest.raises(CaseFileError):
        CaseFile.create(tmp_path / name, {}, AT)
    assert opening.value.message.isprintable()


def test_a_name_that_acts_on_a_terminal_is_shown_escaped(tmp_path: Path) -> None:
    error = refuse(text(tmp_path / "a\nb\x1b[2J.vlog"))
    assert r"a\nb\x1b[2J.vlog" in error.message


@pytest.mark.parametrize("name", ["a b?c#d%20&e.vlog", "é中.vlog", "bytes\udcff.vlog", "file:x.vlog"])
def test_an_odd_name_is_a_name_like_any_other(tmp_path: Path, name: str) -> None:
    make(tmp_path / name)
    with CaseFile.open(tmp_path / name) as case:
        assert len(list(case.entries())) == 4
    assert [found.name for found in tmp_path.iterdir()] == [name]


def test_a_link_to_a_case_file_opens_it(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(make(tmp_path / "case.vlog"))
    with CaseFile.open(tmp_path / "link", write=True) as case:
        assert case.append([EntryDraft("remark", {}, AT)])[0].seq == 5


@pytest.mark.parametrize("suffix", ["-wal", "-shm", "-lock"])
def test_a_fifo_beside_the_case_file_is_refused_without_hanging(tmp_path: Path, suffix: str) -> None:
    path = make(tmp_path / "case.vlog")
    os.mkfifo(f"{path}{suffix}")
    assert "not a regular file" in refuse(path).message


def test_a_journal_beside_the_case_file_is_not_played_back(tmp_path: Path) -> None:
    path = make(tmp_path / "case.vlog")
    Path(f"{path}-journal").write_bytes(b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(504))
    assert "-journal" in refuse(path).message


def test_a_garbage_log_adds_nothing(tmp_path: Path) -> None:
    path = make(tmp_path / "case.vlog")
    Path(f"{path}-wal").write_bytes(random.Random(2).randbytes(50_000))
    with CaseFile.open(path) as case:
        assert len(list(case.entries())) == 4
        assert case.problems() == []


# --- broken --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", [1, 15, 50, 99, 100, 511, 512, 4095, 4096, 4097, 8192, -4097, -4096, -4095, -1])
def test_a_truncated_file_is_refused(tmp_path: Path, part: int) -> None:
    path = make(tmp_path / "case.vlog", entries=40)
    size = path.stat().st_size
    os.truncate(path, part if part > 0 else size + part)
    refuse(path)


def test_problems_of_a_file_with_ruined_pages_are_told_not_raised(tmp_path: Path) -> None:
    path = make(tmp_path / "case.vlog", entries=80)
    whole = bytearray(path.read_bytes())
    for page in range(len(whole) // 8192, len(whole) // 4096):
        whole[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(whole)
    with CaseFile.open(path) as case:
        found = case.problems()
    assert found
    assert all(len(problem.splitlines()) == 1 for problem in found)


@pytest.mark.parametrize("offset", range(16, 100, 7))
def test_a_ruined_header_is_told_but_never_another_error(tmp_path: Path, offset: int) -> None:
    path = make(tmp_path / "case.vlog")
    whole = bytearray(path.read_bytes())
    whole[offset] ^= 0xFF
    path.write_bytes(whole)
    assert all(len(line.splitlines()) == 1 for line in told(path))
    assert path.read_bytes() == whole


@pytest.mark.parametrize("seed", range(30))
def test_random_damage_is_told_or_found_but_never_another_error(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    path = make(tmp_path / "case.vlog", entries=20)
    whole = bytearray(path.read_bytes())
    for _ in range(chance.randint(1, 60)):
        whole[chance.randrange(len(whole))] = chance.randrange(256)
    path.write_bytes(whole)
    assert all(len(line.splitlines()) == 1 for line in told(path))
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    "row",
    [
        ROW.replace("{}", "{"),
        ROW.replace("{}", ""),
        ROW.replace("{}", "[]"),
        ROW.replace("{}", '{"dose":0.3}'),
        ROW.replace("{}", '{"a": 1}'),
        ROW.replace("{}", "[" * 100_000),
        ROW.replace("{}", '{"a":' + "9" * 5000 + "}"),
        ROW.replace("'{}'", "x'7b7d'"),
        ROW.replace("'{}'", "CAST(x'ff7b' AS TEXT)"),
        ROW.replace("+00:00", ""),
        ROW.replace("+00:00", "Z"),
        ROW.replace("2026-11-25T08:00:00+00:00", "yesterday"),
        ROW.replace("'case_opened'", "x'00'"),
    ],
)
def test_an_entry_that_voicelog_never_writes_is_refused(tmp_path: Path, row: str) -> None:
    path = database(
        tmp_path / "case.vlog", *OURS, *TABLES.values(), f"INSERT INTO entries VALUES ({row})", *GUARDS.values()
    )
    with CaseFile.open(path) as case:
        assert case.problems()
        with pytest.raises(CaseFileError) as caught:
            list(case.entries())
    assert len(caught.value.message.splitlines()) == 1
    assert caught.value.hint


def test_the_entry_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    path = database(make(tmp_path / "case.vlog"), "DROP TRIGGER entries_no_update")
    database(path, "UPDATE entries SET body = '{' WHERE seq = 3")
    with CaseFile.open(path) as case, pytest.raises(CaseFileError, match="Entry 3 "):
        list(case.entries())


def test_a_head_without_a_hash_is_not_gone_on_from(tmp_path: Path) -> None:
    path = database(make(tmp_path / "case.vlog"), "DROP TRIGGER entries_no_update")
    database(path, "UPDATE entries SET hash = x'00' WHERE seq = 4", GUARDS["entries_no_update"])
    with CaseFile.open(path, write=True) as case, pytest.raises(CaseFileError, match="Entry 4 "):
        case.append([EntryDraft("remark", {}, AT)])


def test_a_database_that_another_program_holds_is_told_not_waited_for(tmp_path: Path) -> None:
    path = make(tmp_path / "case.vlog")
    with CaseFile.open(path, write=True) as case, closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CaseFileError, match="locked") as caught:
            case.append([EntryDraft("remark", {}, AT)])
        other.execute("ROLLBACK")
        assert "other program" in caught.value.hint
        assert case.append([EntryDraft("remark", {}, AT)])[0].seq == 5
