"""``voicelog query``: the tables hold what the cases hold, exactly, and the SQL reaches nothing else."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from event_strategies import events
from export_cases import CALLOUTS, OPENED, STATUSES, case_of, recorded_case
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.review import add_review
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.events import (
    Assessment,
    Event,
    Medication,
    Milestone,
    Patient,
    Procedure,
    Remark,
    VitalSign,
    event_fields,
    event_from,
)
from voicelog.many.columns import TABLES
from voicelog.many.engine import tables_for
from voicelog.many.questions import QUESTIONS
from voicelog.many.tables import _rows, arrow_table

T0 = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def case_at(path: Path, *said: tuple[float, dict[str, Any], str]) -> Path:
    """A case of events at minutes after T0, each with its status."""
    with CaseFile.create(path, {**OPENED, "source": path.name}, T0) as case:
        for number, (minute, fields, status) in enumerate(said, start=1):
            at = T0 + timedelta(minutes=minute)
            event = event_from({**fields, "heard_at": at, "occurred_at": at}).model_dump()
            body = {"id": f"E{number}", "event": event, "flags": [], "needs_confirm": True, "utterance": None}
            decision = {"event": f"E{number}", "status": status, "basis": "as the test says", "utterance": None}
            case.append([EntryDraft("event", {**body, "amends": None}, at), EntryDraft("decision", decision, at)])
        case.close_case(T0 + timedelta(minutes=60))
    return path


BAG = {"kind": "procedure", "procedure": "bag_valve_mask_ventilation", "action": "started"}
DRUG = {"kind": "medication", "drug": "naloxone", "dose": "0.4", "unit": "mg", "route": "intranasal"}
PULSE = {"kind": "vital_sign", "sign": "heart_rate", "value": "90", "unit": "/min"}
CONTACT = {"kind": "milestone", "milestone": "patient_contact"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two calls: one ventilated, treated and measured again; one neither treated nor measured."""
    cases = tmp_path / "cases"
    cases.mkdir()
    case_at(
        cases / "a",
        (0, CONTACT, "confirmed"),
        (1, DRUG, "confirmed"),
        (2, BAG, "confirmed"),
        (3, {**DRUG, "drug": "epinephrine"}, "rejected"),
        (4.5, DRUG, "unconfirmed"),
        (7, PULSE, "confirmed"),
    )
    case_at(cases / "b", (0, CONTACT, "confirmed"), (2, BAG, "confirmed"), (9, DRUG, "rejected"))
    (cases / "notes.txt").write_text("notes " * 50)
    return cases


def asked(capsys: pytest.CaptureFixture[str], folder: Path, *arguments: str, code: int = 1) -> list[dict[str, Any]]:
    """The rows of an answer; the folder's text file makes the exit code 1."""
    assert main(["query", str(folder), *arguments, "--json"]) == code
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_minutes_from_the_first_ventilation_to_the_first_drug_after_it(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = asked(capsys, folder, "--name", "ventilation_to_drug")
    assert [(row["case_file"], row["first_drug"], row["drug_status"], row["minutes"]) for row in found] == [
        ("a", "naloxone", "unconfirmed", 2.5),
        ("b", None, None, None),
    ]


def test_the_share_of_unconfirmed_drugs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, folder, "--name", "unconfirmed_drugs")
    assert found == [{"drug": "naloxone", "doses": 2, "unconfirmed": 1, "percent": 50}]


