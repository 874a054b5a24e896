"""The time of a session: counted from its start, so that a wall clock set back puts nothing before its cause."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from case_files import problems, stored

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.live.clock import CaseTime

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


class Clocks:
    """A wall clock that can be set, and a clock that only counts."""

    def __init__(self) -> None:
        self.wall, self.counted = NOON, 100.0

    def pass_by(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.counted += seconds

    def time(self, not_before: datetime | None = None) -> CaseTime:
        return CaseTime(not_before, lambda: self.wall, lambda: self.counted)


def test_time_goes_on_when_the_wall_clock_is_set_back() -> None:
    clocks = Clocks()
    time = clocks.time()
    clocks.pass_by(60)
    clocks.wall -= timedelta(hours=1)
    assert time.now() == NOON + timedelta(seconds=60)


def test_a_step_is_told_once_with_its_size() -> None:
    clocks = Clocks()
    time = clocks.time()
    clocks.pass_by(10)
    assert time.stepped_s() == 0
    clocks.wall -= timedelta(seconds=90)
    assert time.stepped_s() == -90
    clocks.pass_by(10)
    assert time.stepped_s() == 0
    clocks.wall += timedelta(seconds=90)
    assert time.stepped_s() == 90


def test_a_drift_of_less_than_a_second_is_no_step() -> None:
    clocks = Clocks()
    time = clocks.time()
    clocks.wall += timedelta(seconds=0.9)
    assert time.stepped_s() == 0


def test_a_case_that_goes_on_does_not_begin_before_its_last_entry() -> None:
    clocks = Clocks()
    time = clocks.time(not_before=NOON + timedelta(minutes=30))
    assert time.now() == NOON + timedelta(minutes=30)
    assert time.stepped_s() == -1800


def test_the_real_clocks_agree() -> None:
    time = CaseTime()
    assert abs(time.now() - datetime.now(UTC)) < timedelta(seconds=1)
    assert time.stepped_s() == 0


def test_the_order_of_entries_is_their_number_whatever_their_times_say(tmp_path: Path) -> None:
    times = [NOON, NOON - timedelta(hours=1), NOON + timedelta(hours=1), NOON - timedelta(days=400)]
    path = tmp_path / "case.voicelog"
    with CaseFile.create(path, {}, NOON) as case:
        for at in times:
            case.append([EntryDraft("notice", {"text": at.isoformat()}, at)])
        case.close_case(NOON)
    assert [entry.at for entry in stored(path)][1:-1] == times
    assert problems(path) == []
