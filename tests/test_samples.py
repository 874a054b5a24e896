"""The shipped samples, heard from their audio: every expected event with exactly its values, times and state."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from checks_case import GRAMMAR, PROTOCOL
from report_cases import OPENED

from voicelog.casefile.chain import Entry
from voicelog.casefile.state import CaseState, RecordedEvent, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.drill.samples import NAMES, samples_dir
from voicelog.drill.script import read_script
from voicelog.events import event_fields
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance
from voicelog.session import Session

HEARD_WITHIN = timedelta(seconds=1)
"""An utterance begins up to its pre-roll before its line."""


FOUND = {
    "asthma": {},
    "anaphylaxis": {},
    "seizure": {"left_over": "Two milligrams of lorazepam left, to be accounted for."},
    "overdose": {
        "expired": "naloxone has expired",
        "early_drug": "seconds after ventilation began, the protocol has one minute",
        "sudden_change": "heart rate was one zero four, now three four",
        "dose_volume": "four milliliters of naloxone is four milligrams, not two milligrams",
    },
}
"""What each sample shows, in order: the check and what is said of it. Nothing else may be found."""
DUE = {"overdose": ["Vital signs due: heart rate."]}
"""What falls due in a sample and is said unasked, each once. In the others nothing does."""


@pytest.fixture(scope="module", params=NAMES)
def heard(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, list[Entry]]:
    """A sample's name and the entries of its case file after a replay, whose chain holds."""
    name: str = request.param
    path: Path = tmp_path_factory.mktemp("samples") / f"{name}.voicelog"
    assert (
        main(["replay", str(samples_dir() / f"{name}.flac"), "--case", str(path), "--json", "--listener", "sphinx"])
        == 0
    )
    with CaseFile.open(path) as case:
        assert case.problems() == []
        return name, list(case.entries())


@pytest.fixture(scope="module")
def replayed(heard: tuple[str, list[Entry]]) -> tuple[str, CaseState]:
    """A sample's name and the state of its case after a replay."""
    name, entries = heard
    return name, fold(entries)


def typed(name: str, path: Path) -> list[Entry]:
    """The entries of a sample whose lines are typed at their times, exactly as its script has them."""
    script = read_script(samples_dir() / f"{name}.toml")
    with CaseFile.create(path, OPENED, script.started_at) as case:
        session = Session(GRAMMAR, case, "script", protocol=PROTOCOL)
        for line in script.lines:
            at = script.started_at + timedelta(seconds=line.at)
            session.tick(at)
            session.hear(Utterance((Hypothesis(words_of(line.say)),)), at)
        session.close(script.started_at + timedelta(seconds=script.length_s))
        return list(case.entries())


def assert_found(name: str, entries: list[Entry]) -> None:
    """Each thing once, said and shown; nothing else flagged, asked about or said to be due."""
    wanted = FOUND[name]
    findings = [entry.body for entry in entries if entry.type == "finding"]
    assert [finding["check"] for finding in findings] == list(wanted)
    flags = [flag for event in fold(entries).events for flag in event.flags]
    # A note is a finding beside its entry; what is asked or alarmed about flags the entry itself.
    assert flags == [finding["check"] for finding in findings if finding["severity"] != "note"]
    said = [entry.body for entry in entries if entry.type in ("read_back", "question", "notice")]
    for words in wanted.values():
        assert len([one for one in said if words in one["text"]]) == 1, words
    due = [body["text"] for body in said if "due" in body["text"].lower().replace(":", " ").split()]
    assert due == DUE.get(name, [])
    assert [entry.type for entry in entries if entry.type in ("question", "notice")] == []


def expected(name: str) -> Any:
    """The record written for a sample."""
    return json.loads((samples_dir() / f"{name}.record.json").read_text())


def plain(recorded: RecordedEvent) -> dict[str, Any]:
    """An event's set fields, numbers as JSON has them."""
    return {
        field: value if isinstance(value, (str, bool, int)) else float(value)
        for field, value in event_fields(recorded.event).items()
    }


def test_the_samples_show_what_they_are_to_show_each_once() -> None:
    # A dose/volume disagreement, an early drug, an overdue recheck, an expired drug, an implausible jump, a wasted
    # remainder.
    assert set(FOUND) == set(NAMES)
    assert sorted(check for found in FOUND.values() for check in found) == [
        "dose_volume", "early_drug", "expired", "left_over", "sudden_change",
    ]  # fmt: skip
    assert [text for texts in DUE.values() for text in texts] == ["Vital signs due: heart rate."]


@pytest.mark.parametrize("name", NAMES)
def test_a_typed_sample_raises_each_thing_once_and_nothing_else(name: str, tmp_path: Path) -> None:
    assert_found(name, typed(name, tmp_path / "case.voicelog"))


@pytest.mark.xdist_group("samples")
def test_a_heard_sample_raises_each_thing_once_and_nothing_else(heard: tuple[str, list[Entry]]) -> None:
    assert_found(*heard)


@pytest.mark.xdist_group("samples")
def test_every_expected_event_is_there_and_no_other(replayed: tuple[str, CaseState]) -> None:
    name, state = replayed
    found = [(plain(recorded), recorded.status) for recorded in state.events]
    assert found == [(row["event"], row["status"]) for row in expected(name)["events"]]


@pytest.mark.xdist_group("samples")
def test_every_event_has_the_clock_time_of_its_line(replayed: tuple[str, CaseState]) -> None:
    name, state = replayed
    started: datetime = read_script(samples_dir() / f"{name}.toml").started_at
    by_id = {recorded.id: recorded for recorded in state.events}
    for recorded, row in zip(state.events, expected(name)["events"], strict=True):
        said = started + timedelta(seconds=row["said_at"])
        heard = recorded.event.heard_at
        assert heard is not None
        assert abs(heard - said) <= HEARD_WITHIN
        occurred = recorded.event.occurred_at
        assert occurred is not None
        if recorded.event.stated_time:
            assert occurred.strftime("%H:%M") == recorded.event.stated_time
        else:
            # A corrected entry happened when the first one did.
            source = by_id[recorded.amends] if recorded.amends else recorded
            assert occurred == source.event.occurred_at


@pytest.mark.xdist_group("samples")
def test_every_field_is_traced_to_words_and_audio(replayed: tuple[str, CaseState]) -> None:
    _, state = replayed
    spans = {utterance.id: utterance for utterance in state.utterances}
    for recorded in state.events:
        assert recorded.utterance is not None
        utterance = spans[recorded.utterance]
        assert utterance.clip is not None
        for field, evidence in recorded.event.evidence.items():
            if evidence.words and not recorded.amends:
                assert evidence.start is not None, field
                assert utterance.start is not None
                assert utterance.end is not None
                assert evidence.end is not None
                assert utterance.start <= evidence.start <= evidence.end <= utterance.end, field
