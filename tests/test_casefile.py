"""The case file: append-only, one writer, nothing acknowledged is ever lost, and every tampering is found."""

from __future__ import annotations

import os
import random
import sqlite3
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest
from campaigns import share
from case_files import AT, ENTRY_VALUES, ROOT, make, problems, remark, run_python, stored, tamper
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.chain import entry_hash
from voicelog.casefile.schema import GUARDS
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.store import CaseFile, EntryDraft, clip_hash
from voicelog.errors import CaseFileError


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "case.vlog"


@pytest.fixture
def case(path: Path) -> Iterator[CaseFile]:
    with CaseFile.create(path, {"version": "test"}, AT) as opened:
        yield opened


# --- making and writing -------------------------------------------------------------------------------------------


def test_the_first_entry_holds_what_the_case_was_opened_with(case: CaseFile) -> None:
    (first,) = case.entries()
    assert (first.seq, first.type, first.body, first.at) == (1, "case_opened", {"version": "test"}, AT)


def test_appended_entries_read_back_as_they_were_returned(case: CaseFile) -> None:
    returned = case.append([remark(1, dose=Decimal("0.30")), remark(2)])
    assert list(case.entries())[1:] == returned
    assert returned[0].body == {"number": 1, "dose": "0.30"}


def test_each_entry_carries_the_hash_of_the_one_before(case: CaseFile) -> None:
    case.append([remark(1), remark(2)])
    case.append([remark(3)])
    entries = list(case.entries())
    assert [entry.previous for entry in entries] == ["0" * 64, *(entry.hash for entry in entries[:-1])]


def test_the_file_and_its_companions_are_for_the_owner_only(path: Path) -> None:
    before = os.umask(0)
    try:
        with CaseFile.create(path, {}, AT) as case:
            case.append([remark(1)])
            modes = {found.name: stat.S_IMODE(found.stat().st_mode) for found in path.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes == {f"case.vlog{suffix}": 0o600 for suffix in ("", "-wal", "-shm", "-lock")}


def test_a_narrow_umask_does_not_lock_the_owner_out(path: Path) -> None:
    before = os.umask(0o777)
    try:
        CaseFile.create(path, {}, AT).close()
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_opening_for_writing_takes_a_copied_file_back_to_its_owner(path: Path) -> None:
    make(path).chmod(0o644)
    CaseFile.open(path, write=True).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_header_says_what_the_file_is_even_before_it_is_closed(case: CaseFile, path: Path) -> None:
    # Offsets: SQLite, "Database File Format", section 1.3, The Database Header.
    header = path.read_bytes()[:100]
    assert header[68:72] == b"VLOG"
    assert header[60:64] == (2).to_bytes(4, "big")
    assert header[18:20] == b"\x02\x02", "write-ahead log"


def test_every_commit_is_synced(case: CaseFile) -> None:
    # 2 is FULL: SQLite, "PRAGMA synchronous".
    assert case._connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_a_closed_file_stands_alone(path: Path) -> None:
    make(path)
    assert [found.name for found in path.parent.iterdir()] == ["case.vlog"]


def test_a_closed_file_is_whole_even_while_a_reader_stays(path: Path, tmp_path: Path) -> None:
    with CaseFile.create(path, {}, AT) as writer:
        reader = CaseFile.open(path)
        writer.append([remark(1)])
    copy = tmp_path / "copy.vlog"
    copy.write_bytes(path.read_bytes())
    reader.close()
    assert len(stored(copy)) == 2


def test_one_bad_draft_keeps_out_all_of_its_call(case: CaseFile) -> None:
    with pytest.raises(TypeError, match="float"):
        case.append([remark(1), remark(2, dose=0.3)], [b"clip"])
    assert len(list(case.entries())) == 1
    with pytest.raises(CaseFileError):
        case.clip(clip_hash(b"clip"))


@pytest.mark.parametrize(
    "draft",
    [
        EntryDraft("remark", {"text": "\udc80"}, AT),
        EntryDraft("remark", {}, datetime(2026, 11, 25)),
        EntryDraft("remark", {"dose": Decimal("NaN")}, AT),
        EntryDraft("rem\udc80ark", {}, AT),
    ],
)
def test_what_cannot_be_written_is_refused_and_the_file_stays_usable(case: CaseFile, draft: EntryDraft) -> None:
    with pytest.raises(CaseFileError, match="cannot be stored"):
        case.append([draft])
    assert case.append([remark(1)])[0].seq == 2


@pytest.mark.parametrize("kind", ["case_opened", "case_closed"])
def test_opening_and_closing_entries_are_not_appended_by_hand(case: CaseFile, kind: str) -> None:
    with pytest.raises(CaseFileError, match=kind):
        case.append([EntryDraft(kind, {}, AT)])


def test_control_characters_in_a_body_come_back_as_they_were(case: CaseFile) -> None:
    text = "a\0b\x1b[31m\x9b\u2028\n"
    case.append([remark(1, text=text)])
    assert list(case.entries())[-1].body["text"] == text


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(CaseFileError, match="Cannot write") as caught:
        CaseFile.create(tmp_path / "nowhere" / "case.vlog", {}, AT)
    assert "folder" in caught.value.hint


def test_a_case_file_is_never_overwritten(path: Path) -> None:
    before = make(path).read_bytes()
    with pytest.raises(CaseFileError, match="exists already"):
        CaseFile.create(path, {}, AT)
    assert path.read_bytes() == before


@pytest.mark.parametrize("suffix", ["-wal", "-shm", "-journal"])
def test_what_is_left_of_a_case_file_is_never_overwritten(path: Path, suffix: str) -> None:
    left = path.with_name(path.name + suffix)
    left.write_bytes(b"left")
    with pytest.raises(CaseFileError, match="exists already"):
        CaseFile.create(path, {}, AT)
    assert left.read_bytes() == b"left"
    assert not path.exists()


def test_a_dangling_link_is_not_followed_to_make_a_file(path: Path, tmp_path: Path) -> None:
    path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CaseFileError, match="exists already"):
        CaseFile.create(path, {}, AT)
    assert not (tmp_path / "elsewhere").exists()


