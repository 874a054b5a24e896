"""``voicelog list``: what the fast reading tells is what the fold tells, and no file of a folder stops the rest."""

from __future__ import annotations

import io
import json
import os
import re
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import get_args

import pytest
from export_cases import CALLOUTS, recorded_case
from hypothesis import given
from hypothesis import strategies as st
from invented_cases import invented_case
from rich.console import Console

from voicelog.casefile.canonical import canonical_json
from voicelog.casefile.state import Status, current, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.events import Medication, Patient, VitalSign
from voicelog.exports.copies import copy_case
from voicelog.grammar.loader import load_grammar
from voicelog.many.brief import STATUSES, Brief, BriefDrug, BriefSignOff, _decided, _said, read_brief
from voicelog.many.folder import files_of
from voicelog.reviewing.judging import Judgement, Reviewer, amend, comment, enter_in_error, judge, sign_off, undo
from voicelog.views.listing import print_list
from voicelog.views.timeline import open_items


def folded(path: Path) -> Brief:
    """The brief by way of the real fold."""
    with CaseFile.open(path) as case:
        entries = list(case.entries())
        assert case.problems() == []
    state = fold(entries)
    said = [recorded.event for recorded in current(state)]
    complaints = [event.complaint for event in said if isinstance(event, Patient) and event.complaint]
    drugs = [
        BriefDrug(one.event.drug, one.event.dose, one.event.unit, one.event.route, one.status)
        for one in current(state)
        if isinstance(one.event, Medication) and one.event.action == "given"
    ]
    return Brief(
        path=str(path),
        state="closed" if state.closed else "open",
        opened_at=entries[0].at,
        last_at=entries[-1].at,
        problems=tuple(dict.fromkeys(complaints)),
        drugs=tuple(drugs),
        unconfirmed=len(open_items(state)) - (not state.closed),
        entries=len(entries),
        case_id=entries[0].hash,
        head=entries[-1].hash,
        signed_off=BriefSignOff(state.signed_off.by, state.signed_off.at) if state.signed_off else None,
    )


REVIEWED_AT = datetime(2026, 3, 5, 9, tzinfo=UTC)


def judged(path: Path, purpose: str, judgement: Judgement, by: str = "R. One") -> None:
    with CaseFile.open(path, write=True) as case:
        judge(case, case.head(), Reviewer(by, REVIEWED_AT), purpose, judgement)


@pytest.mark.parametrize("number", range(12))
def test_the_fast_reading_of_an_invented_case_tells_what_the_fold_tells(number: int, tmp_path: Path) -> None:
    path = invented_case(tmp_path / "case", number, close=number % 3 > 0)
    assert read_brief(path) == folded(path)


def test_the_fast_reading_of_a_session_tells_what_the_fold_tells(tmp_path: Path) -> None:
    path = recorded_case(tmp_path / "case", "patient is forty years old with chest pain", *CALLOUTS)
    brief = read_brief(path)
    assert brief == folded(path)
    assert brief.problems == ("chest pain",)
    assert brief.open_items == 2


