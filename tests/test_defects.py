"""A defect of voicelog is told as one line that quotes nothing anybody said."""

from __future__ import annotations

import argparse
import threading

import pytest

import voicelog.commands.show
from voicelog.cli import DEFECT, main
from voicelog.defects import told, told_threads
from voicelog.events import event_from

SAID = "penicillin for Jane"


def test_a_defect_in_a_command_is_one_line_and_its_own_exit_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(arguments: argparse.Namespace) -> int:
        # pydantic quotes what it was given.
        event_from({"kind": "remark", "text": [SAID]})
        return 0

    monkeypatch.setattr(voicelog.commands.show, "run", run)
    assert main(["show", "case.voicelog"]) == DEFECT
    line, hint = capsys.readouterr().err.splitlines()
    assert line.startswith("voicelog: a defect of voicelog: ValidationError in voicelog.events, line ")
    assert hint.startswith("hint: ")
    assert SAID not in line + hint


def test_a_defect_in_a_thread_is_told_alike(capsys: pytest.CaptureFixture[str]) -> None:
    def fail() -> None:
        raise ValueError(SAID)

    lines: list[str] = []
    with told_threads(lambda *more: lines.extend(more)):
        thread = threading.Thread(target=fail)
        thread.start()
        thread.join()
    assert lines[0] == "voicelog: a defect of voicelog: ValueError"
    assert SAID not in "".join(lines) + capsys.readouterr().err


def test_an_error_without_a_place_is_told() -> None:
    assert told(None)[0] == "voicelog: a defect of voicelog: NoneType"