def test_a_failed_creation_leaves_nothing(path: Path) -> None:
    with pytest.raises(TypeError, match="float"):
        CaseFile.create(path, {"speed": 1.5}, AT)
    assert list(path.parent.iterdir()) == []


# --- append-only ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET body = '{}'",
        "UPDATE OR REPLACE entries SET seq = 1 WHERE seq = 2",
        "DELETE FROM entries",
        "DELETE FROM entries WHERE seq = 4",
        f"INSERT OR REPLACE INTO entries VALUES (2, {ENTRY_VALUES})",
        f"REPLACE INTO entries VALUES (4, {ENTRY_VALUES})",
        f"INSERT INTO entries VALUES (2, {ENTRY_VALUES}) ON CONFLICT (seq) DO UPDATE SET body = '[]'",
        f"INSERT INTO entries VALUES (7, {ENTRY_VALUES})",
        f"INSERT INTO entries VALUES (-1, {ENTRY_VALUES})",
        f"INSERT INTO entries VALUES (NULL, {ENTRY_VALUES})",
        "UPDATE clips SET flac = x'00'",
        "DELETE FROM clips",
        "INSERT OR REPLACE INTO clips SELECT 9, hash, x'00' FROM clips WHERE id = 1",
        "INSERT OR REPLACE INTO clips VALUES (1, 'other', x'00')",
        "INSERT OR REPLACE INTO clips SELECT 4, hash, x'00' FROM clips WHERE id = 1",
        "INSERT INTO clips SELECT 4, hash, x'00' FROM clips WHERE id = 1 ON CONFLICT DO UPDATE SET flac = x'00'",
    ],
)
def test_the_file_itself_refuses_to_change_what_stands(path: Path, statement: str) -> None:
    before = stored(make(path))
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError):
        connection.execute(statement)
    assert stored(path) == before
    assert problems(path) == []


def test_or_ignore_does_not_get_past_the_guards(path: Path) -> None:
    make(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection, pytest.raises(sqlite3.IntegrityError):
        connection.execute(f"INSERT OR IGNORE INTO entries VALUES (7, {ENTRY_VALUES})")
    assert problems(path) == []


def test_the_file_itself_refuses_entries_after_closing(path: Path) -> None:
    make(path, closed=True)
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="closed"):
        connection.execute(f"INSERT INTO entries VALUES (6, {ENTRY_VALUES})")


# --- closing -------------------------------------------------------------------------------------------------------


def test_the_closing_entry_holds_count_and_head(case: CaseFile) -> None:
    (last,) = case.append([remark(1)])
    closing_entry = case.close_case(AT)
    assert (closing_entry.type, closing_entry.body) == ("case_closed", {"count": 2, "head": last.hash})


def test_nothing_is_appended_after_closing(case: CaseFile) -> None:
    case.close_case(AT)
    with pytest.raises(CaseFileError, match="closed"):
        case.append([remark(1)])
    assert len(list(case.entries())) == 2


