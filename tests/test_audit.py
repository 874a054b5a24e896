"""The audit: what a record lacks, contradicts or leaves open, by rules of a file; and whether the file was changed."""

from __future__ import annotations

import json
import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from checks_case import DRUGS, PROTOCOL, T0, drug, minute, state_of
from event_strategies import events
from hypothesis import given, settings
from hypothesis import strategies as st
from report_cases import NAMES, OPENED, sample_file, state_and_end, told_file

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.checks.audit import AuditFinding, audit
from voicelog.checks.audit_rows import RequiredSet
from voicelog.checks.protocol import FOLDER, Protocol, load_protocol
from voicelog.cli import main
from voicelog.events import Event

SOURCE = 'source = "our medical director"\ndate = 2026-11-20\n'
COMPLETE = (
    (0.0, "patient contact"),
    (0.2, "female thirty four years old"),
    (0.3, "complaint chest pain"),
    (0.4, "no known allergies"),
    (0.5, "blood pressure one thirty over eighty"),
    (0.7, "heart rate ninety"),
    (0.9, "respiratory rate sixteen"),
    (1.1, "saturation ninety eight"),
    (2.0, "aspirin three hundred twenty four milligrams p o"),
    (2.2, "confirm"),
    (4.0, "heart rate eighty eight"),
    (5.0, "departed scene"),
)
"""A short call in which nothing is missing."""


def audited(path: Path, protocol: Protocol = PROTOCOL) -> list[AuditFinding]:
    state, end = state_and_end(path)
    with CaseFile.open(path) as case:
        return list(audit(list(case.entries()), state, protocol, DRUGS, case.problems(), end))


def without(*texts: str) -> list[tuple[float, str]]:
    return [line for line in COMPLETE if line[1] not in texts]


def local(tmp_path: Path, text: str) -> Path:
    folder = tmp_path / "overlay"
    (folder / FOLDER).mkdir(parents=True)
    (folder / FOLDER / "local.toml").write_text(text, encoding="utf-8")
    return folder


def changed(path: Path, sql: str) -> None:
    """Change a case file behind voicelog's back; its guards are put back afterwards."""
    with sqlite3.connect(path) as base:
        guards = base.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            base.execute(f"DROP TRIGGER {name}")
        base.execute(sql)
        for _, text in guards:
            base.execute(text)
    base.close()


def test_a_complete_record_has_no_findings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told_file(tmp_path / "case.voicelog", *COMPLETE)
    assert audited(path) == []
    assert main(["audit", str(path)]) == 0
    printed = capsys.readouterr().out
    assert "the hash chain holds" in printed
    assert "nothing found" in printed
    assert "not a medical device" in printed


@pytest.mark.parametrize(
    ("left_out", "check", "text"),
    [
        ("patient contact", "required.patient_contact", "not in the record: patient contact"),
        ("complaint chest pain", "required.problem", "not in the record: problem"),
        ("no known allergies", "required.allergies", "not in the record: allergies"),
        ("departed scene", "required.end_of_care", "not in the record: end of care"),
        ("respiratory rate sixteen", "required_set.first", "respiratory rate 0 of 1"),
    ],
)
def test_what_is_missing_is_found_once(tmp_path: Path, left_out: str, check: str, text: str) -> None:
    (found,) = audited(told_file(tmp_path / "case.voicelog", *without(left_out)))
    assert (found.group, found.check) == ("missing", check)
    assert text in found.text
    assert found.source == "common practice, no source (2026-11-25)"


def test_a_drug_that_nobody_confirmed_is_told_with_its_words(tmp_path: Path) -> None:
    (found,) = audited(told_file(tmp_path / "case.voicelog", *without("confirm")))
    assert (found.group, found.status) == ("unconfirmed", "unconfirmed")
    assert found.text.startswith("aspirin 324 mg oral at 10:32")
    assert found.words == "aspirin three hundred twenty four milligrams p o"


