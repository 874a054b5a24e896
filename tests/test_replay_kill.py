"""A replay killed at any moment leaves a case file that opens, is whole, and holds all that had been printed."""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import soundfile

from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main

PROGRAM = str(Path(sys.executable).with_name("voicelog"))
SAMPLE = Path(__file__).parent.parent / "samples" / "anaphylaxis.flac"
EXCERPT_S = 40
"""Long enough for a dozen callouts, short enough for a test."""
ANSWER_S = 120
"""Longest a step may take on a slow machine before the test gives up, seconds."""


@pytest.fixture(scope="module")
def excerpt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    samples, rate = soundfile.read(SAMPLE, dtype="int16")
    path = tmp_path_factory.mktemp("audio") / "excerpt.wav"
    soundfile.write(path, samples[: EXCERPT_S * rate], rate)
    return path


def _complaint(replay: subprocess.Popen[bytes]) -> str:
    return replay.stderr.read().decode() if replay.stderr else ""


def tables(path: Path) -> int:
    """How many there are in an SQLite file."""
    with closing(sqlite3.connect(path)) as connection:
        (count,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return int(count)


def printed_until_killed(excerpt: Path, case: Path, lines: int, delay_s: float) -> list[dict[str, Any]]:
    """Replays, kills after so many lines and a while more, and returns every whole line that had been printed."""
    command = [
        PROGRAM,
        "replay",
        str(excerpt),
        "--case",
        str(case),
        "--json",
        "--start",
        "2026-03-04T10:00:00+00:00",
        "--listener",
        "sphinx",
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as replay:
        assert replay.stdout
        giving_up = time.monotonic() + ANSWER_S
        out = b""
        while out.count(b"\n") < lines:
            assert time.monotonic() < giving_up
            piece = replay.stdout.readline()
            assert piece, f"the replay ended before it was killed: {_complaint(replay)}"
            out += piece
        time.sleep(delay_s)
        replay.send_signal(signal.SIGKILL)
        out += replay.stdout.read()
        assert replay.wait(ANSWER_S) == -signal.SIGKILL
    return [json.loads(line) for line in out.split(b"\n")[:-1]]


def told(kind: str, body: dict[str, Any]) -> tuple[object, ...]:
    """What a printed line and an entry have in common."""
    return (kind, *(body.get(name) for name in ("id", "text", "event", "status", "command", "reason", "utterance")))


@pytest.mark.parametrize("lines", [1, 6])
def test_a_killed_replay_leaves_all_that_was_printed(
    excerpt: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: int
) -> None:
    path = tmp_path / "case.voicelog"
    delay_s = random.uniform(0, 0.4)
    printed = printed_until_killed(excerpt, path, lines, delay_s)
    assert len(printed) >= lines
    with CaseFile.open(path) as case:
        assert case.problems() == []
        entries = list(case.entries())
        state = fold(entries)
        clips = [case.clip(utterance.clip) for utterance in state.utterances if utterance.clip]
    assert len(clips) == len(state.utterances) > 0
    assert not state.closed
    kinds = {line["type"] for line in printed}
    stored = [told(entry.type, entry.body) for entry in entries if entry.type != "case_opened"]
    for line in printed:
        assert told(line["type"], line) in stored, f"lost after {lines} lines and {delay_s:.3f} s: {line}"
    assert "utterance" in kinds
    read_back = {name for line in printed if line["type"] == "read_back" for name in line["events"]}
    assert read_back <= {event.id for event in state.events}
    assert main(["show", str(path), "--json"]) == 0
    shown = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {line["id"] for line in shown if line["type"] == "event"} == {event.id for event in state.events}


def test_a_replay_killed_before_anything_was_heard_leaves_a_whole_or_an_empty_file(
    excerpt: Path, tmp_path: Path
) -> None:
    path = tmp_path / "case.voicelog"
    command = [PROGRAM, "replay", str(excerpt), "--case", str(path), "--json", "--listener", "sphinx"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as replay:
        giving_up = time.monotonic() + ANSWER_S
        while not path.exists():
            assert replay.poll() is None, _complaint(replay)
            assert time.monotonic() < giving_up
            time.sleep(0.002)
        replay.send_signal(signal.SIGKILL)
    if path.stat().st_size == 0 or path.with_name(f"{path.name}-journal").exists() or not tables(path):
        # The name was taken, and nothing entered yet: the journal is that of turning the log of entries on, and
        # all tables come with the first entry in one transaction.
        assert main(["show", str(path)]) == 2
        return
    with CaseFile.open(path) as case:
        assert case.problems() == []
        assert next(case.entries()).type == "case_opened"
