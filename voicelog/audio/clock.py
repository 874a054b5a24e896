"""The sample clock: counts of samples become times, so that dropped words or slow engines never shift a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from voicelog.recognisers.base import SAMPLE_RATE


@dataclass(frozen=True)
class SampleClock:
    """Turns a sample number, counted from the first sample of a session, into a time.

    Raises:
        ValueError: ``started_at`` has no offset from UTC, or the rate is not positive.
    """

    started_at: datetime
    """When sample 0 was heard; aware."""
    rate: int = SAMPLE_RATE
    """Samples per second."""

    def __post_init__(self) -> None:
        """Refuse what could not give a true time."""
        if self.started_at.utcoffset() is None:
            raise ValueError("a sample clock needs a start time with an offset from UTC")
        if self.rate <= 0:
            raise ValueError("a sample clock needs a positive rate")

    def at(self, sample: int) -> datetime:
        """The time at which a sample was heard, in the time zone of the start, to the microsecond."""
        passed = timedelta(microseconds=sample * 1_000_000 // self.rate)
        # Added in UTC: Python adds to local time as if no clock were ever put forward or back.
        return (self.started_at.astimezone(UTC) + passed).astimezone(self.started_at.tzinfo)

    def seconds(self, sample: int) -> Decimal:
        """Seconds from the first sample to this one, to the millisecond."""
        return (Decimal(sample) / self.rate).quantize(Decimal("0.001"))
