"""The normal values that a case's vitals are shown against: those of the age that was said, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from voicelog.casefile.state import CaseState, current
from voicelog.checks.course import Course
from voicelog.checks.protocol import Protocol
from voicelog.checks.rows import Span
from voicelog.checks.units import from_canonical

_TENTH = Decimal("0.1")


@dataclass(frozen=True)
class NormalRanges:
    """Normal values; shown beside a value, never a reason to judge one."""

    told: str = ""
    """Of what age, and from where; '' where the protocol holds none."""
    spans: Mapping[str, Span] = field(default_factory=dict)
    """Sign -> its values, in the unit of the limits; a blood pressure is ``systolic`` and ``diastolic``."""

    def of(self, sign: str, unit: str) -> tuple[Decimal, Decimal] | None:
        """The lowest and the highest normal value of a sign in a unit; None where the protocol has none."""
        span = self.spans.get(sign)
        return (_in(span.low, unit), _in(span.high, unit)) if span else None


def _in(value: Decimal, unit: str) -> Decimal:
    made = from_canonical(value, unit)
    return made if made == value else made.quantize(_TENTH)


def normal_ranges(state: CaseState, protocol: Protocol) -> NormalRanges:
    """The normal values of the patient's age; of an adult where no age was said."""
    course = Course(current(state), protocol, {})
    band = course.ask_band
    if band is None or not band.normal:
        return NormalRanges()
    ages = f"from {band.from_age}" + (f" to below {band.below_age}" if band.below_age else "")
    said = f"for the age said ({ages})" if course.band else f"{ages}, as no age was said"
    # What stands behind the semicolon is about the other numbers of the row.
    source = band.source.partition(";")[0]
    return NormalRanges(f"normal values {said}; source: {source}", {sign: span for sign, span in band.normal.items()})
