"""Encrypted case files: nothing readable ever touches the disk, and only the right passphrase opens them."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from case_files import ROOT, make, problems, remark, stored

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.review import add_review, delete_audio
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.errors import CaseFileError, UsageError

pytest.importorskip("sqlcipher3", reason="pip install 'voicelog[encrypt]'")
AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
WORDS = "NEEDLE said aloud"
SOUND = b"fLaC NEEDLE " * 3000
# Also what a file would show of its own kind: SQLite's header, the schema.
READABLE = (b"NEEDLE", b"SQLite format", b"CREATE TABLE", b"case_opened", b"correct horse")


@pytest.fixture
def secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "keys"
    folder.mkdir()
    path = folder / "passphrase"
    path.write_text("correct horse's \u00e9\n")
    path.chmod(0o600)
    monkeypatch.setenv(PASSPHRASE_FILE, str(path))
    return path


@pytest.fixture
def path(tmp_path: Path, secret: Path) -> Path:
    (tmp_path / "cases").mkdir()
    return tmp_path / "cases" / "case.vlog"


def readable(folder: Path) -> list[str]:
    """The files in which something can be read that should not be."""
    return [file.name for file in folder.iterdir() if any(text in file.read_bytes() for text in READABLE)]


def filled(path: Path) -> Path:
    with CaseFile.create(path, {"source": WORDS}, AT) as case:
        case.append([remark(1, text=WORDS, clip=clip_hash(SOUND))], [SOUND])
        case.close_case(AT)
    return path


def test_nothing_readable_is_on_the_disk_at_any_step(path: Path) -> None:
    with CaseFile.create(path, {"source": WORDS}, AT) as case:
        assert readable(path.parent) == []
        for number in range(20):
            case.append(
                [remark(number, text=WORDS, clip=clip_hash(SOUND + bytes([number])))], [SOUND + bytes([number])]
            )
        assert {file.name for file in path.parent.iterdir()} >= {"case.vlog", "case.vlog-wal"}
        assert readable(path.parent) == []
        case.close_case(AT)
    with CaseFile.open(path, write=True) as case:
        delete_audio(case, WORDS, AT)
        assert readable(path.parent) == []
    assert readable(path.parent) == []


def test_a_writer_that_was_killed_leaves_nothing_readable(path: Path) -> None:
    code = (
        "import os, sys; from datetime import datetime, timezone; from voicelog.casefile.store import *;"
        f"at = datetime.now(timezone.utc); c = CaseFile.create(sys.argv[1], {{'a': {WORDS!r}}}, at);"
        f"[c.append([EntryDraft('x', {{'text': {WORDS!r} * 99}}, at)]) for _ in range(9)]; os.kill(os.getpid(), 9)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    run = subprocess.run([sys.executable, "-c", code, str(path)], env=environment, check=False)
    assert run.returncode == -signal.SIGKILL
    assert readable(path.parent) == []
    assert len(stored(path)) == 10
    assert problems(path) == []


def test_an_encrypted_case_reads_back_whole(path: Path) -> None:
    filled(path)
    assert stored(path)[1].body["text"] == WORDS
    assert problems(path) == []
    with CaseFile.open(path) as case:
        assert case.clip(clip_hash(SOUND)) == SOUND


def test_the_companions_of_an_encrypted_case_are_for_the_owner_only(path: Path) -> None:
    before = os.umask(0)
    try:
        with CaseFile.create(path, {}, AT) as case:
            case.append([remark(1)])
            modes = {stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes == {0o600}


def test_a_wrong_passphrase_is_told_and_nothing_is_changed(path: Path, secret: Path) -> None:
    before = filled(path).read_bytes()
    secret.write_text("wrong\n")
    for write in (False, True):
        with pytest.raises(CaseFileError, match="the passphrase does not fit"):
            CaseFile.open(path, write=write)
    assert path.read_bytes() == before


def test_a_missing_passphrase_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(path)
    monkeypatch.delenv(PASSPHRASE_FILE)
    with pytest.raises(CaseFileError, match="or one that is encrypted") as caught:
        CaseFile.open(path)
    assert "--passphrase-file" in caught.value.hint


def test_a_plain_case_opens_beside_encrypted_ones(path: Path, secret: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(PASSPHRASE_FILE)
    make(path)
    monkeypatch.setenv(PASSPHRASE_FILE, str(secret))
    assert len(stored(path)) == 4
    with CaseFile.open(path, write=True) as case:
        case.append([remark(9)])
    assert path.read_bytes().startswith(b"SQLite format 3")


@pytest.mark.parametrize(
    ("content", "mode", "said"),
    [
        ("words\n", 0o644, "can be read by others"),
        ("words\n", 0o660, "can be read by others"),
        ("\nwords\n", 0o600, "no passphrase"),
        ("", 0o600, "no passphrase"),
        ("a\0b", 0o600, "no passphrase"),
        ("x" * 5000, 0o600, "too long"),
    ],
)
def test_a_bad_passphrase_file_is_refused_before_a_case_is_made(
    path: Path, secret: Path, content: str, mode: int, said: str
) -> None:
    secret.write_text(content)
    secret.chmod(mode)
    with pytest.raises(UsageError, match=said):
        CaseFile.create(path, {}, AT)
    assert list(path.parent.iterdir()) == []


def test_a_change_of_any_page_is_found(path: Path) -> None:
    whole = filled(path).read_bytes()
    for offset in range(100, len(whole), 4096):
        path.write_bytes(whole[:offset] + bytes([whole[offset] ^ 1]) + whole[offset + 1 :])
        try:
            assert problems(path), f"byte {offset}"
        except CaseFileError:
            continue


def test_a_copy_of_an_encrypted_case_is_encrypted(path: Path, tmp_path: Path) -> None:
    filled(path)
    copy = path.with_name("copy.vlog")
    assert main(["export", str(path), "--to", "sqlite", "--out", str(copy)]) == 0
    assert readable(path.parent) == []
    assert stored(copy) == stored(path)
    assert problems(copy) == []


@pytest.fixture
def plain(path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A case that is not encrypted and was reviewed since, in a folder of its own."""
    (tmp_path / "plain").mkdir()
    with monkeypatch.context() as without:
        without.delenv(PASSPHRASE_FILE)
        made = filled(tmp_path / "plain" / "case.vlog")
    with CaseFile.open(made, write=True) as case:
        add_review(case, "comment", [EntryDraft("review_comment", {"about": "", "text": WORDS, "by": "R"}, AT)], AT)
    return made


