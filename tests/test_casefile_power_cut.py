"""The power goes at any moment: every acknowledged entry is there, the file opens, and the chain holds."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from pathlib import Path

import pytest
from campaigns import share
from case_files import problems, remark, stored
from power_cut import Deed, build_shim, disk_after, logged_run

from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError

COMPILER = shutil.which("cc")
pytestmark = pytest.mark.skipif(COMPILER is None, reason="a C compiler makes the shim that logs what goes to the disk")

# Two sessions, so that the log is also emptied and begun anew, with a log long enough for SQLite's own checkpoints.
WRITER = """
import os, sys
from datetime import datetime, timezone
from voicelog.casefile.review import delete_audio
from voicelog.casefile.store import CaseFile, EntryDraft, clip_hash
at = datetime(2026, 11, 25, 8, tzinfo=timezone.utc)
acks = os.open(sys.argv[1] + "/acks", os.O_WRONLY | os.O_CREAT, 0o600)
path = sys.argv[1] + "/case.vlog"
case = CaseFile.create(path, {"version": "test"}, at)
os.write(acks, b"1\\n")
for session in (1, 2):
    for number in range(90):
        flac = os.urandom(30_000)
        body = {"clip": clip_hash(flac), "text": "words " * 30}
        seq = case.append([EntryDraft("u", body, at), EntryDraft("e", {}, at)], [flac])[-1].seq
        os.write(acks, b"%d\\n" % seq)
    if session == 1:
        case.close()
        case = CaseFile.open(path, write=True)
os.write(acks, b"%d\\n" % case.close_case(at).seq)
delete_audio(case, "", at)
os.write(acks, b"%d\\n" % list(case.entries())[-1].seq)
case.close()
"""


def acknowledged(deeds: list[Deed]) -> int:
    """The seq of the last entry that the writer had been told is on the disk."""
    told = [deed.data for deed in deeds if deed.kind == "w" and deed.path.endswith("/acks")]
    return int(told[-1]) if told else 0


def watched_deeds(tmp_path: Path) -> list[Deed]:
    assert COMPILER
    folder = tmp_path / "watched"
    folder.mkdir()
    deeds = logged_run(build_shim(tmp_path, COMPILER), folder, tmp_path / "log", WRITER, str(folder))
    # The shared memory is made anew at every opening, and the lock is no content.
    return [deed for deed in deeds if not deed.path.endswith(("-shm", "-lock"))]


def survives(deeds: list[Deed], folder: Path, chance: random.Random) -> str:
    """Check one power cut right after these deeds; says in a word how far the writer had come."""
    last = acknowledged(deeds)
    folder.mkdir()
    for path, content in disk_after(deeds, chance).items():
        (folder / Path(path).name).write_bytes(content)
    case = folder / "case.vlog"
    try:
        entries = stored(case)
    except CaseFileError:
        assert last == 0, f"{last} entries were acknowledged, and the file does not open"
        return "nothing acknowledged"
    assert len(entries) >= last
    assert problems(case) == []
    if entries[-1].type != "case_closed":
        with CaseFile.open(case, write=True) as again:
            again.append([remark(1)])
        assert problems(case) == []
    return "whole"


@pytest.mark.parametrize(("encrypted", "usual", "full"), [(False, 30, 200), (True, 3, 200)])
def test_a_power_cut_loses_no_acknowledged_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encrypted: bool, usual: int, full: int
) -> None:
    if encrypted:
        pytest.importorskip("sqlcipher3", reason="pip install 'voicelog[encrypt]'")
        secret = tmp_path / "secret"
        secret.write_text("correct horse\n")
        secret.chmod(0o600)
        monkeypatch.setenv(PASSPHRASE_FILE, str(secret))
    deeds, chance = watched_deeds(tmp_path), random.Random(7)
    assert {deed.kind for deed in deeds} == set("cwtsu")
    counted: Counter[str] = Counter()
    for number in range(share(usual, full)):
        # The first steps, in which the file is made, are few among thousands.
        cut = chance.randrange(60) if number % 5 == 0 else chance.randrange(len(deeds) + 1)
        folder = tmp_path / f"cut-{number}"
        counted[survives(deeds[:cut], folder, chance)] += 1
        shutil.rmtree(folder)
    print(f"power cuts, encrypted {encrypted}: {dict(counted)} at {len(deeds)} steps")  # noqa: T201
    assert counted["whole"]


def test_the_simulation_would_show_a_lost_entry(tmp_path: Path) -> None:
    # Without its syncs the same run must fail somewhere, else the test above proves nothing.
    deeds = [deed for deed in watched_deeds(tmp_path) if deed.kind != "s"]
    lost = 0
    for number in range(10):
        chance = random.Random(number)
        try:
            survives(deeds[: len(deeds) // 2 + number * 20], tmp_path / f"cut-{number}", chance)
        except AssertionError:
            lost += 1
    assert lost > 5
