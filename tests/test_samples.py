"""The shipped samples, heard from their audio: every expected event with exactly its values, times and state."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from voicelog.casefile.state import CaseState, RecordedEvent, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.drill.samples import NAMES, samples_dir
from voicelog.drill.script import read_script
from voicelog.events import event_fields

HEARD_WITHIN = timedelta(seconds=1)
"""An utterance begins up to its pre-roll before its line."""


@pytest.fixture(scope="module", params=NAMES)
def replayed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, CaseState]:
    """A sample's name and the state of its case file after a replay, whose chain holds."""
    name: str = request.param
    path: Path = tmp_path_factory.mktemp("samples") / f"{name}.voicelog"
    assert (
        main(["replay", str(samples_dir() / f"{name}.flac"), "--case", str(path), "--json", "--listener", "sphinx"])
        == 0
    )
    with CaseFile.open(path) as case:
        assert case.problems() == []
        return name, fold(case.entries())


def expected(name: str) -> Any:
    """The record written for a sample."""
    return json.loads((samples_dir() / f"{name}.record.json").read_text())


def plain(recorded: RecordedEvent) -> dict[str, Any]:
    """An event's set fields, numbers as JSON has them."""
    return {
        field: value if isinstance(value, (str, bool, int)) else float(value)
        for field, value in event_fields(recorded.event).items()
    }


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