def test_a_dose_without_a_route_is_missing_it(tmp_path: Path) -> None:
    lines = [*without(), (4.1, "midazolam five milligrams"), (4.2, "confirm")]
    texts = [found.text for found in audited(told_file(tmp_path / "case.voicelog", *sorted(lines)))]
    assert "midazolam 5 mg, not in the record: route" in texts


def test_no_value_after_a_drug_is_a_missing_response(tmp_path: Path) -> None:
    lines = [(9.0 if text == "departed scene" else at, text) for at, text in without("heart rate eighty eight")]
    found = audited(told_file(tmp_path / "case.voicelog", *lines))
    assert ("required_response.drugs", "E9") in [(one.check, *one.entries) for one in found]
    # Vital signs are due five minutes after a drug: common practice, a row of the protocol file.
    assert "due" in [one.check for one in found if one.group == "standing"]


def test_a_long_call_needs_a_second_set(tmp_path: Path) -> None:
    lines = [(20.0 if text == "departed scene" else at, text) for at, text in COMPLETE]
    (found,) = [one for one in audited(told_file(tmp_path / "case.voicelog", *lines)) if "repeat" in one.check]
    assert found.text == (
        "repeat set of vital signs is not complete: pressure 1 of 2, respiratory rate 1 of 2, saturation 1 of 2"
    )


def test_a_remainder_is_missing_until_it_is_told(tmp_path: Path) -> None:
    prepared = [(1.5, "morphine ten milligrams prepared"), (1.6, "confirm")]
    given = [(2.5, "morphine four milligrams i v"), (2.6, "confirm")]
    wasted = [(4.2, "morphine six milligrams wasted"), (4.3, "confirm")]
    for number, (acts, left) in enumerate(
        [(prepared, "morphine 10 mg (prepared): neither given"), (prepared + given, "6 mg of morphine left")]
    ):
        found = audited(told_file(tmp_path / f"{number}.voicelog", *sorted([*COMPLETE, *acts])))
        assert [left in one.text for one in found if one.check == "required_remainder.drugs"] == [True]
    found = audited(told_file(tmp_path / "all.voicelog", *sorted([*COMPLETE, *prepared, *given, *wasted])))
    assert [one for one in found if one.check == "required_remainder.drugs"] == []


def test_entries_that_contradict_each_other_are_found(tmp_path: Path) -> None:
    lines = sorted([*COMPLETE, (1.3, "allergic to penicillin"), (1.4, "confirm")])
    (found,) = audited(told_file(tmp_path / "case.voicelog", *lines))
    assert (found.group, found.check, found.status) == ("contradicting", "allergy_two_ways", "confirmed")
    assert len(found.entries) == 2


def test_an_early_drug_still_stands_after_its_confirm(tmp_path: Path) -> None:
    lines = [*COMPLETE, (3.0, "bag valve mask ventilation started"), (3.2, "naloxone two milligrams i n")]
    found = audited(told_file(tmp_path / "case.voicelog", *sorted([*lines, (3.4, "confirm")])))
    (early,) = [one for one in found if one.check == "early_drug"]
    assert (early.group, early.status) == ("standing", "confirmed")


def test_a_case_that_is_not_closed_is_told(tmp_path: Path) -> None:
    found = audited(told_file(tmp_path / "case.voicelog", *COMPLETE, close=False))
    assert [one.text for one in found if one.check == "closed"] == ["the case was not closed"]


def test_time_in_which_nothing_was_heard_is_told(tmp_path: Path) -> None:
    path = tmp_path / "case.voicelog"
    with CaseFile.create(path, OPENED, T0) as case:
        body = {"start": "3.500", "end": "9.000", "reason": "the microphone was gone"}
        case.append([EntryDraft("gap", body, T0 + timedelta(seconds=9))])
    texts = [one.text for one in audited(path) if one.group == "gap"]
    assert texts == ["not heard from 3.500 s to 9.000 s: the microphone was gone"]


@pytest.mark.parametrize("name", NAMES)
def test_the_samples_have_findings_and_a_chain_that_holds(tmp_path: Path, name: str) -> None:
    found = audited(sample_file(tmp_path / "case.voicelog", name))
    assert "integrity" not in {one.group for one in found}
    assert [one.group for one in found].count("unconfirmed") == 1