def test_a_case_is_closed_once(case: CaseFile) -> None:
    case.close_case(AT)
    with pytest.raises(CaseFileError, match="closed"):
        case.close_case(AT)


# --- clips ---------------------------------------------------------------------------------------------------------


def test_a_clip_comes_back_by_its_hash(case: CaseFile) -> None:
    case.append([remark(1)], [b"fLaC one", b"fLaC two"])
    assert case.clip(clip_hash(b"fLaC two")) == b"fLaC two"


def test_the_same_clip_twice_is_kept_once(case: CaseFile) -> None:
    case.append([remark(1)], [b"same", b"same"])
    case.append([remark(2)], [b"same"])
    assert case._connection.execute("SELECT count(*) FROM clips").fetchone() == (1,)


def test_an_unknown_clip_is_told(case: CaseFile) -> None:
    with pytest.raises(CaseFileError, match="no audio clip"):
        case.clip("0" * 64)


def test_a_replaced_clip_is_not_given_out(path: Path) -> None:
    tamper(make(path), "UPDATE clips SET flac = x'00' WHERE id = 2")
    with CaseFile.open(path) as case, pytest.raises(CaseFileError, match="replaced"):
        case.clip(clip_hash(b"clip 2"))


# --- one writer, many readers --------------------------------------------------------------------------------------


def test_a_second_writer_is_refused(case: CaseFile, path: Path) -> None:
    with pytest.raises(CaseFileError, match="another session"):
        CaseFile.open(path, write=True)
    case.append([remark(1)])


def test_a_second_writer_in_another_process_is_refused(case: CaseFile, path: Path) -> None:
    code = "import sys; from voicelog.casefile.store import CaseFile; CaseFile.open(sys.argv[1], write=True)"
    assert "another session" in run_python(code, str(path)).stderr


def test_a_refused_second_writer_does_not_unlock_the_first(case: CaseFile, path: Path) -> None:
    for _ in range(2):
        with pytest.raises(CaseFileError, match="another session"):
            CaseFile.open(path, write=True)


def test_the_next_writer_may_write_when_the_first_has_closed(path: Path) -> None:
    make(path)
    with CaseFile.open(path, write=True) as case:
        assert case.append([remark(9)])[0].seq == 5
    assert problems(path) == []


def test_a_file_open_for_reading_is_not_written(path: Path) -> None:
    with CaseFile.open(make(path)) as case, pytest.raises(CaseFileError, match="not open for writing"):
        case.append([remark(9)])


def test_a_reader_sees_what_a_writer_has_just_appended(case: CaseFile, path: Path) -> None:
    with CaseFile.open(path) as reader:
        for number in range(1, 4):
            case.append([remark(number)])
            assert len(list(reader.entries())) == number + 1


def test_a_reader_that_came_before_the_writer_sees_its_entries(path: Path) -> None:
    with CaseFile.open(make(path)) as reader:
        assert len(list(reader.entries())) == 4
        with CaseFile.open(path, write=True) as writer:
            writer.append([remark(9)])
            assert len(list(reader.entries())) == 5
        assert len(list(reader.entries())) == 5
        assert reader.problems() == []


def test_a_reader_sees_a_writer_that_has_come_and_gone(path: Path) -> None:
    with CaseFile.open(make(path)) as reader:
        with CaseFile.open(path, write=True) as writer:
            writer.append([remark(number, text="x" * 9000) for number in range(50)])
        assert len(list(reader.entries())) == 54


def test_reading_leaves_the_folder_as_it_was(path: Path) -> None:
    before = make(path).stat()
    with CaseFile.open(path) as case:
        assert list(case.entries())
        assert case.problems() == []
        assert [found.name for found in path.parent.iterdir()] == ["case.vlog"]
    assert path.stat().st_mtime_ns == before.st_mtime_ns


def test_a_file_used_after_closing_says_so(path: Path) -> None:
    case = CaseFile.open(make(path))
    case.close()
    case.close()
    with pytest.raises(CaseFileError, match="closed"):
        list(case.entries())


# --- tampering -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("closed", [False, True])
def test_a_whole_file_has_no_problems(path: Path, closed: bool) -> None:
    assert problems(make(path, closed=closed)) == []


