"""What a live session leaves on the disk, over virtual devices: signed, without audio, while the clock is set or the
disk is full."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from live_run import SPHINX, running, stored
from pulse import Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.casefile.closing import clips_said
from voicelog.casefile.state import CaseState
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.views.labels import written

pytestmark = [pytest.mark.realtime, pytest.mark.skipif(bool(why_not()), reason=why_not())]

COMPILER = shutil.which("cc")
SHIM = Path(__file__).parent / "wall" / "shim.c"
HOUR = timedelta(hours=1)


def record(state: CaseState) -> list[str]:
    return [f"{written(one.event)}: {one.status}" for one in state.events]


def shimmed(folder: Path, variable: str) -> tuple[tuple[str, ...], Path]:
    """How to start a program whose clocks can be set, and the file that sets them: seconds, as the shim says."""
    shim, seconds = folder / "shim.so", folder / "seconds"
    subprocess.run([str(COMPILER), "-shared", "-fPIC", "-o", shim, SHIM], check=True)
    seconds.write_bytes(b"0".ljust(16, b"\0"))
    return ("env", f"LD_PRELOAD={shim}", f"{variable}={seconds}"), seconds


def test_a_session_that_is_signed_and_keeps_no_audio(
    pulse: Pulse, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case, key, public = (tmp_path / name for name in ("case.voicelog", "device.key", "device.pub"))
    assert main(["key", "make", str(key)]) == 0
    capsys.readouterr()
    assert main(["key", "public", str(key)]) == 0
    public.write_text(capsys.readouterr().out)
    with running(pulse, "--case", str(case), *SPHINX, "--no-audio", "--sign", str(key)) as run:
        run.answered("heart rate ninety six")
        assert run.end() == 0
    entries, state = stored(case)
    assert record(state) == ["heart rate 96/min: confirmed"]
    assert state.opened["audio"] == "not kept"
    with CaseFile.open(case) as file:
        assert file.clip_names() == []
    # Every second of sound and every utterance still says which sound it was.
    assert len(clips_said(entries).named) > 2
    assert entries[-1].body["signature"]["algorithm"] == "Ed25519"
    main(["audit", str(case), "--public-key", str(public)])
    told = capsys.readouterr().out
    assert "the hash chain holds" in told
    assert "Integrity" not in told


@pytest.mark.skipif(COMPILER is None, reason="a C compiler makes the shim that sets the wall clock")
def test_a_wall_clock_that_is_set_is_entered_and_not_followed(
    pulse: Pulse, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = tmp_path / "case.voicelog"
    clock, offset = shimmed(tmp_path, "WALL_OFFSET")
    with running(pulse, "--case", str(case), *SPHINX, before=clock) as run:
        run.answered("heart rate ninety six")
        with offset.open("r+b") as file:
            file.write(b"-3600")
        run.until(lambda line: line["type"] == "clock_stepped")
        run.answered("heart rate ninety two")
        assert run.end() == 0
    entries, state = stored(case)
    assert record(state) == ["heart rate 96/min: confirmed", "heart rate 92/min: confirmed"]
    (step,) = [entry for entry in entries if entry.type == "clock_stepped"]
    assert step.body["seconds"] == "-3600"
    # Sound is entered a little after it was heard, so neighbours may stand a few seconds apart, never an hour.
    assert all(later.at - earlier.at > timedelta(seconds=-10) for earlier, later in pairwise(entries))
    assert entries[-1].at - entries[0].at < HOUR / 2
    main(["audit", str(case)])
    told = capsys.readouterr().out
    assert f"set from {step.at:%Y-%m-%d %H:%M:%S} to {step.at - HOUR:%Y-%m-%d %H:%M:%S}" in told


@pytest.mark.skipif(COMPILER is None, reason="a C compiler makes the shim that sets the clocks")
def test_after_a_lid_was_closed_the_case_goes_on_at_the_right_time(
    pulse: Pulse, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = tmp_path / "case.voicelog"
    clock, slept = shimmed(tmp_path, "SLEPT")
    with running(pulse, "--case", str(case), *SPHINX, before=clock) as run:
        run.answered("heart rate ninety six")
        with slept.open("r+b") as file:
            file.write(b"900")
        run.until(lambda line: line["type"] == "spoken" and "I was deaf" in line["text"])
        time.sleep(0.5)
        run.answered("heart rate ninety two")
        assert run.end() == 0
    entries, state = stored(case)
    assert record(state) == ["heart rate 96/min: confirmed", "heart rate 92/min: confirmed"]
    before, after = (one.event.heard_at for one in state.events)
    assert before is not None
    assert after is not None
    assert timedelta(seconds=900) < after - before < timedelta(seconds=990)
    (gap,) = [entry for entry in entries if entry.type == "gap" and entry.body["reason"] == "the machine slept"]
    assert 899 < float(gap.body["end"]) - float(gap.body["start"]) < 901
    assert not [entry for entry in entries if entry.type == "clock_stepped"]
    main(["audit", str(case)])
    assert "the hash chain holds" in capsys.readouterr().out


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system in memory of 300 kB."""
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", place], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"no small disk can be mounted here: {made.stderr.strip()}")
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


def test_a_disk_that_is_full_is_told_aloud_and_nothing_heard_meanwhile_is_lost(pulse: Pulse, small_disk: Path) -> None:
    case = small_disk / "case.voicelog"
    with running(pulse, "--case", str(case), *SPHINX) as run:
        run.until(lambda line: line["type"] == "spoken" and "Cannot record" in line["text"], within_s=90)
        run.say_unrecorded("heart rate ninety two")
        assert not any(line["type"] == "event" for line in run.lines)
        subprocess.run(["mount", "-o", "remount,size=20M", small_disk], check=True)
        run.until(lambda line: line["type"] == "recording")
        run.until(lambda line: line["type"] == "event")
        filler = small_disk / "filler"
        before = len(run.lines)
        subprocess.run(["dd", "if=/dev/zero", f"of={filler}", "bs=1k"], capture_output=True)
        run.until(lambda line: line["type"] == "not_recording", after=before)
        assert run.end() == 2
        complaint = run.complaint()
        assert "is full" in complaint
        assert f"Free some space and go on: voicelog listen --resume {case}" in complaint
    filler.unlink()
    with running(pulse, "--resume", str(case), *SPHINX) as run:
        time.sleep(1)
        assert run.end() == 0
    entries, state = stored(case)
    assert record(state) == ["heart rate 92/min: confirmed"]
    assert state.closed
    assert "voicelog was not running" in {entry.body["reason"] for entry in entries if entry.type == "gap"}
