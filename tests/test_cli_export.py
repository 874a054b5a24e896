"""``voicelog export`` and ``voicelog import`` as a user meets them."""

from __future__ import annotations

import json
import os
import sqlite3
from pathlib import Path

import pytest
from export_cases import CALLOUTS, OPENED, recorded_case, schemas

from voicelog.casefile.store import CaseFile
from voicelog.cli import main

FORMATS = ("fhir", "nemsis", "csv", "jsonl", "sqlite")


@pytest.fixture
def case_path(tmp_path: Path) -> Path:
    return recorded_case(tmp_path / "case.voicelog", *CALLOUTS)


def complaint(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    """What one failing command says: exactly one line and one hint."""
    assert main([str(argument) for argument in arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    line, hint, rest = captured.err.split("\n")
    assert line.startswith("voicelog: ")
    assert hint.startswith("hint: ")
    assert rest == ""
    return line


def head(path: Path) -> str:
    with CaseFile.open(path) as case:
        *_, last = case.entries()
    return last.hash


@pytest.mark.parametrize("form", FORMATS)
def test_each_format_is_written_with_the_head_it_was_made_from(case_path: Path, form: str, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["export", str(case_path), "--to", form, "--out", str(out)]) == 0
    assert head(case_path).encode() in out.read_bytes()
    assert out.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("form", [form for form in FORMATS if form != "sqlite"])
def test_unconfirmed_entries_carry_their_state_in_every_format(
    case_path: Path, form: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(case_path), "--to", form]) == 0
    assert "unconfirmed" in capsys.readouterr().out


@pytest.mark.parametrize("form", [form for form in FORMATS if form != "sqlite"])
def test_without_out_the_same_bytes_go_to_standard_output(
    case_path: Path, form: str, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    out = tmp_path / "out"
    main(["export", str(case_path), "--to", form, "--out", str(out)])
    capsysbinary.readouterr()
    main(["export", str(case_path), "--to", form])
    assert capsysbinary.readouterr().out == out.read_bytes()


def test_export_and_import_make_an_equal_case(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines, again = tmp_path / "case.jsonl", tmp_path / "again.voicelog"
    assert main(["export", str(case_path), "--to", "jsonl", "--out", str(lines)]) == 0
    assert main(["import", str(lines), "--case", str(again)]) == 0
    assert "chain verified" in capsys.readouterr().out
    assert head(again) == head(case_path)
    assert main(["show", str(again)]) == 0


def test_an_import_without_audio_says_so(case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = tmp_path / "case.jsonl"
    main(["export", str(case_path), "--to", "jsonl", "--no-audio", "--out", str(lines)])
    assert main(["import", str(lines), "--case", str(tmp_path / "again")]) == 0
    assert "5 clips are missing" in capsys.readouterr().err


def test_a_tampered_import_is_refused_with_its_line_and_makes_nothing(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = tmp_path / "case.jsonl"
    main(["export", str(case_path), "--to", "jsonl", "--out", str(lines)])
    lines.write_text(lines.read_text(encoding="utf-8").replace("midazolam", "morphine", 1), encoding="utf-8")
    capsys.readouterr()
    assert "case.jsonl line 3: entry 2 was changed" in complaint(capsys, "import", lines, "--case", tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_a_nemsis_export_is_checked_against_the_schemas_and_lists_what_it_cannot_say(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "case.xml"
    assert main(["export", str(case_path), "--to", "nemsis", "--schemas", str(schemas()), "--out", str(out)]) == 0
    told = capsys.readouterr().err
    assert "E1 midazolam 5 mg intramuscular: amended" in told
    assert "placeholder eResponse.14" in told
    assert "not checked against" not in told


def test_without_schemas_a_nemsis_export_says_that_it_is_not_checked(
    case_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(case_path), "--to", "nemsis"]) == 0
    assert "not checked against the official schemas" in capsys.readouterr().err


def test_a_details_file_fills_what_no_callout_says(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    details = tmp_path / "agency.toml"
    details.write_text('"eResponse.14" = "Medic 1"\n')
    assert main(["export", str(case_path), "--to", "nemsis", "--details", str(details)]) == 0
    assert "<eResponse.14>Medic 1</eResponse.14>" in capsys.readouterr().out


def test_an_export_of_a_changed_case_says_so_and_ends_with_findings(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with sqlite3.connect(case_path) as connection:
        connection.execute("DROP TRIGGER entries_no_update")
        connection.execute('UPDATE entries SET body = replace(body, \'"dose":"5"\', \'"dose":"50"\')')
    connection.close()
    assert main(["export", str(case_path), "--to", "fhir"]) == 1
    captured = capsys.readouterr()
    assert "was changed" in captured.err
    assert "integrity-problem" in captured.out
    assert json.loads(captured.out)["resourceType"] == "Bundle"


@pytest.mark.parametrize("form", FORMATS)
def test_what_is_no_case_is_told(form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("these are notes, not a case\n" * 100)
    assert "notes.txt" in complaint(capsys, "export", notes, "--to", form, "--out", tmp_path / "out")
    assert "missing" in complaint(capsys, "export", tmp_path / "missing", "--to", form, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("form", FORMATS)
def test_nothing_is_overwritten(case_path: Path, form: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = case_path.read_bytes()
    assert "exists already" in complaint(capsys, "export", case_path, "--to", form, "--out", case_path)
    assert case_path.read_bytes() == before


@pytest.mark.parametrize("form", FORMATS)
def test_a_place_that_cannot_be_written_is_told(
    case_path: Path, form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "nowhere" in complaint(capsys, "export", case_path, "--to", form, "--out", tmp_path / "nowhere" / "out")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--to", "nemsis", "--schemas", "nowhere"], "no EMSDataSet_v3.xsd in nowhere"),
        (["--to", "nemsis", "--details", "nowhere"], "nowhere is not a file"),
        (["--to", "sqlite"], "needs a name"),
        (["--to", "csv", "--schemas", "x"], "--schemas goes with --to nemsis"),
        (["--to", "csv", "--details", "x"], "--details goes with --to nemsis"),
        (["--to", "csv", "--no-audio"], "--no-audio goes with --to jsonl"),
        (["--to", "hl7"], "invalid choice"),
        ([], "--to"),
    ],
)
def test_wrong_use_is_told(case_path: Path, options: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert said in complaint(capsys, "export", case_path, *options)


def test_an_import_that_cannot_be_read_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "missing", "."):
        complaint(capsys, "import", tmp_path / name, "--case", tmp_path / "again")
    (tmp_path / "empty").touch()
    assert "holds no case" in complaint(capsys, "import", tmp_path / "empty", "--case", tmp_path / "again")


def test_an_import_never_takes_the_name_of_another_case(
    case_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = tmp_path / "case.jsonl"
    main(["export", str(case_path), "--to", "jsonl", "--out", str(lines)])
    capsys.readouterr()
    assert "exists already" in complaint(capsys, "import", lines, "--case", case_path)


def test_a_case_without_events_exports_to_every_format(tmp_path: Path) -> None:
    from dialogue_talk import START

    CaseFile.create(tmp_path / "empty.voicelog", OPENED, START).close()
    for form in FORMATS:
        out = str(tmp_path / f"out.{form}")
        assert main(["export", str(tmp_path / "empty.voicelog"), "--to", form, "--out", out]) == 0
