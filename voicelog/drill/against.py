"""Compares two runs over the same recordings, callout by callout."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from voicelog.drill.intervals import mcnemar
from voicelog.drill.matching import CalloutResult
from voicelog.drill.scoring import Outcomes
from voicelog.drill.script import DrillError


def compared(callouts: Sequence[CalloutResult], old: Outcomes) -> dict[str, Any]:
    """What became better and worse, with the exact McNemar test over the callouts of both runs.

    Args:
        callouts: of the new run.
        old: outcomes of the older one.

    Raises:
        DrillError: the two runs share no callout.
    """
    both = [(callout, old[callout.key]) for callout in callouts if callout.key in old]
    if not both:
        raise DrillError("the two runs have no callout in common", "Compare runs over the same recordings.")
    better = [one for one, before in both if one.score.outcome == "exact" != before]
    worse = [one for one, before in both if before == "exact" != one.score.outcome]
    return {
        "shared": len(both),
        "better": len(better),
        "worse": len(worse),
        "wrong_before": sum(before == "wrong" for _, before in both),
        "wrong_now": sum(one.score.outcome == "wrong" for one, _ in both),
        "p": mcnemar(len(better), len(worse)),
        "better_callouts": [_told(one) for one in better],
        "worse_callouts": [_told(one) for one in worse],
    }


def _told(callout: CalloutResult) -> dict[str, Any]:
    return {
        "recording": callout.recording,
        "said": callout.line.say,
        "heard": " ".join(callout.words),
        "outcome": callout.score.outcome,
    }