def test_the_fast_reading_of_a_reviewed_case_tells_what_the_fold_tells(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recorded_case(tmp_path / "case", "patient is forty years old with chest pain", *CALLOUTS)
    with CaseFile.open(path) as case:
        state = fold(case.entries())
    dose = next(one for one in current(state) if isinstance(one.event, Medication))
    vital = next(one for one in current(state) if isinstance(one.event, VitalSign))
    judged(path, "amend", amend(dose.id, {"dose": "0.5"}, 'heard "zero point five"', load_grammar().drugs))
    judged(path, "error", enter_in_error(vital.id, "of another patient"))
    assert read_brief(path) == folded(path)
    judged(path, "sign-off", sign_off(), 'R. "Two" \\ Three')
    brief = read_brief(path)
    assert brief == folded(path)
    assert brief.signed_off == BriefSignOff('R. "Two" \\ Three', REVIEWED_AT)
    assert brief.state == "closed"
    with CaseFile.open(path) as case:
        signed = fold(case.entries()).signed_off
    assert signed
    for command in ("show", "audit"):
        main([command, str(path)])
        assert '✓ signed off by R. "Two" \\ Three, 2026-03-05 09:00' in capsys.readouterr().out
    judged(path, "undo", undo(signed.review))
    assert read_brief(path) == folded(path)
    assert read_brief(path).signed_off is None


@given(st.text(), st.text(), st.sampled_from(["decision", "event"]))
def test_no_text_in_an_entry_is_taken_for_its_structure(name: str, text: str, kind: str) -> None:
    forged = '],"id":"E9","needs_confirm":true,"utterance":null}'
    if kind == "decision":
        body = {"basis": text + forged, "event": name, "status": "confirmed", "utterance": None}
        assert _decided(canonical_json(body)) == (name, "confirmed")
    else:
        event = {"kind": "remark", "text": forged + text + '"kind":"medication"'}
        said: dict[str, object] = {
            "amends": None,
            "event": event,
            "flags": [],
            "id": name,
            "needs_confirm": False,
            "utterance": forged,
        }
        assert _said(canonical_json(said))[:2] == (name, False)


def test_a_case_that_is_being_written_is_listed_as_it_stands(tmp_path: Path) -> None:
    path = recorded_case(tmp_path / "case", "naloxone two milligrams intranasal", close=False)
    with CaseFile.open(path, write=True) as case:
        case.close_case(datetime(2026, 3, 4, 11, tzinfo=UTC))
        assert (tmp_path / "case-wal").exists()
        assert read_brief(path).state == "closed"
        assert files_of(tmp_path) == [path]


def test_the_statuses_are_those_of_the_fold() -> None:
    assert set(STATUSES) == set(get_args(Status))


def spoilt(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET body = 'SECRET' WHERE type = 'event'",
        "UPDATE entries SET body = '[\"SECRET\"]' WHERE type = 'event'",
        'UPDATE entries SET body = replace(body, \'"status":"confirmed"\', \'"status":"SECRET"\')',
        'UPDATE entries SET body = replace(body, \'"dose":"\', \'"dose":"SECRET\')',
        'UPDATE entries SET body = replace(body, \'"dose":"\', \'"dose":"1E999999\')',
        "UPDATE entries SET at = 'SECRET' WHERE seq = 1",
        "UPDATE entries SET at = '2026-01-01T00:00:00' WHERE seq = 1",
        "DELETE FROM entries WHERE type = 'event'",
        "DELETE FROM entries WHERE seq = 1",
        "DELETE FROM entries",
        "ALTER TABLE entries RENAME TO others",
    ],
)
def test_a_spoilt_case_is_one_line_that_tells_nothing_of_the_patient(statement: str, tmp_path: Path) -> None:
    spoilt(invented_case(tmp_path / "case", 3), statement)
    brief = read_brief(tmp_path / "case")
    assert brief.state == "damaged"
    assert brief.note
    assert "SECRET" not in brief.note + "".join(brief.problems)


def test_a_view_without_end_in_place_of_the_entries_is_not_followed(tmp_path: Path) -> None:
    path = invented_case(tmp_path / "case", 3)
    spoilt(path, "ALTER TABLE entries RENAME TO others")
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS seq, 'event' AS type,"
    spoilt(path, f"CREATE VIEW entries AS {endless} '' AS body, '' AS at, '' AS hash FROM n LIMIT 3000000")
    assert read_brief(path).state == "damaged"


