"""Bad input: one clear line, a hint, exit code 2, no traceback, and nothing harmed."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicelog.casefile.store import CaseFile
from voicelog.cli import main

PROGRAM = str(Path(sys.executable).with_name("voicelog"))
SPEECHLESS = np.zeros(16_000, np.int16)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's data directory of this test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data"


def complaint(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What one failing command says: exactly one line and one hint."""
    assert main(list(arguments)) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    line, hint, rest = captured.err.split("\n")
    assert line.startswith("voicelog: ")
    assert len(line) > len("voicelog: ")
    assert hint.startswith("hint: ")
    assert len(hint) > len("hint: ")
    assert rest == ""
    assert all(part.isprintable() for part in (line, hint))
    return line


def recording(path: Path) -> Path:
    soundfile.write(path, SPEECHLESS, 16_000)
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def not_audio(folder: Path) -> Path:
    path = folder / "notes.wav"
    path.write_text("these are notes, not sound\n")
    return path


def truncated(folder: Path, name: str) -> Path:
    whole = recording(folder / name)
    whole.write_bytes(whole.read_bytes()[: 60 if name.endswith("flac") else 2000])
    return whole


def zero_length(folder: Path) -> Path:
    (folder / "empty.wav").touch()
    return folder / "empty.wav"


def directory(folder: Path) -> Path:
    (folder / "drill.wav").mkdir()
    return folder / "drill.wav"


def pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe.wav")
    return folder / "pipe.wav"


RECORDINGS = {
    "not audio": not_audio,
    "truncated FLAC": lambda folder: truncated(folder, "a.flac"),
    "truncated WAV": lambda folder: truncated(folder, "a.wav"),
    "zero length": zero_length,
    "directory": directory,
    "pipe": pipe,
    "missing": lambda folder: folder / "none.wav",
    "missing with control characters in its name": lambda folder: folder / "none\x1b[2J\nvoicelog: fine.wav",
}


@pytest.mark.parametrize("make", RECORDINGS.values(), ids=RECORDINGS)
def test_a_recording_that_cannot_be_used(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, home: Path, make: object
) -> None:
    assert callable(make)
    path = make(tmp_path)
    before = contents(tmp_path)
    complaint(capsys, "replay", str(path), "--case", str(tmp_path / "new.voicelog"))
    assert contents(tmp_path) == before
    assert not home.exists()


def test_an_existing_case_file_is_not_overwritten(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "mine.voicelog").write_bytes(b"precious")
    audio = recording(tmp_path / "a.wav")
    line = complaint(capsys, "replay", str(audio), "--case", str(tmp_path / "mine.voicelog"))
    assert "exists" in line
    assert (tmp_path / "mine.voicelog").read_bytes() == b"precious"


