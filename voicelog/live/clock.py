"""The sample clock of a live case: set by the wall clock when the sound begins, then counted."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from voicelog.audio.clock import SampleClock


@dataclass(frozen=True)
class ShiftedClock(SampleClock):
    """A sample clock for a stream that begins in the middle of a case."""

    first: int = 0
    """The case's number of the stream's sample 0."""

    def at(self, sample: int) -> datetime:
        """The time at which a sample of the stream was heard."""
        return super().at(self.first + sample)

    def seconds(self, sample: int) -> Decimal:
        """Seconds on the case's clock, to the millisecond."""
        return super().seconds(self.first + sample)


def sample_at(clock: SampleClock, moment: datetime) -> int:
    """The number of the sample heard at a moment; 0 for what lies before the case."""
    return max(0, round((moment - clock.started_at) / timedelta(seconds=1) * clock.rate))


class Sleep:
    """Tells when the machine slept, as with its lid closed: the clock that samples are placed by stands still then."""

    def __init__(self) -> None:
        self._ahead = _ahead()

    def slept_s(self) -> float:
        """Seconds slept since the last call; 0 where the system has no clock that goes on in sleep."""
        before, self._ahead = self._ahead, _ahead()
        slept = self._ahead - before
        # The two clocks are read one after the other, so they never agree to the microsecond.
        return slept if slept > 0.5 else 0.0


class CaseTime:
    """The time of a session: the wall clock as it was at the start, then counted, so that it never steps back.

    A machine whose clock is set right in the middle of a case would else put a later act before an earlier one. What
    the wall clock does meanwhile is told by ``stepped_s``.
    """

    def __init__(
        self,
        not_before: datetime | None = None,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        counted: Callable[[], float] = lambda: _ahead() + time.monotonic(),
    ) -> None:
        """Begin to count.

        Args:
            not_before: the last time in the record of a case that goes on.
            wall: the wall clock.
            counted: seconds of a clock that nobody sets.
        """
        self._wall, self._counted = wall, counted
        self._since, self._start = counted(), max(wall(), not_before) if not_before else wall()
        self._told = 0.0

    def now(self) -> datetime:
        """The time, aware."""
        return self._start + timedelta(seconds=self._counted() - self._since)

    def stepped_s(self) -> float:
        """Seconds by which the wall clock was moved since the last call, back if negative; 0 for less than a second."""
        off = (self._wall() - self.now()).total_seconds()
        moved = off - self._told
        if abs(moved) < 1:
            return 0.0
        self._told = off
        return moved


def _ahead() -> float:
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0.0
    return time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()
