"""Every sample, talked through to a case file with audio, in every format: validated, nothing lost, state carried."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from export_cases import recorded_case, schemas
from fhir.resources.R4B.bundle import Bundle

from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.drill.samples import NAMES, samples_dir
from voicelog.drill.script import read_script
from voicelog.events import Medication

FORMATS = ("fhir", "nemsis", "csv", "jsonl", "sqlite", "parquet")


@pytest.fixture(scope="module", params=NAMES)
def exports(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[CaseState, Path]:
    """A sample's state and the folder with its exports, ``case.FORMAT``."""
    folder: Path = tmp_path_factory.mktemp(request.param)
    lines = [line.say for line in read_script(samples_dir() / f"{request.param}.toml").lines]
    case = recorded_case(folder / "case.voicelog", *lines)
    for form in FORMATS:
        more = ["--schemas", str(schemas())] if form == "nemsis" else []
        assert main(["export", str(case), "--to", form, "--out", str(folder / f"case.{form}"), *more]) == 0
    with CaseFile.open(case) as opened:
        return fold(opened.entries()), folder


def test_there_is_something_to_export(exports: tuple[CaseState, Path]) -> None:
    state, _ = exports
    assert {"confirmed", "unconfirmed"} <= {one.status for one in state.events}


def test_the_bundle_validates_and_holds_each_dose_exactly(exports: tuple[CaseState, Path]) -> None:
    state, folder = exports
    text = (folder / "case.fhir").read_text(encoding="utf-8")
    Bundle.model_validate_json(text)
    made = [entry["resource"] for entry in json.loads(text, parse_float=Decimal)["entry"]]
    # MedicationAdministration.dosage.dose
    found = [
        (one["dosage"]["dose"]["value"], one["dosage"]["dose"]["unit"])
        for one in made
        if one["resourceType"] == "MedicationAdministration" and "value" in one.get("dosage", {}).get("dose", {})
    ]
    said = [one.event for one in state.events if isinstance(one.event, Medication) and one.event.action == "given"]
    said = [event for event in said if event.dose is not None]
    assert found == [(event.dose, "mcg" if event.unit == "ug" else event.unit) for event in said]


def test_the_document_says_of_every_event_where_it_stands(exports: tuple[CaseState, Path]) -> None:
    state, folder = exports
    text = (folder / "case.nemsis").read_text(encoding="utf-8")
    # eNarrative.01 holds every event with its state, and eCustomResults.01 that of every group.
    narrative = text.split("<eNarrative.01>")[1].split("</eNarrative.01>")[0]
    assert len(narrative.splitlines()) == len(state.events)
    for one, line in zip(state.events, narrative.splitlines(), strict=True):
        assert f" {one.id} " in line
        assert f": {one.status}" in line


def test_every_event_is_a_row_with_its_state(exports: tuple[CaseState, Path]) -> None:
    state, folder = exports
    said = [(one.id, one.status) for one in state.events]
    text = (folder / "case.csv").read_text(encoding="utf-8-sig")
    assert [(row["event"], row["status"]) for row in csv.DictReader(io.StringIO(text))] == said
    (events,) = (folder / "case.parquet" / "events").rglob("*.parquet")
    assert [(row["event"], row["status"]) for row in pq.read_table(events).to_pylist()] == said


def test_lines_and_copy_are_the_same_case_again(exports: tuple[CaseState, Path]) -> None:
    _, folder = exports
    assert main(["import", str(folder / "case.jsonl"), "--case", str(folder / "again")]) == 0
    with CaseFile.open(folder / "case.voicelog") as case:
        entries = list(case.entries())
    for name in ("again", "case.sqlite"):
        with CaseFile.open(folder / name) as other:
            assert list(other.entries()) == entries
            assert other.problems() == []
