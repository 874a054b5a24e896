"""``voicelog parse``: what it prints for people and for machines, a line for a line, and its exit codes."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from voicelog.cli import main

KEYS = {"outcome", "events", "commands", "questions", "flags", "read_back"}
"""Keys that design section 6 gives for ``parse --json``."""


def answer(capsys: pytest.CaptureFixture[str], text: str, code: int = 0) -> dict[str, Any]:
    assert main(["parse", text, "--json"]) == code
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    found: dict[str, Any] = json.loads(out)
    return found


def feed(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(content), encoding="utf-8"))


@pytest.mark.parametrize(
    ("text", "outcome", "code"),
    [
        ("pulse ninety", "events", 0),
        ("confirm", "command", 0),
        ("sugar five", "ambiguous", 0),
        ("should we give epinephrine", "not_understood", 0),
    ],
)
def test_every_outcome_has_the_same_keys_and_its_exit_code(
    capsys: pytest.CaptureFixture[str], text: str, outcome: str, code: int
) -> None:
    found = answer(capsys, text, code)
    assert found["outcome"] == outcome
    assert found.keys() >= KEYS


def test_a_callout_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "epinephrine zero point three milligrams intramuscular left thigh")
    (event,) = found["events"]
    wanted = {
        "kind": "medication", "drug": "epinephrine", "dose": 0.3, "unit": "mg", "route": "intramuscular",
        "site": "left thigh", "action": "given",
    }  # fmt: skip
    assert {name: event[name] for name in wanted} == wanted
    assert event["evidence"]["dose"]["words"] == "zero point three"
    assert (
        found["read_back"]
        == "Epinephrine, echo papa india, zero point three milligrams intramuscular left thigh. Confirm?"
    )


def test_several_callouts_in_one_breath_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "pulse ninety and resps fourteen")
    assert [(event["sign"], event["value"]) for event in found["events"]] == [
        ("heart_rate", 90), ("respiratory_rate", 14),
    ]  # fmt: skip


def test_commands_and_questions_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(capsys, "take back the last entry")["commands"] == ["take_back"]
    (question,) = answer(capsys, "sugar five")["questions"]
    assert (question["about"], question["text"]) == ("unit", "Glucose five: milligrams or millimoles?")


def test_flags_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(capsys, "hart rate ninety")["flags"] == ["label_repaired"]


def test_a_callout_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["parse", "blood pressure one eighteen over seventy six"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "event     blood pressure 118/76 mmHg",
        "            systolic <- 'one eighteen'",
        "            diastolic <- 'seventy six'",
        "says      Pressure one one eight over seven six.",
    ]


def test_what_makes_no_entry_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["parse", "should we give epinephrine"]) == 0
    assert capsys.readouterr().out == "no entry  a question or a request\n"


def test_standard_input_is_answered_line_for_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    feed(monkeypatch, b"pulse ninety\nconfirm\n\nsugar five")
    assert main(["parse", "-", "--json"]) == 0
    outcomes = [json.loads(line)["outcome"] for line in capsys.readouterr().out.splitlines()]
    assert outcomes == ["events", "command", "not_understood", "ambiguous"]


def test_standard_input_all_understood_is_done(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    feed(monkeypatch, b"pulse ninety\r\nconfirm\r\n")
    assert main(["parse", "-", "--json"]) == 0


def test_empty_standard_input_is_done(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    feed(monkeypatch, b"")
    assert main(["parse", "-", "--json"]) == 0
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("bad", [b"\xff\xfe\x00\x01", b"pulse \x1b[31mninety", b"pulse ninety " * 2000])
def test_a_bad_line_is_answered_too_named_once_and_does_not_end_the_session(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, bad: bytes
) -> None:
    feed(monkeypatch, b"pulse ninety\n" + bad + b"\nconfirm\n")
    assert main(["parse", "-", "--json"]) == 2
    captured = capsys.readouterr()
    outcomes = [json.loads(line)["outcome"] for line in captured.out.splitlines()]
    assert outcomes == ["events", "not_understood", "command"]
    assert captured.err.startswith("voicelog: line 2: ")
    assert captured.err.count("\n") == 2


def test_the_lines_of_standard_input_are_one_course(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    feed(monkeypatch, b"heart rate one thirty two\nheart rate thirty two\nconfirm\n")
    assert main(["parse", "-", "--json"]) == 0
    answers = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [one["flags"] for one in answers] == [[], ["sudden_change"], []]
    assert answers[2]["read_back"] == "Confirmed: heart rate three two."


def test_a_refused_protocol_row_is_told_and_the_callout_answered(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "protocol").mkdir()
    (tmp_path / "protocol" / "local.toml").write_text("[repeat.naloxone]\nfrom_min = 4\n", encoding="utf-8")
    assert main(["parse", "pulse ninety", "--json", "--grammars", str(tmp_path)]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["outcome"] == "events"
    assert f"{tmp_path / 'protocol' / 'local.toml'}:1: " in captured.err