@pytest.mark.parametrize("column", ["at", "type", "body", "previous", "hash"])
@pytest.mark.parametrize("seq", [1, 2, 4])
def test_a_change_is_found_in_every_column(path: Path, column: str, seq: int) -> None:
    changed = {"at": "2026-11-25T09:00:00+00:00", "type": "other", "body": '{"number":99}'}.get(column, "f" * 64)
    tamper(make(path), f"UPDATE entries SET {column} = ? WHERE seq = ?", values=(changed, seq))
    assert any(f"Entry {seq} " in problem for problem in problems(path))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_other_text_in_any_column_is_found(data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = make(Path(folder, "case.vlog"))
        column = data.draw(st.sampled_from(["at", "type", "body", "previous", "hash"]))
        seq = data.draw(st.integers(1, 4))
        with closing(sqlite3.connect(path)) as connection:
            ((old,),) = connection.execute(f"SELECT {column} FROM entries WHERE seq = ?", (seq,)).fetchall()
        at = data.draw(st.integers(0, len(old) - 1))
        letter = data.draw(st.characters(exclude_categories=["Cs"]).filter(lambda c: c != old[at]))
        changed = (old[:at] + letter + old[at + 1 :], seq)
        tamper(path, f"UPDATE entries SET {column} = ? WHERE seq = ?", values=changed)
        assert problems(path)


def test_a_change_with_its_own_hash_mended_is_found_at_the_next_entry(path: Path) -> None:
    entry = stored(make(path))[1]
    mended = entry_hash(entry.seq, entry.at, entry.type, {"number": 99}, entry.previous)
    tamper(path, "UPDATE entries SET body = ?, hash = ? WHERE seq = 2", values=('{"number":99}', mended))
    assert problems(path)[:1] == ["Entry 3 does not follow from the entry before it."]


def test_a_removed_entry_is_found(path: Path) -> None:
    tamper(make(path), "DELETE FROM entries WHERE seq = 3")
    assert problems(path) == ["Entries 3 to 3 are missing."]


def test_a_removed_entry_with_the_rest_moved_up_is_found(path: Path) -> None:
    tamper(make(path), "DELETE FROM entries WHERE seq = 3", "UPDATE entries SET seq = 3 WHERE seq = 4")
    assert "Entry 3 does not follow from the entry before it." in problems(path)


def test_swapped_entries_are_found(path: Path) -> None:
    swap = ["UPDATE entries SET seq = 99 WHERE seq = 2", "UPDATE entries SET seq = 2 WHERE seq = 3"]
    tamper(make(path), *swap, "UPDATE entries SET seq = 3 WHERE seq = 99")
    assert "Entry 2 does not follow from the entry before it." in problems(path)


def test_swapped_words_are_found(path: Path) -> None:
    keep = "CREATE TEMP TABLE kept AS SELECT seq, body FROM entries"
    swap = "UPDATE entries SET body = (SELECT body FROM kept WHERE kept.seq = 5 - entries.seq) WHERE seq IN (2, 3)"
    tamper(make(path), keep, swap)
    assert sum("was changed" in problem for problem in problems(path)) == 2


@pytest.mark.parametrize("closed", [False, True])
def test_a_cut_tail_is_found(path: Path, closed: bool) -> None:
    tamper(make(path, closed=closed), "DELETE FROM entries WHERE seq > 2")
    assert problems(path) == [f"Entries 3 to {4 + closed} are missing from the end."]


def test_a_tail_cut_below_the_closing_entry_is_found_by_its_count_and_head(path: Path) -> None:
    entries = stored(make(path, closed=True))
    move = "UPDATE entries SET seq = 4, previous = ? WHERE seq = 5"
    tamper(path, "DELETE FROM entries WHERE seq = 4")
    tamper(path, move, values=(entries[2].hash,))
    entry = entries[4]
    mended = entry_hash(4, entry.at, entry.type, entry.body, entries[2].hash)
    tamper(path, "UPDATE entries SET hash = ? WHERE seq = 4", values=(mended,))
    tamper(path, "UPDATE sqlite_sequence SET seq = 4 WHERE name = 'entries'")
    assert problems(path) == ["The closing entry 4 does not fit the number and the hash of the entries before it."]


def test_an_entry_behind_the_closing_entry_is_found(path: Path) -> None:
    make(path, closed=True)
    tamper(path, f"INSERT INTO entries VALUES (6, {ENTRY_VALUES})")
    assert "Entry 6 stands after the closing entry 5." in problems(path)


def test_a_removed_opening_is_found(path: Path) -> None:
    tamper(make(path), "DELETE FROM entries WHERE seq = 1")
    assert "Entries 1 to 1 are missing." in problems(path)


def test_a_replaced_clip_is_found(path: Path) -> None:
    tamper(make(path), "UPDATE clips SET flac = x'00' WHERE id = 2")
    name = clip_hash(b"clip 2")[:12]
    assert problems(path) == [
        f"The audio clip {name}, named by entry 3, was replaced: its hash does not fit its audio."
    ]


def test_swapped_clips_are_found(path: Path) -> None:
    keep = "CREATE TEMP TABLE kept AS SELECT id, flac FROM clips"
    swap = "UPDATE clips SET flac = (SELECT flac FROM kept WHERE kept.id = 3 - clips.id) WHERE id IN (1, 2)"
    tamper(make(path), keep, swap)
    assert sum("was replaced" in problem for problem in problems(path)) == 2


def test_a_removed_clip_is_found(path: Path) -> None:
    tamper(make(path), "DELETE FROM clips WHERE id = 1")
    assert problems(path) == [f"The audio clip {clip_hash(b'clip 1')[:12]} that entry 2 names is missing."]


@pytest.mark.parametrize("guard", sorted(GUARDS))
def test_a_removed_guard_is_found_and_stops_writing(path: Path, guard: str) -> None:
    with closing(sqlite3.connect(make(path))) as connection:
        connection.execute(f"DROP TRIGGER {guard}")
    assert problems(path) == [f"The trigger {guard}, which keeps the file append-only, was removed or changed."]
    with pytest.raises(CaseFileError, match=guard):
        CaseFile.open(path, write=True)


def test_a_foreign_trigger_is_found_and_stops_writing(path: Path) -> None:
    with closing(sqlite3.connect(make(path))) as connection:
        connection.execute("CREATE TRIGGER extra AFTER INSERT ON entries BEGIN SELECT 1; END")
    assert problems(path) == ["The file has 'extra', which voicelog never makes."]
    with pytest.raises(CaseFileError, match="extra"):
        CaseFile.open(path, write=True)


def test_a_flipped_byte_in_any_page_is_found(path: Path) -> None:
    make(path, entries=12)
    whole = path.read_bytes()
    for offset in (whole.index(b'{"clip"'), whole.index(b"clip 5"), whole.index(b"2026-11-25T08:00:07")):
        path.write_bytes(whole[:offset] + bytes([whole[offset] ^ 1]) + whole[offset + 1 :])
        assert problems(path)


# --- the plug pulled, the disk full --------------------------------------------------------------------------------

APPENDER = """
import sys
from datetime import datetime, timezone
from voicelog.casefile.store import CaseFile, EntryDraft, clip_hash
at = datetime(2026, 11, 25, 8, tzinfo=timezone.utc)
with CaseFile.open(sys.argv[1], write=True) as case:
    while True:
        flac = b"x" * 3000 + case.head().encode()
        entries = case.append([EntryDraft("u", {"clip": clip_hash(flac)}, at), EntryDraft("e", {}, at)], [flac])
        print(entries[-1].seq, flush=True)
"""


@pytest.mark.parametrize(("encrypted", "usual", "full"), [(False, 10, 200), (True, 1, 200)])
def test_a_kill_at_any_moment_loses_no_acknowledged_entry(
    path: Path, monkeypatch: pytest.MonkeyPatch, encrypted: bool, usual: int, full: int
) -> None:
    moments = random.Random(11)
    if encrypted:
        pytest.importorskip("sqlcipher3", reason="pip install 'voicelog[encrypt]'")
        secret = path.with_name("secret")
        secret.write_text("correct horse\n")
        secret.chmod(0o600)
        monkeypatch.setenv(PASSPHRASE_FILE, str(secret))
    CaseFile.create(path, {}, AT).close()
    for _ in range(share(usual, full)):
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-c", APPENDER, str(path)]
        with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            acknowledged = [process.stdout.readline() for _ in range(moments.randint(1, 12))]
            time.sleep(moments.random() / 100)
            process.kill()
            acknowledged += process.stdout.readlines()
        # The kill may have cut the last line short; an entry is acknowledged once its whole line is out.
        last = max(int(line) for line in acknowledged if line.endswith("\n"))
        with CaseFile.open(path) as case:
            assert case.problems() == []
            entries = list(case.entries())
            assert len(entries) >= last
            assert len(entries) % 2 == 1, "each append stored both its entries or none"
            assert all(case.clip(entry.body["clip"]) for entry in entries if entry.type == "u")


def test_a_torn_log_gives_the_entries_before_the_tear(path: Path) -> None:
    code = "import os, sys; from datetime import *; from voicelog.casefile.store import *; "
    code += "c = CaseFile.open(sys.argv[1], write=True); at = datetime(2026, 11, 25, tzinfo=timezone.utc); "
    code += "[c.append([EntryDraft('x', {'n': n}, at)]) for n in range(6)]; os.kill(os.getpid(), 9)"
    assert run_python(code, str(make(path))).returncode == -9
    log = path.with_name(path.name + "-wal")
    whole, base, counts = log.read_bytes(), path.read_bytes(), []
    for kept in range(0, len(whole), 997):
        path.write_bytes(base)
        log.write_bytes(whole[:kept])
        path.with_name(path.name + "-shm").unlink(missing_ok=True)
        assert problems(path) == []
        counts.append(len(stored(path)))
    assert counts == sorted(counts)
    assert {counts[0], counts[-1]} <= set(range(4, 11))
    assert counts[-1] > counts[0]


def test_a_killed_writer_does_not_keep_the_file_locked(path: Path) -> None:
    code = "import os, sys; from voicelog.casefile.store import *; c = CaseFile.open(sys.argv[1], write=True); "
    assert run_python(code + "os.kill(os.getpid(), 9)", str(make(path))).returncode == -9
    with CaseFile.open(path, write=True) as case:
        assert case.append([remark(9)])[0].seq == 5


FILLER = """
import resource, signal, sys
from datetime import datetime, timezone
from voicelog.casefile.store import CaseFile, EntryDraft
from voicelog.errors import CaseFileError
at = datetime(2026, 11, 25, 8, tzinfo=timezone.utc)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
case = CaseFile.open(sys.argv[1], write=True)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))
try:
    case.append([EntryDraft("big", {"text": "x" * 200_000}, at)])
except CaseFileError as error:
    print(error.message, "|", error.hint)
print(case.append([EntryDraft("small", {}, at)])[0].seq)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
case.close()
"""


def test_a_file_that_cannot_grow_refuses_the_entry_and_stays_usable(path: Path) -> None:
    result = run_python(FILLER, str(make(path)))
    told, seq = result.stdout.splitlines()
    assert told.startswith("Cannot write")
    assert "nothing of this step was stored" in told
    assert seq == "5"
    assert problems(path) == []


def test_creating_where_no_file_can_grow_leaves_nothing(path: Path) -> None:
    code = """
import resource, signal, sys
from datetime import datetime, timezone
from voicelog.casefile.store import CaseFile
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
CaseFile.create(sys.argv[1], {}, datetime(2026, 11, 25, 8, tzinfo=timezone.utc))
"""
    result = run_python(code, str(path))
    assert "CaseFileError: Cannot create" in result.stderr
    assert list(path.parent.iterdir()) == []


@pytest.fixture
def locked_folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder / "case.vlog").chmod(0o644)
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)