def test_how_long_after_a_drug_something_was_measured(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (row,) = asked(capsys, folder, "--name", "recheck_delay")
    assert row == {
        "drug": "naloxone", "doses": 2, "never_rechecked": 0, "median_minutes": 4.25, "longest_minutes": 6,
    }  # fmt: skip


def test_minutes_from_contact_to_the_first_vital_sign(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, folder, "--name", "contact_to_vital")
    assert [(row["case_file"], row["minutes"]) for row in found] == [("a", 7), ("b", None)]


def test_corrections_by_kind_and_month(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = {row["kind"]: row for row in asked(capsys, folder, "--name", "corrections")}
    assert found["medication"] == {
        "month": "2026-11", "kind": "medication", "events": 4, "corrected": 0, "taken_back": 2, "never_confirmed": 1,
    }  # fmt: skip


def test_every_question_can_be_asked_of_an_empty_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in QUESTIONS:
        assert asked(capsys, tmp_path, "--name", name, code=0) == []


def test_what_could_not_be_read_is_told_and_the_rest_is_answered(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["query", str(folder), "SELECT count(*) AS n FROM cases", "--csv"]) == 1
    captured = capsys.readouterr()
    assert captured.out == "n\r\n2\r\n"
    assert captured.err == f"left out: {folder / 'notes.txt'}: not a case file, or one that is encrypted\n"


def test_words_decisions_and_provenance_are_in_the_tables(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded_case(tmp_path / "case", *CALLOUTS)
    with CaseFile.open(path) as case:
        *_, last = case.entries()
    sql = "SELECT * FROM utterances JOIN decisions USING (case_no, utterance) WHERE status = 'amended'"
    (row,) = asked(capsys, tmp_path, sql, code=0)
    assert (row["words"], row["basis"]) == ("correction two milligrams", "corrected by E2")
    assert (row["head_hash"], row["grammar_hash"], row["recorded_with"]) == (last.hash, "ab12", "0.1.0")


def test_a_copy_of_a_case_counts_once_and_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "c").write_bytes((folder / "a").read_bytes())
    assert main(["query", str(folder), "SELECT count(*) AS n FROM drugs", "--csv"]) == 1
    captured = capsys.readouterr()
    assert captured.out == "n\r\n4\r\n"
    assert f"left out: {folder / 'c'}: the same case as {folder / 'a'}" in captured.err


def test_an_older_copy_is_left_out_and_one_that_went_its_own_way_is_counted_with_a_warning(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole, older, other = folder / "a", folder / "older", folder / "other"
    older.write_bytes(whole.read_bytes())
    other.write_bytes(whole.read_bytes())
    for path, texts in ((whole, ("seen", "seen again")), (other, ("seen elsewhere",))):
        with CaseFile.open(path, write=True) as case:
            for text in texts:
                add_review(case, "comment", [EntryDraft("review_comment", {"about": "", "text": text}, T0)], T0)
    assert main(["query", str(folder), "SELECT case_file FROM cases ORDER BY 1", "--csv"]) == 1
    captured = capsys.readouterr()
    assert captured.out.split() == ["case_file", "a", "b", "other"]
    assert f"left out: {older}: an older copy of {whole}, which has 6 entries more\n" in captured.err
    begun = f"warning: {other} and {whole} begin with the same entry, but neither continues the other"
    assert f"{begun}: both are counted\n" in captured.err


def test_who_signed_off_stands_with_the_case(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with CaseFile.open(folder / "a", write=True) as case:
        add_review(case, "sign-off", [EntryDraft("signed_off", {"by": "R. One"}, T0)], T0)
    found = asked(capsys, folder, "SELECT closed, signed_off_by, signed_off_at FROM cases ORDER BY case_file")
    assert found == [
        {"closed": True, "signed_off_by": "R. One", "signed_off_at": "2026-11-25T10:00:00+00:00"},
        {"closed": True, "signed_off_by": None, "signed_off_at": None},
    ]


@pytest.mark.parametrize(
    ("sql", "needed"),
    [
        ("SELECT 1", set()),
        ("SELECT count(*) FROM cases", {"cases"}),
        ('SELECT * FROM "Drugs" AS d JOIN main.vitals USING (case_no)', {"events"}),
        ("WITH cases AS (SELECT 1 AS a) SELECT * FROM cases", set()),
        ("SELECT (SELECT count(*) FROM utterances) FROM decisions", {"utterances", "decisions"}),
        ("FROM query_table('utterances')", {"utterances"}),
        ("FROM query('SELECT * FROM ' || 'drugs')", {"events"}),
        (QUESTIONS["ventilation_to_drug"].sql, {"cases", "events"}),
        (QUESTIONS["recheck_delay"].sql, {"events"}),
    ],
)
def test_only_the_tables_that_a_query_looks_at_are_made(sql: str, needed: set[str]) -> None:
    assert tables_for(sql) == needed


def test_the_engine_and_its_threads_are_not_yet_here_when_the_readers_are_forked() -> None:
    code = (
        "import sys; from voicelog.many.engine import tables_for; from voicelog.many.pool import apart;"
        "print(sorted(apart(tables_for, 'SELECT 1 FROM cases, drugs')), {'duckdb', 'pyarrow'} & {*sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "['cases', 'events'] set()\n"


def test_wrong_sql_is_told_before_any_case_is_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("voicelog.commands.query.read_tables", lambda *_, **__: pytest.fail("a case was read"))
    assert main(["query", str(folder), "SELECT nix FROM cases"]) == 2
    assert "nix" in capsys.readouterr().err


def test_every_field_of_every_kind_of_event_has_a_column() -> None:
    names = {column.name for column in TABLES["events"]}
    for kind in (Assessment, Medication, Milestone, Patient, Procedure, Remark, VitalSign):
        assert set(kind.model_fields) - {"occurred_at", "heard_at", "evidence"} <= names


@settings(max_examples=80, deadline=None)
@given(events(), st.sampled_from(STATUSES))
def test_every_event_in_every_standing_is_a_row_with_exactly_its_values(event: Event, status: str) -> None:
    rows = [row for table, row in _rows(case_of((event, status, ("a", "b"))), None, 1) if table == "events"]
    (row,) = arrow_table("events", rows).to_pylist()
    assert (row["status"], row["flags"]) == (status, ["a", "b"])
    for name, value in event_fields(event).items():
        assert row[name] == value


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT * FROM read_csv('{secret}')",
        "SELECT * FROM read_text('{secret}')",
        "SELECT * FROM '{secret}'",
        "SELECT * FROM glob('/*')",
        "COPY events TO '{secret}.out'",
        "ATTACH '{secret}'",
        "SET enable_external_access = true",
        "INSTALL httpfs",
        "CREATE TABLE mine AS FROM cases",
        "DELETE FROM cases",
        "SELECT 1; SELECT 2",
        "PRAGMA database_list",
        "SELEC 1",
        "SELECT nix FROM cases",
        "SELECT getenv('HOME')",
        "SELECT * FROM folder",
        "",
    ],
)
def test_sql_that_reaches_beyond_the_cases_or_is_wrong_is_one_line(
    sql: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("word\nSESAME\n")
    assert main(["query", str(folder), sql.format(secret=secret)]) == 2
    captured = capsys.readouterr()
    assert "SESAME" not in captured.out + captured.err
    assert [line.split(":")[0] for line in captured.err.splitlines()] == ["voicelog", "hint"]
    assert list(tmp_path.iterdir()) == [folder, secret] or sorted(tmp_path.iterdir()) == [folder, secret]


def test_an_error_over_values_does_not_say_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case_at(tmp_path / "case", (1, {"kind": "remark", "text": "JOHN DOE"}, "confirmed"))
    assert main(["query", str(tmp_path), "SELECT text::INTEGER FROM events"]) == 2
    assert "JOHN" not in capsys.readouterr().err


@pytest.mark.parametrize("statement", ['"dose":"JOHN"', '"dose":"0.0000000000001"', '"dose":{"JOHN":1}'])
def test_a_case_whose_values_fit_no_column_is_left_out_and_told_without_them(
    statement: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case_at(tmp_path / "case", (1, DRUG, "confirmed"))
    with closing(sqlite3.connect(tmp_path / "case")) as connection, connection:
        connection.execute("DROP TRIGGER entries_no_update")
        connection.execute('UPDATE entries SET body = replace(body, \'"dose":"0.4"\', ?)', (statement,))
    assert asked(capsys, tmp_path, "SELECT * FROM cases") == []
    main(["query", str(tmp_path), "SELECT * FROM cases"])
    assert "JOHN" not in capsys.readouterr().err


def test_a_cell_of_the_csv_is_no_formula(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case_at(tmp_path / "case", (1, {"kind": "remark", "text": "=1+1"}, "confirmed"))
    assert main(["query", str(tmp_path), "SELECT text FROM events", "--csv"]) == 0
    assert list(csv.reader(io.StringIO(capsys.readouterr().out))) == [["text"], ["'=1+1"]]


def test_values_of_every_type_can_be_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sql = "SELECT 1.50::DECIMAL(9,3) AS a, 'nan'::DOUBLE AS b, INTERVAL 2 MINUTE AS c, [1, 2] AS d, {'x': 1} AS e"
    sql += ", DATE '2026-01-02' AS f, TIME '10:30:00' AS g, 'x'::BLOB AS h, NULL AS i"
    sql += ", TIMESTAMPTZ '2026-01-02 03:04Z' AS j"
    (row,) = asked(capsys, tmp_path, sql, code=0)
    assert (row["a"], row["b"], row["d"], row["e"], row["j"]) == (
        1.5, None, [1, 2], {"x": 1}, "2026-01-02T03:04:00+00:00",
    )  # fmt: skip
    assert main(["query", str(tmp_path), sql]) == 0
    assert main(["query", str(tmp_path), sql, "--csv"]) == 0


def test_the_list_names_questions_tables_and_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["query", "--list"]) == 0
    told = capsys.readouterr().out
    for name in [*QUESTIONS, *TABLES, "happened_at", "view drugs"]:
        assert name in told
    assert main(["query", "--list", "--json"]) == 0
    assert all(json.loads(line)["name"] for line in capsys.readouterr().out.splitlines())


@pytest.mark.parametrize("arguments", [[], ["."], [".", "SELECT 1", "--name", "corrections"], ["/nowhere", "SELECT 1"]])
def test_wrong_use_is_told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    main(["query", *arguments])
    assert capsys.readouterr().err.startswith(("voicelog: ", "left out: "))


def test_a_table_that_is_wider_than_the_screen_is_told_line_by_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    main(["query", str(folder), "SELECT * FROM drugs ORDER BY case_no, entry"])
    told = capsys.readouterr().out
    assert told.count("\n  drug: ") == 4
    assert "row 1\n" in told
    assert "  dose: 0.4\n" in told
    assert "systolic" not in told, "what is empty is left out"
    main(["query", str(folder), "SELECT case_file, count(*) AS n FROM drugs GROUP BY ALL ORDER BY 1"])
    assert capsys.readouterr().out.splitlines()[1].split() == ["a", "3"]


def test_a_number_of_the_answer_keeps_its_digits(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["query", str(folder), "SELECT DISTINCT dose FROM drugs", "--csv"])
    assert Decimal(capsys.readouterr().out.split()[1]) == Decimal("0.4")