def test_a_plain_case_is_encrypted_with_its_chain_and_audio_and_stays(
    plain: Path, path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = plain.read_bytes()
    assert main(["export", str(plain), "--to", "sqlite", "--encrypt", "--out", str(path)]) == 0
    assert readable(path.parent) == []
    assert {file.name for file in path.parent.iterdir()} == {path.name}
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stored(path) == stored(plain)
    assert problems(path) == []
    with CaseFile.open(path) as case, CaseFile.open(plain) as old:
        assert case.clip_names() == old.clip_names() == [clip_hash(SOUND)]
        assert case.clip(clip_hash(SOUND)) == SOUND
    told = capsys.readouterr().err
    assert f"head {stored(plain)[-1].hash}, chain verified" in told
    assert f"{plain} stays where it is, not encrypted" in told
    assert plain.read_bytes() == before
    # And back: through lines, which are as readable as the case that is made of them.
    lines, again = path.parent / "lines", path.parent / "again"
    assert main(["export", str(path), "--to", "jsonl", "--out", str(lines)]) == 0
    monkeypatch.delenv(PASSPHRASE_FILE)
    assert main(["import", str(lines), "--case", str(again)]) == 0
    assert stored(again) == stored(plain)


def test_an_encryption_that_is_killed_leaves_nothing_readable(plain: Path, path: Path) -> None:
    code = (
        "import os, sys; from pathlib import Path; from voicelog.casefile.writing import Tail;"
        "from voicelog.exports.copies import encrypt_case; put = Tail.put;"
        "Tail.put = lambda self, drafts: (put(self, drafts), len(drafts) > 1 and os.kill(os.getpid(), 9))[0];"
        "encrypt_case(Path(sys.argv[1]), Path(sys.argv[2]))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(plain), str(path)], cwd=ROOT, check=False)
    assert done.returncode == -signal.SIGKILL
    assert path.exists()
    assert readable(path.parent) == []


def test_what_cannot_be_encrypted_is_told_and_nothing_is_made(
    plain: Path, path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(source: Path) -> str:
        target = path.parent / "new"
        assert main(["export", str(source), "--to", "sqlite", "--encrypt", "--out", str(target)]) == 2
        assert not target.exists()
        return capsys.readouterr().err

    assert "is encrypted already" in refused(filled(path))
    assert main(["export", str(plain), "--to", "csv", "--encrypt"]) == 2
    assert "--encrypt goes with --to sqlite only" in capsys.readouterr().err
    assert main(["export", str(plain), "--to", "sqlite", "--out", str(path.parent / "copy")]) == 0
    assert "is not encrypted" in capsys.readouterr().err
    with closing(sqlite3.connect(plain)) as base, base:
        base.execute("DROP TRIGGER entries_no_update")
        base.execute("UPDATE entries SET body = replace(body, 'NEEDLE', 'noodle')")
    assert "is not as it was written" in refused(plain)
    monkeypatch.delenv(PASSPHRASE_FILE)
    assert "needs a passphrase" in refused(plain)


def test_the_option_names_the_passphrase_for_one_run(
    path: Path, secret: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with CaseFile.create(path, {}, AT) as case:
        case.append([EntryDraft("notice", {"text": WORDS}, AT)])
    monkeypatch.delenv(PASSPHRASE_FILE)
    for command in (["show"], ["handover"], ["audit"], ["export", "--to", "csv"]):
        assert main([*command, str(path)]) == 2
        assert "or one that is encrypted" in capsys.readouterr().err
        assert main([*command, str(path), "--passphrase-file", str(secret)]) in (0, 1)
        capsys.readouterr()
    assert PASSPHRASE_FILE not in os.environ


def test_a_wrong_passphrase_is_one_line_and_a_hint(path: Path, secret: Path, capfd: pytest.CaptureFixture[str]) -> None:
    filled(path)
    secret.write_text("wrong\n")
    assert main(["show", str(path)]) == 2
    out, told = capfd.readouterr()
    assert out == ""
    assert [line.split(":")[0] for line in told.splitlines()] == ["voicelog", "hint"]


def test_an_encrypted_case_is_listed_and_asked_about_among_others(
    path: Path, secret: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("duckdb", reason="pip install 'voicelog[query]'")
    filled(path)
    assert main(["list", str(path.parent), "--json"]) == 0
    assert '"closed"' in capsys.readouterr().out
    assert main(["query", str(path.parent), "SELECT count(*) AS n FROM cases", "--csv"]) == 0
    assert capsys.readouterr().out.split() == ["n", "1"]
    monkeypatch.delenv(PASSPHRASE_FILE)
    assert main(["list", str(path.parent)]) == 0
    assert "encrypted" in capsys.readouterr().out
