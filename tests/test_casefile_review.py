"""A closed case: only a review adds to it, and its audio can be deleted so that the pages are really gone."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from case_files import ENTRY_VALUES, make, problems, stored, tamper
from report_cases import told_file

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.closing import NOT_KEPT
from voicelog.casefile.review import add_review, delete_audio
from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.errors import CaseFileError

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SOUND = b"fLaC NEEDLE " * 3000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "case.vlog"


def with_sound(path: Path, *, close: bool = True) -> Path:
    with CaseFile.create(path, {"version": "test"}, AT) as case:
        case.append([EntryDraft("remark", {"clip": clip_hash(SOUND)}, AT)], [SOUND])
        case.append([EntryDraft("remark", {"clip": clip_hash(b"other")}, AT)], [b"other"])
        if close:
            case.close_case(AT)
    return path


def delete(path: Path) -> int:
    with CaseFile.open(path, write=True) as case:
        return delete_audio(case, "signed off", AT)


def test_a_review_stands_between_two_closings_that_both_fit(path: Path) -> None:
    make(path, closed=True)
    with CaseFile.open(path, write=True) as case:
        entries = add_review(case, "sign-off", [EntryDraft("note", {"text": "seen"}, AT)], AT)
    assert [entry.type for entry in entries] == ["review_opened", "note", "case_closed"]
    assert entries[-1].body == {"count": 7, "head": entries[-2].hash}
    assert problems(path) == []
    assert fold(stored(path)).closed


def test_a_review_does_not_make_the_case_longer(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told_file(path, (0.0, "pulse ninety"), (1.0, "departed scene"))
    told = {}
    for later in (False, True):
        if later:
            with CaseFile.open(path, write=True) as case:
                add_review(case, "sign-off", [], AT.replace(year=2027))
        for command in ("audit", "handover"):
            main([command, str(path)])
            lines = capsys.readouterr().out.splitlines()
            told[command, later] = [line for line in lines if "head" not in line and "hash chain" not in line]
    for command in ("audit", "handover"):
        assert told[command, True] == told[command, False]


def test_a_case_under_way_is_not_reviewed(path: Path) -> None:
    with CaseFile.open(make(path), write=True) as case, pytest.raises(CaseFileError, match="not closed"):
        add_review(case, "sign-off", [], AT)


def test_a_review_that_fails_leaves_the_case_closed_as_it_was(path: Path) -> None:
    before = stored(make(path, closed=True))
    with CaseFile.open(path, write=True) as case, pytest.raises(TypeError):
        add_review(case, "sign-off", [EntryDraft("note", {"speed": 1.5}, AT)], AT)
    assert stored(path) == before


def test_a_closed_case_that_was_reviewed_is_closed_still(path: Path) -> None:
    make(path, closed=True)
    with CaseFile.open(path, write=True) as case:
        add_review(case, "sign-off", [], AT)
        with pytest.raises(CaseFileError, match="is closed"):
            case.append([EntryDraft("note", {}, AT)])


def test_the_file_itself_lets_only_a_review_follow_a_closing(path: Path) -> None:
    make(path, closed=True)
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="closed"):
        connection.execute(f"INSERT INTO entries VALUES (6, {ENTRY_VALUES})")


def test_a_review_where_no_case_was_closed_is_found(path: Path) -> None:
    make(path)
    tamper(path, "UPDATE entries SET type = 'review_opened' WHERE seq = 3")
    assert "Entry 3 stands where no closing entry stands before it." in problems(path)


@pytest.mark.parametrize("kind", ["review_opened", "audio_deleted"])
def test_what_belongs_to_a_review_is_not_appended_by_hand(path: Path, kind: str) -> None:
    with CaseFile.open(make(path), write=True) as case, pytest.raises(CaseFileError, match=kind):
        case.append([EntryDraft(kind, {}, AT)])


# --- deleting audio ------------------------------------------------------------------------------------------------


def test_deleted_audio_is_gone_from_the_disk_and_the_record_stays_whole(path: Path) -> None:
    assert b"NEEDLE" in with_sound(path).read_bytes()
    assert delete(path) == 2
    assert not any(b"NEEDLE" in file.read_bytes() for file in path.parent.iterdir())
    assert problems(path) == []
    entries = stored(path)
    assert entries[-2].body == {"clips": [clip_hash(SOUND), clip_hash(b"other")], "reason": "signed off"}
    assert entries[1].body["clip"] == clip_hash(SOUND)
    with CaseFile.open(path) as case, pytest.raises(CaseFileError, match="no audio clip"):
        case.clip(clip_hash(SOUND))


def test_deleting_twice_adds_nothing(path: Path) -> None:
    delete(with_sound(path))
    before = stored(path)
    assert delete(path) == 0
    assert stored(path) == before


def test_audio_of_a_case_under_way_is_not_deleted(path: Path) -> None:
    with CaseFile.open(with_sound(path, close=False), write=True) as case, pytest.raises(CaseFileError, match="closed"):
        delete_audio(case, "", AT)
    with CaseFile.open(path) as case:
        assert case.clip(clip_hash(SOUND)) == SOUND


def test_the_file_itself_refuses_to_delete_a_clip_that_the_last_entry_does_not_name(path: Path) -> None:
    delete(with_sound(path))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        # Another clip, after a deletion: what was said once opens no door for later.
        connection.execute("INSERT INTO clips VALUES (1, ?, x'00')", (clip_hash(SOUND),))
        with pytest.raises(sqlite3.IntegrityError, match="only where the last entry says so"):
            connection.execute("DELETE FROM clips")


def test_a_clip_that_should_be_gone_is_found(path: Path) -> None:
    delete(with_sound(path))
    tamper(path, "INSERT INTO clips VALUES (1, ?, ?)", values=(clip_hash(SOUND), SOUND))
    assert problems(path) == [
        f"The audio clip {clip_hash(SOUND)[:12]}, which entry 6 says was deleted, is still there."
    ]


def test_a_clip_deleted_without_a_word_is_found(path: Path) -> None:
    tamper(with_sound(path), "DELETE FROM clips WHERE id = 2")
    assert problems(path) == [f"The audio clip {clip_hash(b'other')[:12]} that entry 3 names is missing."]


def test_a_reader_that_holds_old_pages_is_told(path: Path) -> None:
    with_sound(path)
    with CaseFile.open(path, write=True) as case, closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM clips").fetchall()
        with pytest.raises(CaseFileError, match="old pages"):
            delete_audio(case, "signed off", AT)
        reader.execute("COMMIT")
        assert delete_audio(case, "signed off", AT) == 0
    assert b"NEEDLE" not in path.read_bytes()
    assert problems(path) == []


def test_the_command_deletes_and_says_the_new_head(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_sound(path)
    assert main(["forget-audio", str(path), "--reason", "signed off"]) == 0
    printed = capsys.readouterr().out
    assert "2 audio clips deleted" in printed
    assert f"head {stored(path)[-1].hash}" in printed


def test_the_audio_of_a_case_that_was_changed_is_evidence(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tamper(with_sound(path), "UPDATE entries SET body = '{}' WHERE seq = 2")
    assert main(["forget-audio", str(path)]) == 2
    assert "nothing was deleted" in capsys.readouterr().err
    assert b"NEEDLE" in path.read_bytes()


# --- a case that keeps no audio ------------------------------------------------------------------------------------


def test_a_case_that_keeps_no_audio_keeps_the_hashes_and_is_whole(path: Path) -> None:
    with CaseFile.create(path, {**NOT_KEPT}, AT) as case:
        case.append([EntryDraft("remark", {"clip": clip_hash(SOUND)}, AT)], [SOUND])
        case.close_case(AT)
    with CaseFile.open(path) as case:
        assert case.clip_names() == []
        assert not case.keeps_audio
    assert b"NEEDLE" not in path.read_bytes()
    assert problems(path) == []


def test_a_case_that_goes_on_keeps_no_audio_still(path: Path) -> None:
    CaseFile.create(path, {**NOT_KEPT}, AT).close()
    with CaseFile.open(path, write=True) as case:
        case.append([EntryDraft("remark", {"clip": clip_hash(SOUND)}, AT)], [SOUND])
        assert case.clip_names() == []


@pytest.mark.parametrize("deleted", [True, False])
def test_a_case_without_audio_goes_out_in_lines_and_comes_back_equal(
    tmp_path: Path, deleted: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    path, lines, again = tmp_path / "case.vlog", tmp_path / "case.jsonl", tmp_path / "again.vlog"
    with CaseFile.create(path, {} if deleted else {**NOT_KEPT}, AT) as case:
        case.append([EntryDraft("notice", {"text": "a", "clip": clip_hash(SOUND)}, AT)], [SOUND])
        case.close_case(AT)
    if deleted:
        delete(path)
    assert main(["export", str(path), "--to", "jsonl", "--out", str(lines)]) == 0
    assert main(["import", str(lines), "--case", str(again)]) == 0
    assert "missing" not in capsys.readouterr().err
    assert stored(again) == stored(path)
    assert problems(again) == []
