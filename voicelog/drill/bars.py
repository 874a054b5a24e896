"""The bars that a service sets for a recogniser, a grammar or a crew: ``exact=0.95,wrong=0.001``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from voicelog.drill.judge import GROUPS, OUTCOMES
from voicelog.errors import UsageError

AT_LEAST = frozenset({"exact"})
"""Measures of which more is better; of the others less is."""
RATES = ("wer", "false_per_hour")
MEASURES = (*OUTCOMES, *GROUPS, *RATES)


@dataclass(frozen=True)
class Bar:
    """One bar."""

    measure: str
    limit: float

    def value(self, figures: Mapping[str, Any]) -> float:
        """What was measured."""
        if self.measure in RATES:
            return float(figures[self.measure])
        if self.measure in GROUPS:
            return float(figures["fields"][self.measure]["wrong_share"])
        return float(figures["shares"][self.measure])

    def met(self, figures: Mapping[str, Any]) -> bool:
        """Whether what was measured is as good as the bar."""
        value = self.value(figures)
        return value >= self.limit if self.measure in AT_LEAST else value <= self.limit

    def __str__(self) -> str:
        return f"{self.measure} {'at least' if self.measure in AT_LEAST else 'at most'} {self.limit:g}"


def bars_of(text: str) -> tuple[Bar, ...]:
    """The bars in a text such as ``exact=0.95,wrong=0.001``; none for ''.

    Raises:
        UsageError: a measure that is not known, or a limit that is no number of 0 or more.
    """
    return tuple(_bar(part.strip()) for part in text.split(",") if part.strip())


def _bar(part: str) -> Bar:
    measure, _, limit = part.partition("=")
    if measure not in MEASURES:
        raise UsageError(f"--require knows no measure {measure!r}", f"measures: {', '.join(MEASURES)}")
    try:
        number = float(limit)
    except ValueError:
        number = -1.0
    if not 0 <= number < 1e6 or (measure not in RATES and number > 1):
        raise UsageError(f"--require {part!r} has no limit that can be", "write it like exact=0.95, a share of 0 to 1")
    return Bar(measure, number)