def test_a_stated_minute_does_not_make_a_drug_look_untouched(tmp_path: Path) -> None:
    # The sample's dose has a stated time, in minutes, which lies before the seconds at which it was prepared.
    found = audited(sample_file(tmp_path / "case.voicelog", "anaphylaxis"))
    assert [one.check for one in found if one.group == "missing"] == ["required.problem"]


def test_a_changed_entry_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told_file(tmp_path / "case.voicelog", *COMPLETE)
    changed(path, "UPDATE entries SET body = replace(body, '\"324\"', '\"325\"') WHERE type = 'event'")
    assert main(["audit", str(path)]) == 1
    printed = capsys.readouterr().out
    assert "the hash chain does not hold" in printed
    assert "was changed: its hash does not fit what it says" in printed


def test_a_broken_entry_is_found_and_nothing_else_is_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told_file(tmp_path / "case.voicelog", *COMPLETE)
    changed(path, "UPDATE entries SET body = '{}' WHERE type = 'event'")
    assert main(["audit", str(path), "--json"]) == 1
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {line["group"] for line in lines if line["type"] == "finding"} == {"integrity"}
    assert "The rest was not audited." in lines[-2]["text"]


def test_a_cut_tail_is_found(tmp_path: Path) -> None:
    path = told_file(tmp_path / "case.voicelog", *COMPLETE)
    changed(path, "DELETE FROM entries WHERE seq > (SELECT max(seq) - 3 FROM entries)")
    assert "missing from the end" in next(one for one in audited(path) if one.group == "integrity").text


def test_json_is_an_object_a_line_and_a_summary(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told_file(tmp_path / "case.voicelog", *without("confirm", "patient contact"))
    assert main(["audit", str(path), "--json"]) == 1
    lines: list[dict[str, Any]] = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line.get("group", line["type"]) for line in lines] == ["missing", "unconfirmed", "audit"]
    assert (lines[-1]["findings"], lines[-1]["groups"]["missing"]) == (2, 1)
    assert lines[1]["words"] == "aspirin three hundred twenty four milligrams p o"


@pytest.mark.parametrize("arguments", [["audit"], ["audit", "nowhere.voicelog"], ["audit", "x", "--format", "y"]])
def test_wrong_use(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert "hint: " in capsys.readouterr().err


def test_a_colour_is_never_the_only_sign(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    path = told_file(tmp_path / "case.voicelog", *without("confirm", "patient contact"))
    assert main(["audit", str(path)]) == 1
    printed = capsys.readouterr().out
    assert "\x1b[3" not in printed
    assert "Missing\n  ○ not in the record: patient contact" in printed
    assert "Unconfirmed\n  ▲ E8 aspirin 324 mg oral at 10:32" in printed
    assert "2 findings" in printed


def test_a_medical_director_adds_and_removes_what_is_required(tmp_path: Path) -> None:
    wanted = (
        f'[required.medical_direction]\nkind = "remark"\nfield = "text"\ncontains = "medical direction"\n'
        f'if_given = ["aspirin"]\n{SOURCE}'
    )
    overlay = local(tmp_path, f"{wanted}[required.patient_contact]\noff = true\n{SOURCE}")
    protocol = load_protocol(overlay)
    assert protocol.refused == ()
    path = told_file(tmp_path / "case.voicelog", *without("patient contact"))
    (found,) = audited(path, protocol)
    assert (found.text, found.source) == ("not in the record: medical direction", "our medical director (2026-11-20)")
    lines = sorted([*without("patient contact"), (4.5, "note medical direction called")])
    assert audited(told_file(tmp_path / "told.voicelog", *lines), protocol) == []


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        (f'[required.x]\nkind = "patient"\nfield = "colour"\n{SOURCE}', 1, "patient has no colour; it has age,"),
        (f'[required.x]\nkind = "song"\nfield = "text"\n{SOURCE}', 2, "kind: Input should be"),
        (
            f'[required.x]\nkind = "milestone"\nfield = "milestone"\nis_one_of = ["arrived"]\n{SOURCE}',
            1,
            "milestone can never be arrived",
        ),
        (
            f'[required.x]\nkind = "patient"\nfield = "sex"\nis_one_of = ["woman"]\n{SOURCE}',
            1,
            "sex can never be woman",
        ),
        (f'[required_fields.given]\nkind = "medication"\nfields = ["dose|maker"]\n{SOURCE}', 1, "medication has no ma"),
        (f'[required_set.first]\nsigns = ["mood"]\ntimes = 1\n{SOURCE}', 2, "signs.0: Input should be"),
        (f'[required_set.first]\nsigns = ["heart_rate"]\ntimes = 0\n{SOURCE}', 3, "times: Input should be"),
        (f"[required_response.drugs]\nwithin_min = 5\n{SOURCE}", 1, "signs: Field required"),
        ('[required_remainder.drugs]\ndate = 2026-11-20\n', 1, "source: Field required"),
    ],
)  # fmt: skip
def test_a_bad_rule_is_refused_with_file_line_and_reason(tmp_path: Path, text: str, line: int, reason: str) -> None:
    protocol = load_protocol(local(tmp_path, text))
    (refused,) = protocol.refused
    assert reason in refused.message
    assert f"local.toml:{line}: " in refused.message
    assert protocol.tables == PROTOCOL.tables