def folder_of_all_sorts(folder: Path) -> Path:
    invented_case(folder / "good.voicelog", 1)
    recorded_case(folder / "waiting.voicelog", *CALLOUTS, close=False)
    (folder / "notes.txt").write_text("notes " * 100)
    (folder / "empty").touch()
    os.mkfifo(folder / "pipe")
    (folder / "gone").symlink_to(folder / "nowhere")
    (folder / "loop").symlink_to(folder / "loop")
    (folder / "inner").mkdir()
    with closing(sqlite3.connect(folder / "other.db")) as connection, connection:
        connection.execute("CREATE TABLE x (y)")
    whole = invented_case(folder / "cut.voicelog", 2).read_bytes()
    (folder / "cut.voicelog").write_bytes(whole[: len(whole) * 2 // 3 + 5])
    return folder


def test_all_sorts_of_files_are_a_line_each(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list", str(folder_of_all_sorts(tmp_path)), "--json"]) == 1
    *lines, summary = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    found = {Path(line["path"]).name: (line["state"], line["note"]) for line in lines}
    assert found == {
        "good.voicelog": ("closed", ""),
        "waiting.voicelog": ("open", ""),
        "notes.txt": ("foreign", "not a case file, or one that is encrypted"),
        "empty": ("foreign", "empty"),
        "pipe": ("foreign", "not a file, but a device or a pipe"),
        "gone": ("foreign", "cannot be read: No such file or directory"),
        "loop": ("foreign", "cannot be read: Too many levels of symbolic links"),
        "other.db": ("foreign", "an SQLite file, but not a case file"),
        "cut.voicelog": ("damaged", "its end is cut off"),
    }
    assert summary["files"] == 9


def test_only_what_is_open_or_damaged_on_demand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["list", str(folder_of_all_sorts(tmp_path)), "--json", "--open"])
    *lines, _ = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {Path(line["path"]).name for line in lines} == {"waiting.voicelog", "cut.voicelog"}


def test_many_cases_are_listed_by_when_they_began(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    invented_case(tmp_path / "template", 0)
    for number in range(230):
        (tmp_path / f"copy{number}").symlink_to(tmp_path / "template")
    invented_case(tmp_path / "a-later", 1)
    assert main(["list", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert told.count("2026-01-01 06:00") == 231
    assert told.rindex("2026-01-01 06:00") < told.index("2026-01-01 07:37")
    assert "232 cases" in told


def test_a_copy_of_a_case_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded_case(tmp_path / "a", *CALLOUTS)
    copy_case(path, tmp_path / "b-older")
    copy_case(path, tmp_path / "c-older-too")
    judged(path, "sign-off", sign_off())
    judged(tmp_path / "c-older-too", "comment", comment("", "seen elsewhere"))
    assert main(["list", str(tmp_path), "--json"]) == 0
    *lines, summary = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    copies = {(Path(one["path"]).name, Path(one["of"]).name): one["relation"] for one in lines if one["type"] == "copy"}
    assert copies == {("b-older", "a"): "older", ("c-older-too", "a"): "conflicting"}
    assert summary["signed_off"] == 1
    assert main(["list", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert f"{tmp_path / 'b-older'}: an older copy of {path}, which has 3 entries more" in told
    assert "neither continues the other" in told
    assert "2026-03-05 R. One" in told


def test_many_ways_to_go_on_from_one_entry_are_told_in_few_lines(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = recorded_case(tmp_path / "0", *CALLOUTS)
    for number in range(1, 30):
        copy_case(first, tmp_path / str(number))
        judged(tmp_path / str(number), "comment", comment("", f"remark {number}"))
    assert main(["list", str(tmp_path)]) == 0
    told = capsys.readouterr().out.splitlines()
    # All go on from the first, so that one is older than whichever of the others; of these one stands for all.
    assert sum("neither continues the other" in line for line in told) == 20
    assert any("and 9 more copies" in line for line in told)
    assert main(["list", str(tmp_path), "--json"]) == 0
    copies = [line for line in map(json.loads, capsys.readouterr().out.splitlines()) if line["type"] == "copy"]
    assert [one["path"] for one in copies if one["relation"] == "older"] == [str(first)]
    assert len(copies) == 29


BRIEF = Brief(
    path="/x/case-with-a-rather-long-name.voicelog",
    state="closed",
    opened_at=datetime(2026, 3, 4, 10, tzinfo=UTC),
    problems=("shortness of breath\x1b[31m",),
    drugs=(
        BriefDrug("epinephrine", Decimal("0.30"), "mg", "intramuscular", "unconfirmed"),
        BriefDrug("albuterol", Decimal("2.5"), "mg", "nebulized", "confirmed"),
        BriefDrug("albuterol", Decimal("2.5"), "mg", "nebulized", "confirmed"),
    ),
    unconfirmed=1,
    signed_off=BriefSignOff("R. One\x1b[31m", datetime(2026, 3, 5, 9, tzinfo=UTC)),
)


def printed(width: int, *briefs: Brief, terminal: bool = False, colour: bool = False) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=terminal, no_color=not colour, highlight=False)
    print_list(console, briefs)
    return out.getvalue()


@pytest.mark.parametrize("width", [30, 60, 129, 130, 160])
@pytest.mark.parametrize("terminal", [False, True])
def test_no_line_is_wider_than_the_terminal(width: int, terminal: bool) -> None:
    told = printed(width, BRIEF, Brief("/x/y", "damaged", "its end is cut off"), terminal=terminal)
    assert all(len(re.sub("\x1b\\[[0-9;]*m", "", line)) <= width for line in told.splitlines())
    assert "▲ epinephrine" in told or width < 60


def test_a_wide_line_says_it_all() -> None:
    _, line = printed(180, BRIEF).splitlines()
    for part in (
        "2026-03-04 10:00",
        "▲ epinephrine 0.3 mg, 2 × albuterol 2.5 mg",
        "● closed",
        "2026-03-05 R. One",
        "case-with-a-rather-long",
    ):
        assert part in line
    assert "\x1b" not in line


def test_colours_are_for_terminals_that_want_them() -> None:
    assert "\x1b[32m" in printed(140, BRIEF, terminal=True, colour=True)
    assert "\x1b[32m" not in printed(140, BRIEF, terminal=True)


def test_what_is_no_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("missing", "file"):
        (tmp_path / "file").touch()
        assert main(["list", str(tmp_path / name)]) == 2
        assert "cannot read the folder" in capsys.readouterr().err
