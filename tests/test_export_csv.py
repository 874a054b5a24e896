"""CSV export: one row an event, the same columns always, exact values, and nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from pathlib import Path

import pytest
from event_strategies import events
from export_cases import CALLOUTS, OPENED, SAMPLES, STATUSES, case_of, recorded_case, sample, talked
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.store import CaseFile
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
)
from voicelog.exports.csv_rows import COLUMNS, FIELDS, csv_text, safe_cell
from voicelog.exports.source import CaseRecord, record_of

BOOKKEEPING = {"occurred_at", "heard_at", "evidence"}


def rows(record: CaseRecord) -> list[dict[str, str]]:
    text = csv_text(record)
    return list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


def test_it_opens_right_in_a_spreadsheet() -> None:
    text = csv_text(talked("pulse ninety"))
    assert text.startswith("\ufeff")  # UTF-8 with a byte order mark
    assert text.endswith("\r\n")  # RFC 4180: lines end with CR LF
    assert text.count("\n") == text.count("\r\n") == 2


def test_the_columns_are_stable() -> None:
    assert csv_text(talked()).removeprefix("\ufeff").strip() == ",".join(COLUMNS)
    assert COLUMNS[:8] == (
        "event", "status", "basis", "flags", "needs_confirm", "amends", "happened", "summary",
    )  # fmt: skip
    assert len(set(COLUMNS)) == len(COLUMNS)


def test_every_field_of_every_kind_of_event_has_a_column() -> None:
    for kind in (Assessment, Medication, Milestone, Patient, Procedure, Remark, VitalSign):
        assert set(kind.model_fields) - BOOKKEEPING <= set(FIELDS)


def test_a_row_says_the_event_and_where_it_stands() -> None:
    row = rows(talked("naloxone two milligrams intranasal"))[0]
    said = ("event", "status", "basis", "needs_confirm", "kind", "drug", "dose", "unit", "route", "action")
    assert [row[name] for name in said] == [
        "E1", "unconfirmed", "never confirmed", "yes", "medication", "naloxone", "2", "mg", "intranasal", "given",
    ]  # fmt: skip
    assert row["happened"] == "2026-03-04T10:00:20+00:00"
    assert row["summary"] == "naloxone 2 mg intranasal"


def test_a_correction_and_what_it_corrects_are_both_there() -> None:
    old, new = rows(talked("pulse ninety", "correction one hundred", "confirm"))
    assert (old["status"], old["value"]) == ("amended", "90")
    assert (new["status"], new["value"], new["amends"]) == ("confirmed", "100", "E1")


def test_flags_stand_in_one_cell() -> None:
    (row,) = rows(case_of((VitalSign(sign="heart_rate", value=Decimal(300), unit="/min"), "unconfirmed", ("a", "b"))))
    assert row["flags"] == "a; b"


def test_a_row_leads_to_the_words_the_audio_and_the_hashes(tmp_path: Path) -> None:
    with CaseFile.open(recorded_case(tmp_path / "case.voicelog", *CALLOUTS)) as case:
        record = record_of("case.voicelog", list(case.entries()))
    row = rows(record)[2]
    utterance = record.heard["U4"]
    assert (row["utterance"], row["words"]) == ("U4", "pulse ninety strong and regular")
    assert (row["clip_sha256"], row["start_seconds"], row["end_seconds"]) == (utterance.clip, "40", "41.500")
    assert (row["case"], row["head_hash"]) == ("case.voicelog", record.entries[-1].hash)
    assert (row["grammar_hash"], row["recorded_with"]) == (OPENED["grammar_hash"], OPENED["version"])
    assert row["entry_hash"] == record.by_seq[int(row["entry"])].hash


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1", "=HYPERLINK(1)", "-2+3"]
)
def test_text_that_could_act_as_a_formula_is_defused(text: str) -> None:
    (row,) = rows(case_of((Remark(text=text), "confirmed", ())))
    assert row["text"].startswith("'")
    assert row["text"].replace("'", "") == text


@pytest.mark.parametrize(
    ("text", "cell"),
    [("given; =1+1", "given; '=1+1"), ("a\n@b", "a\n'@b"), ("a|+1", "a|'+1"), ("  =1", "'  =1"), ("a; b", "a; b")],
)
def test_a_formula_behind_another_separator_is_defused(text: str, cell: str) -> None:
    assert safe_cell(text) == cell


@pytest.mark.parametrize(
    ("value", "cell"),
    [(Decimal("-5"), "-5"), (-5, "-5"), (Decimal("2.50"), "2.50"), (Decimal("1E+2"), "100"), (True, "yes"), (None, "")],
)
def test_numbers_stay_numbers(value: object, cell: str) -> None:
    assert safe_cell(value) == cell


def test_text_with_commas_quotes_and_line_ends_stays_one_cell() -> None:
    text = 'mother said "no, not him"\nthen left'
    assert rows(case_of((Remark(text=text), "confirmed", ())))[0]["text"] == text


@pytest.mark.parametrize("name", SAMPLES)
def test_every_event_of_every_sample_is_a_row(name: str) -> None:
    made = rows(sample(name))
    assert [(row["event"], row["status"]) for row in made] == [
        (recorded.id, recorded.status) for recorded in sample(name).state.events
    ]


@settings(max_examples=100, deadline=None)
@given(events(), st.sampled_from(STATUSES))
def test_every_event_comes_back_exactly(event: Event, status: str) -> None:
    (row,) = rows(case_of((event, status, ())))
    assert row["status"] == status
    filled = {name: row[name] for name in FIELDS if row[name]}
    assert filled == {name: safe_cell(value) for name, value in event_fields(event).items()}
    for name, value in event_fields(event).items():
        if isinstance(value, int | Decimal) and not isinstance(value, bool):
            assert Decimal(row[name]) == value
