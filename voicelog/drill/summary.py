"""Adds the judgements up: one line for each source and SNR, one for each kind of talk, and the speed; pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf, sqrt

from voicelog.drill.judge import OUTCOMES, FalseEntries, Outcome, Score


@dataclass(frozen=True)
class Line:
    """What became of a number of callouts."""

    count: int
    outcomes: dict[Outcome, int]
    """Callouts of each outcome; they add up to ``count``."""
    drug_wrong: int
    """Callouts in which a wrong drug, dose, unit or route was read back for a confirm."""
    name_errors: int
    """Callouts in which a drug was entered that was not said."""
    number_errors: int
    """Callouts in which a number was entered that was not said."""

    def share(self, outcome: Outcome) -> float:
        """Share of an outcome, 0 to 1."""
        return self.outcomes[outcome] / self.count if self.count else 0.0

    @property
    def exact_between(self) -> tuple[float, float]:
        """The 95 % interval of the share entered as said (Wilson)."""
        hits = self.outcomes["exact"]
        return 1 - wilson_upper(self.count - hits, self.count), wilson_upper(hits, self.count)

    @property
    def wrong_at_most(self) -> float:
        """Upper end of the 95% range (Wilson) of the share accepted wrong: what this many callouts can show."""
        return wilson_upper(self.outcomes["wrong"], self.count)


def line_of(scores: Iterable[Score]) -> Line:
    """Add up judgements."""
    every = list(scores)
    tally = Counter(score.outcome for score in every)
    return Line(
        len(every),
        {outcome: tally[outcome] for outcome in OUTCOMES},
        sum(score.drug_wrong for score in every),
        sum(score.name_error for score in every),
        sum(score.number_error for score in every),
    )


def by_key(pairs: Iterable[tuple[object, Score]]) -> dict[str, Line]:
    """A line for each key, in the order of first sight."""
    grouped: dict[str, list[Score]] = defaultdict(list)
    for key, score in pairs:
        grouped[str(key)].append(score)
    return {key: line_of(scores) for key, scores in grouped.items()}


def snr_name(snr: float | None) -> str:
    """As shown: clean, 15 dB."""
    return "clean" if snr is None else f"{snr:g} dB"


def by_snr(pairs: Iterable[tuple[float | None, Score]]) -> dict[str, Line]:
    """A line for each SNR that occurs, quietest first, and one for all together."""
    every = list(pairs)
    ordered = sorted(every, key=lambda pair: -inf if pair[0] is None else -pair[0])
    return {**by_key((snr_name(snr), score) for snr, score in ordered), "all": line_of(score for _, score in every)}


def wilson_upper(hits: int, count: int, z: float = 1.96) -> float:
    """Upper end of Wilson's score interval of a share; 1 when nothing was counted."""
    if not count:
        return 1.0
    share, spread = hits / count, z * z / count
    middle = share + spread / 2
    return (middle + z * sqrt(share * (1 - share) / count + spread / (4 * count))) / (1 + spread)


def together(false: Iterable[FalseEntries]) -> FalseEntries:
    """All talk as one."""
    every = list(false)
    return FalseEntries(
        sum(one.seconds for one in every),
        sum(one.events for one in every),
        sum(one.drugs for one in every),
        sum(one.unflagged for one in every),
        sum(one.questions for one in every),
    )


def an_hour(count: int, false: FalseEntries) -> float:
    """So many in the talk's time, by the hour."""
    return count * 3600 / false.seconds if false.seconds else 0.0


def percentile(values: Sequence[float], share: float) -> float:
    """The value that this share of the values does not exceed (nearest rank); 0 for none."""
    if not values:
        return 0.0
    ordered = sorted(values)
    return ordered[max(0, -(-len(ordered) * round(share * 100) // 100) - 1)]