def test_a_refused_rule_is_told_and_the_shipped_one_holds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    overlay = local(tmp_path, f"[required_set.first]\nsigns = []\ntimes = 1\n{SOURCE}")
    path = told_file(tmp_path / "case.voicelog", *without("respiratory rate sixteen"))
    assert main(["audit", str(path), "--grammars", str(overlay)]) == 1
    captured = capsys.readouterr()
    assert "local.toml:2: [required_set.first] signs" in captured.err
    assert "respiratory rate 0 of 1" in captured.out


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), events()), max_size=15))
def test_any_record_is_audited_and_each_open_entry_is_named_once(said: list[tuple[float, Event]]) -> None:
    state = state_of(*said)
    found = audit([], state, PROTOCOL, DRUGS, [], minute(41))
    opened = [one.entries[0] for one in found if one.group == "unconfirmed"]
    assert opened == [entry.id for entry in state.events]
    assert all(one.source and one.text for one in found)


def test_without_rules_a_record_lacks_nothing() -> None:
    state = state_of((0, drug("aspirin", 324, "mg", route="oral")))
    found = audit([], state, Protocol(), {}, [], T0)
    assert {one.check for one in found} == {"closed", "proposed"}


def test_the_rules_are_rows_of_a_file() -> None:
    row = PROTOCOL.row("required_set", "repeat", RequiredSet)
    assert row is not None
    assert row.times == 2
    assert row.if_longer_min == 15


def test_a_clock_that_was_set_is_a_note_with_both_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = [(1, "-3600"), (2, "3660"), (3, "SECRET"), (4, ""), (5, "5")]
    besides = [
        EntryDraft("clock_stepped" if moved else "resumed", {"seconds": moved}, T0 + timedelta(minutes=minutes))
        for minutes, moved in made
    ]
    path = told_file(tmp_path / "case.voicelog", *COMPLETE, besides=besides)
    back, forth, unknown, anew = (one.text for one in audited(path) if one.group == "clock")

    def clock(minutes: float) -> str:
        return f"{T0 + timedelta(minutes=minutes):%Y-%m-%d %H:%M:%S}"

    assert f"set from {clock(1)} to {clock(-59)}; the case went on with its own time, {clock(1)[11:]}" in back
    assert f"set from {clock(-58)} to {clock(3)}" in forth
    assert "SECRET" not in unknown
    assert f"set from {clock(5)} to {clock(5 + 5 / 60)}" in anew
    assert main(["audit", str(path)]) == 0
    assert "nothing found, 4 notes" in capsys.readouterr().out
    assert main(["audit", str(path), "--json"]) == 0
    *lines, summary = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["type"] for line in lines] == ["note"] * 4
    assert (summary["findings"], summary["groups"]["clock"]) == (0, 4)