def test_one_case_file_is_not_for_two_recordings(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    audio = str(recording(tmp_path / "a.wav"))
    complaint(capsys, "replay", audio, audio, "--case", str(tmp_path / "new.voicelog"))
    assert not (tmp_path / "new.voicelog").exists()


@pytest.mark.parametrize(
    "start", ["", "noon", "2026-03-04", "2026-03-04T10:42:00", "2026-13-04T10:42:00+01:00", "\x1b"]
)
def test_a_start_that_is_no_full_time(capsys: pytest.CaptureFixture[str], tmp_path: Path, start: str) -> None:
    complaint(capsys, "replay", str(recording(tmp_path / "a.wav")), "--start", start)


def written_case(path: Path) -> Path:
    with CaseFile.create(path, {"version": "test"}, datetime(2026, 3, 4, tzinfo=UTC)) as case:
        case.close_case(datetime(2026, 3, 4, tzinfo=UTC))
    return path


def no_case(folder: Path) -> Path:
    path = folder / "case.voicelog"
    path.write_bytes(b"SQLite format 3\x00 but not really")
    return path


def cut_case(folder: Path) -> Path:
    path = written_case(folder / "case.voicelog")
    path.write_bytes(path.read_bytes()[:5000])
    return path


CASES = {
    "not a case file": not_audio,
    "a torn database": no_case,
    "a truncated case file": cut_case,
    "zero length": zero_length,
    "directory": directory,
    "pipe": pipe,
    "missing": lambda folder: folder / "none.voicelog",
}


@pytest.mark.parametrize("make", CASES.values(), ids=CASES)
def test_a_case_file_that_is_not_one(capsys: pytest.CaptureFixture[str], tmp_path: Path, make: object) -> None:
    assert callable(make)
    path = make(tmp_path)
    before = contents(tmp_path)
    complaint(capsys, "show", str(path))
    assert contents(tmp_path) == before


HOSTILE = {
    "version": "1", "source": "\x1b[2Jdrill.flac", "clock": 7, "listener": "a text where options belong",
}  # fmt: skip


def test_a_hostile_case_file_cannot_reach_the_terminal(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    at = datetime(2026, 3, 4, tzinfo=UTC)
    with CaseFile.create(tmp_path / "case.voicelog", HOSTILE, at) as case:
        case.close_case(at)
    assert main(["show", str(tmp_path / "case.voicelog")]) == 0
    assert "\x1b" not in capsys.readouterr().out


TEXTS = {
    "empty": "",
    "blank": " \t ",
    "a megabyte": "pulse ninety " * 80_000,
    "one word of a megabyte": "a" * 1_000_000,
    "an escape": "pulse \x1b[31mninety",
    "a null": "pulse\0ninety",
    "a bell": "pulse ninety\x07",
    "bytes that are no text": "pulse \udcff ninety",
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_a_text_that_is_no_callout(capsys: pytest.CaptureFixture[str], text: str) -> None:
    complaint(capsys, "parse", text)


@pytest.mark.parametrize(
    "arguments",
    [
        ["frobnicate"],
        ["parse"],
        ["parse", "pulse ninety", "--loud"],
        ["parse", "pulse ninety", "twice"],
        ["show"],
        ["replay"],
        ["replay", "a.wav", "--listener", "ear"],
        ["grammar", "sing"],
        ["review", "a.voicelog", "--html", "a.html", "--details", "a.toml"],
        ["review", "a.voicelog", "--no-audio"],
        ["--colour"],
    ],
)
def test_wrong_use(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    complaint(capsys, *arguments)


def overlay(folder: Path, text: str) -> str:
    (folder / "mine").mkdir()
    (folder / "mine" / "extra.toml").write_text(text)
    return str(folder / "mine")


def test_an_unknown_list_is_shown_with_file_line_column_and_a_caret(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    say = 'say = ["lactate <milimoles>"]'
    folder = overlay(tmp_path, f'[phrase.lactate]\nevent = {{kind = "remark"}}\n{say}\n')
    assert main(["parse", "pulse ninety", "--grammars", folder]) == 2
    captured = capsys.readouterr()
    place, shown, caret, hint, _ = captured.err.split("\n")
    column = say.index("<") + 1
    assert place.startswith(f"voicelog: {folder}/extra.toml:3:{column}: ")
    assert "<milimoles>" in place
    assert shown.strip() == say
    assert shown[caret.index("^")] == "<"
    assert hint.startswith("hint: ")
    assert captured.out == ""


@pytest.mark.parametrize("text", ["[phrase.lactate\n", "say = \x00", "[nonsense]\na = 1\n"], ids=repr)
def test_a_grammar_file_that_is_wrong_names_the_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str
) -> None:
    folder = overlay(tmp_path, text)
    assert main(["grammar", "check", "--grammars", folder]) == 2
    captured = capsys.readouterr()
    assert captured.err.startswith(f"voicelog: {folder}/extra.toml:")
    assert "\nhint: " in captured.err
    assert "Traceback" not in captured.err


def test_a_grammar_directory_that_is_missing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    complaint(capsys, "parse", "pulse ninety", "--grammars", str(tmp_path / "none"))


def shell(*arguments: str | bytes, **more: object) -> subprocess.CompletedProcess[bytes]:
    """The program as a process of its own, for what only a real process meets."""
    return subprocess.run([PROGRAM, *arguments], capture_output=True, timeout=60, **more)  # type: ignore[call-overload,no-any-return]


def test_an_argument_that_is_no_text_is_refused_by_a_real_process() -> None:
    done = shell("parse", b"pulse \xff ninety")
    assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 2)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_a_full_disk_is_told_in_one_line() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run([PROGRAM, "parse", "pulse ninety"], stdout=full, stderr=subprocess.PIPE, timeout=60)
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 2)
    assert done.stderr.startswith(b"voicelog: ")


def test_a_terminal_that_cannot_show_a_sign_ends_nothing(tmp_path: Path) -> None:
    path = written_case(tmp_path / "caf\N{LATIN SMALL LETTER E WITH ACUTE}.voicelog")
    done = shell("show", str(path), env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert (done.returncode, done.stderr) == (0, b"")