# File modes do not bind root, so root first becomes nobody; what is imported late is imported before that.
AS_PLAIN_USER = """
import fcntl, os, sys
from datetime import datetime, timezone
from voicelog.casefile.store import CaseFile
at = datetime(2026, 11, 25, 8, tzinfo=timezone.utc)
if os.geteuid() == 0:
    os.setgroups([]), os.setgid(65534), os.setuid(65534)
"""


def test_a_read_only_folder_refuses_a_new_case(locked_folder: Path) -> None:
    result = run_python(AS_PLAIN_USER + "CaseFile.create(sys.argv[1] + '/new.vlog', {}, at)", str(locked_folder))
    assert "CaseFileError: Cannot write" in result.stderr


def test_a_read_only_folder_refuses_a_writer(locked_folder: Path) -> None:
    result = run_python(AS_PLAIN_USER + "CaseFile.open(sys.argv[1] + '/case.vlog', write=True)", str(locked_folder))
    assert "CaseFileError: Cannot write" in result.stderr


def test_a_case_in_a_read_only_folder_can_be_read(locked_folder: Path) -> None:
    code = AS_PLAIN_USER + "c = CaseFile.open(sys.argv[1] + '/case.vlog'); print(len(list(c.entries())), c.problems())"
    assert run_python(code, str(locked_folder)).stdout == "4 []\n"


def test_a_file_one_may_not_read_is_told(locked_folder: Path) -> None:
    (locked_folder / "case.vlog").chmod(0o000)
    result = run_python(AS_PLAIN_USER + "CaseFile.open(sys.argv[1] + '/case.vlog')", str(locked_folder))
    assert "CaseFileError: Cannot open" in result.stderr
