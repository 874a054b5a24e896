"""A file of version 1 is read as it is, and brought up to this version only when it is written."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from case_files import problems, remark, stored

from voicelog.casefile.review import add_review, delete_audio
from voicelog.casefile.schema import GUARDS_OF, USER_VERSION
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError

# Made by voicelog 0.1.0 while its files had version 1: three remarks with a clip each.
DATA = Path(__file__).parent / "data"
AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@pytest.fixture(params=["open", "closed"])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return Path(shutil.copy(DATA / f"version-1-{request.param}.voicelog", tmp_path / "case.voicelog"))


@pytest.fixture
def old_open(tmp_path: Path) -> Path:
    return Path(shutil.copy(DATA / "version-1-open.voicelog", tmp_path / "case.voicelog"))


@pytest.fixture
def old_closed(tmp_path: Path) -> Path:
    return Path(shutil.copy(DATA / "version-1-closed.voicelog", tmp_path / "case.voicelog"))


def version(path: Path) -> int:
    # Offset 60: SQLite, "Database File Format", section 1.3, the user version.
    return int.from_bytes(path.read_bytes()[60:64], "big")


def test_an_old_file_is_read_and_not_changed(old: Path) -> None:
    before = old.read_bytes()
    assert version(old) == 1
    assert [entry.seq for entry in stored(old)][:4] == [1, 2, 3, 4]
    assert problems(old) == []
    assert old.read_bytes() == before
    assert [file.name for file in old.parent.iterdir()] == [old.name]


def test_writing_brings_an_old_file_up_and_changes_no_entry(old: Path) -> None:
    before = stored(old)
    CaseFile.open(old, write=True).close()
    assert version(old) == USER_VERSION
    assert stored(old) == before
    assert problems(old) == []


def test_an_old_case_goes_on(old_open: Path) -> None:
    with CaseFile.open(old_open, write=True) as case:
        assert case.append([remark(9)])[0].seq == 5
    assert problems(old_open) == []


def test_an_old_closed_case_takes_a_review_and_loses_its_audio(old_closed: Path) -> None:
    with CaseFile.open(old_closed, write=True) as case:
        add_review(case, "sign-off", [], AT)
        assert delete_audio(case, "signed off", AT) == 3
    assert problems(old_closed) == []


def test_an_old_file_without_a_guard_is_not_brought_up(old: Path) -> None:
    with closing(sqlite3.connect(old)) as connection:
        connection.execute("DROP TRIGGER clips_no_delete")
    before = old.read_bytes()
    with pytest.raises(CaseFileError, match="clips_no_delete"):
        CaseFile.open(old, write=True)
    assert old.read_bytes() == before


def test_a_new_file_with_old_guards_is_found(old_open: Path) -> None:
    with closing(sqlite3.connect(old_open)) as connection:
        connection.execute(f"PRAGMA user_version = {USER_VERSION}")
    assert len(problems(old_open)) == len(GUARDS_OF[1].keys() ^ GUARDS_OF[USER_VERSION].keys())


def test_a_migration_that_cannot_be_stored_leaves_the_old_file(old_open: Path) -> None:
    with closing(sqlite3.connect(old_open, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = NORMAL")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CaseFileError):
            CaseFile.open(old_open, write=True)
        other.execute("ROLLBACK")
    assert version(old_open) == 1
    assert problems(old_open) == []
