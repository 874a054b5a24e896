"""``--deidentify``: nothing planted survives in any format, the course of the case does; 45 CFR 164.514(b)(2)(i)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from dialogue_talk import grammar
from event_strategies import events
from export_cases import SAMPLES, case_of, sample, schemas
from hypothesis import given, settings

from voicelog.casefile.canonical import canonical_json
from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.review import add_review
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.events import (
    Assessment,
    Event,
    Medication,
    Patient,
    Procedure,
    Remark,
    VitalSign,
    event_fields,
    event_from,
)
from voicelog.exports.deidentify import AGED, LEFT_OUT, SAFE_HARBOR, closed_terms, deidentified
from voicelog.exports.source import CaseRecord

ZONE = timezone(timedelta(hours=-7))
AT = datetime(2031, 8, 17, 13, 37, 11, 123457, tzinfo=ZONE)
PLANTED = (
    "Xanthippe", "Quimby", "555-0142", "quimby@example.org", "078-05-1120", "MRN4711", "12 Elm Street", "Zephyrville",
    "ABC-123", "SER0815", "example.org/quimby", "192.0.2.7", "voiceprint",
)  # fmt: skip
"""One for each kind of identifier that a text could hold; all invented, reserved for examples or never issued."""
FORMATS = ("fhir", "nemsis", "csv", "jsonl", "parquet")


@cache
def terms() -> frozenset[str]:
    return closed_terms(grammar())


def cleaned(record: CaseRecord) -> CaseRecord:
    return deidentified(record, terms(), grammar().digest)


def planted_case(path: Path) -> Path:
    """A case with an identifier wherever a text can stand."""
    text = " ".join(PLANTED)
    opened = {
        "version": "0.1.0",
        "grammar_hash": "feed" * 16,
        "source": text,
        "clock": text,
        "listener": {"engine": text},
    }
    with CaseFile.create(path, opened, AT) as case:
        flac = b"fLaC" + text.encode()
        said = [{"words": [{"text": word, "start": None, "end": None, "confidence": None} for word in text.split()]}]
        heard: dict[str, Any] = {"id": "U1", "start": None, "end": None, "clip": clip_hash(flac), "listener": text}
        case.append([EntryDraft("utterance", {**heard, "alternatives": said}, AT)], [flac])
        evidence = {"text": {"words": text, "start": None, "end": None, "repair": text}}
        more = {"evidence": evidence, "stated_time": "13:05", "occurred_at": AT, "heard_at": AT}
        events: tuple[dict[str, Any], ...] = (
            {"kind": "remark", "text": text},
            {"kind": "patient", "age": 97, "complaint": text, "allergy": text, "history": text},
            {"kind": "medication", "drug": text, "dose": "2", "unit": text, "site": text, "concentration": text},
            {"kind": "medication", "drug": "naloxone", "dose": "0.4", "unit": "mg", "route": "intranasal"},
            {
                "kind": "vital_sign",
                "sign": "heart_rate",
                "value": "90",
                "unit": "/min",
                "rhythm": text,
                "quality": text,
            },
            {"kind": "assessment", "finding": "general", "description": text, "sound": text, "appearance": text},
            {"kind": "procedure", "procedure": "oxygen", "device": text, "site": text, "flow_lpm": "15"},
        )
        for number, fields in enumerate(events, start=1):
            event = event_from({**fields, **more}).model_dump()
            name = f"E{number} {text}"
            body = {"id": name, "event": event, "flags": [text, "out_of_range"], "needs_confirm": True}
            decision = {"event": name, "status": "unconfirmed" if number % 2 else "confirmed", "basis": text}
            at = AT + timedelta(seconds=number)
            case.append(
                [
                    EntryDraft("event", {**body, "utterance": "U1", "amends": None}, at),
                    EntryDraft("read_back", {"events": [name], "text": text}, at),
                    EntryDraft("decision", {**decision, "utterance": "U1"}, at),
                    EntryDraft("notice", {"text": text}, at),
                ]
            )
        end = AT + timedelta(minutes=9)
        case.close_case(end)
        comment = EntryDraft("review_comment", {"about": "", "text": text, "by": text}, end)
        add_review(case, text, [comment, EntryDraft("signed_off", {"by": text}, end)], end)
    return path


def exported(case: Path, form: str, out: Path) -> str:
    """All of an export as text."""
    assert main(["export", str(case), "--to", form, "--deidentify", "--out", str(out)]) == 0
    if form != "parquet":
        return out.read_text(encoding="utf-8")
    tables = [pq.read_table(path).to_pylist() for path in sorted(out.rglob("*.parquet"))]
    return str(tables) + "".join(str(path.relative_to(out)) for path in out.rglob("*"))


@pytest.mark.parametrize("form", FORMATS)
def test_no_planted_identifier_survives(form: str, tmp_path: Path) -> None:
    path = planted_case(tmp_path / "Quimby.voicelog")
    with CaseFile.open(path) as case:
        hashes = [entry.hash for entry in case.entries()]
    text = exported(path, form, tmp_path / "out")
    assert "naloxone" in text
    assert "unconfirmed" in text
    # A spoken time is looked for by its field, as a moved time can be like it by chance.
    assert '"13:05"' not in text
    for identifier in (*PLANTED, *hashes, hashes[0][:50], "feed" * 16, "-07:00", "11.123457"):
        assert identifier not in text, identifier
    assert clip_hash(b"fLaC" + " ".join(PLANTED).encode()) not in text


@pytest.mark.parametrize("form", ["fhir", "csv", "jsonl"])
def test_the_real_age_above_89_is_not_in_it(form: str, tmp_path: Path) -> None:
    text = exported(planted_case(tmp_path / "case"), form, tmp_path / "out")
    assert AGED in text
    if form == "fhir":
        bundle = json.loads(text)
        (age,) = [one["resource"] for one in bundle["entry"] if one["resource"].get("code", {}).get("text") == "age"]
        assert (age["valueQuantity"]["value"], age["valueQuantity"]["comparator"]) == (90, ">=")  # Quantity.comparator


def test_times_keep_their_year_and_their_intervals_and_nothing_else() -> None:
    record = sample("anaphylaxis")
    twice = [cleaned(record), cleaned(record)]
    begins = [made.entries[0].at for made in twice]
    assert begins[0] != begins[1]
    for made in twice:
        assert made.entries[0].at.year == record.entries[0].at.year
        assert made.entries[0].at.tzinfo is UTC
        for old, new in zip(record.state.events, made.state.events, strict=True):
            assert old.event.occurred_at is not None
            assert new.event.occurred_at is not None
            since = old.event.occurred_at - record.entries[0].at
            assert new.event.occurred_at - made.entries[0].at == since


def test_the_month_that_is_shown_is_drawn_evenly_from_the_year() -> None:
    record = sample("asthma")
    # Of 240 draws, a month that never came up would have a chance of 1 in 100 million.
    months = {cleaned(record).entries[0].at.month for _ in range(240)}
    assert months == set(range(1, 13))


@pytest.mark.parametrize(
    ("age", "unit", "told"),
    [(89, "year", (89, "year", False)), (90, "year", (90, "year", True)), (104, "year", (90, "year", True)),
     (1079, "month", (1079, "month", False)), (1080, "month", (90, "year", True)), (33000, "day", (90, "year", True)),
     (3, "month", (3, "month", False))],
)  # fmt: skip
def test_ages_over_89_are_90_or_more(age: int, unit: Any, told: tuple[int, str, bool]) -> None:
    (made,) = cleaned(case_of((Patient(age=age, age_unit=unit), "confirmed", ()))).state.events
    assert isinstance(made.event, Patient)
    assert (made.event.age, made.event.age_unit, AGED in made.flags) == told


@pytest.mark.parametrize("name", SAMPLES)
def test_what_the_grammar_lists_stays(name: str) -> None:
    record = sample(name)
    made = cleaned(record)
    for old, new in zip(record.state.events, made.state.events, strict=True):
        assert (new.status, new.needs_confirm) == (old.status, old.needs_confirm)
        # Of a label, the expiry is a date and the lot a number: elements C and M of the list.
        gone = {"stated_time", "expiry", "lot"}
        kept = {key: value for key, value in event_fields(old.event).items() if key not in gone}
        if not isinstance(old.event, Remark):
            assert event_fields(new.event) == kept


KINDS: Sequence[Event] = (
    Medication(drug="Quimby", dose=Decimal(1), unit="mg"),
    VitalSign(sign="heart_rate", value=Decimal(1), unit="Quimby"),
    Assessment(finding="skin", description="pale, Quimby"),
    Procedure(procedure="oxygen", device="Quimby"),
    Patient(complaint="chest pain and Quimby", history="Quimby", allergy="Quimby"),
)


@pytest.mark.parametrize("event", KINDS, ids=lambda event: event.kind)
def test_a_text_outside_the_lists_is_left_out(event: Event) -> None:
    (made,) = cleaned(case_of((event, "confirmed", ("Quimby was here",)))).state.events
    assert "Quimby" not in canonical_json(made.event.model_dump()) + "".join(made.flags)


@settings(max_examples=80, deadline=None)
@given(events())
def test_numbers_are_never_changed_but_an_age(event: Event) -> None:
    (made,) = cleaned(case_of((event, "confirmed", ()))).state.events
    for name, value in event_fields(event).items():
        if isinstance(value, int | Decimal) and name != "age":
            assert getattr(made.event, name) == value
    if isinstance(event, Remark):
        assert event_fields(made.event)["text"] == LEFT_OUT


def test_what_comes_out_as_lines_is_a_case_whose_chain_holds(tmp_path: Path) -> None:
    lines, again = tmp_path / "lines", tmp_path / "again"
    exported(planted_case(tmp_path / "case"), "jsonl", lines)
    assert main(["import", str(lines), "--case", str(again)]) == 0
    with CaseFile.open(again) as case:
        assert case.problems() == []
        state: CaseState = fold(case.entries())
    assert len(state.events) == 7
    assert state.utterances == ()
    assert state.closed


def test_the_document_still_keeps_the_nemsis_schemas(tmp_path: Path) -> None:
    case, out = planted_case(tmp_path / "case"), tmp_path / "out.xml"
    arguments = ["export", str(case), "--to", "nemsis", "--deidentify", "--schemas", str(schemas()), "--out", str(out)]
    assert main(arguments) == 0


def test_the_hash_of_the_shipped_grammar_stays_and_another_does_not() -> None:
    record = sample("asthma")
    assert deidentified(record, terms(), "ab12").origin.grammar_hash == "ab12"
    assert cleaned(record).origin.grammar_hash == "left out"


def test_each_of_the_eighteen_identifiers_has_its_line() -> None:
    assert "".join(SAFE_HARBOR) == "ABCDEFGHIJKLMNOPQR"
    assert all(identifier and done for identifier, done in SAFE_HARBOR.values())


@pytest.mark.parametrize("options", [["--to", "sqlite", "--out", "x"], ["--to", "nemsis", "--details", "agency.toml"]])
def test_what_would_bring_identifiers_back_is_refused(
    options: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(planted_case(tmp_path / "case")), "--deidentify", *options]) == 2
    assert capsys.readouterr().err.startswith("voicelog: ")
