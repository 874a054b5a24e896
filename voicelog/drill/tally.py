"""Adds the results of drills up: outcomes, fields, words, false entries and delays, in all and by group; plain data."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from voicelog.drill.intervals import at_most, share_interval
from voicelog.drill.judge import GROUPS, OUTCOMES, FieldScore
from voicelog.drill.matching import CalloutResult, DrillResult
from voicelog.drill.summary import percentile, snr_name
from voicelog.drill.words import Alignment, aligned, confusions, word_error_rate

SNR_STEP_DB = 5.0
"""Measured SNRs of recordings are grouped in steps of this."""


@dataclass(frozen=True)
class Run:
    """All drills of a folder as one recogniser heard them."""

    listener: str
    options: Mapping[str, str]
    drills: tuple[DrillResult, ...]

    @property
    def callouts(self) -> tuple[CalloutResult, ...]:
        """Every callout of every drill."""
        return tuple(callout for drill in self.drills for callout in drill.callouts)


def figures(run: Run) -> dict[str, Any]:
    """The figures of a run as plain data; the same whatever the order of the drills."""
    callouts = sorted(run.callouts, key=lambda callout: callout.key)
    alignments = aligned([(callout.said, callout.words) for callout in callouts])
    false = [entry for drill in run.drills for entry in drill.false]
    hours = sum(drill.truth.hours for drill in run.drills)
    return {
        **outcome_figures(callouts),
        "wer": round(word_error_rate(alignments), 5),
        "wer_interval": _rounded(share_interval([a.errors for a in alignments], [a.count for a in alignments])),
        "fields": field_figures([field for callout in callouts for field in callout.fields]),
        "drug_read_back_wrong": sum(callout.score.drug_wrong for callout in callouts),
        "extra": sum(entry.count for entry in false),
        "extra_unflagged": sum(entry.unflagged for entry in false),
        "extra_questions": sum(entry.question for entry in false),
        "hours": round(hours, 6),
        "false_per_hour": round(sum(entry.count for entry in false) / hours, 3) if hours else 0.0,
        "delay": delay_figures(callouts),
        "by_snr": by_group(callouts, snr_of, reverse=True),
        "by_noise": by_group(callouts, lambda callout: callout.noise),
        "by_speaker": by_group(callouts, lambda callout: callout.line.who),
        "by_drill": by_group(callouts, lambda callout: callout.recording),
        "word_confusions": confusion_rows(confusions(alignments)),
        "value_confusions": value_rows(callouts),
    }


def outcome_figures(callouts: Sequence[CalloutResult]) -> dict[str, Any]:
    """Counts and shares of the outcomes, with their intervals; the counts add up to ``callouts``."""
    tally = Counter(callout.score.outcome for callout in callouts)
    count = len(callouts)
    return {
        "callouts": count,
        "outcomes": {outcome: tally[outcome] for outcome in OUTCOMES},
        "shares": {outcome: round(tally[outcome] / count, 5) if count else 0.0 for outcome in OUTCOMES},
        "intervals": {
            outcome: _rounded(share_interval([callout.score.outcome == outcome for callout in callouts]))
            for outcome in OUTCOMES
        },
        "wrong_at_most": round(at_most(tally["wrong"], count), 5),
    }


def field_figures(fields: Iterable[FieldScore]) -> dict[str, dict[str, Any]]:
    """For each kind of field how many values were said, entered right, entered wrong and not entered."""
    found: dict[str, dict[str, Any]] = {}
    every = list(fields)
    for group in GROUPS:
        same = [field for field in every if field.group == group]
        wrong = sum(field.wrong for field in same)
        absent = sum(field.entered is None for field in same)
        share = round(wrong / len(same), 5) if same else 0.0
        right = len(same) - wrong - absent
        found[group] = {"said": len(same), "right": right, "wrong": wrong, "absent": absent, "wrong_share": share}
    return found


def delay_figures(callouts: Iterable[CalloutResult]) -> dict[str, float]:
    """Seconds from the end of speech to the entry, had the recordings been live on the machine that heard them."""
    delays = [callout.delay_s for callout in callouts if callout.delay_s is not None]
    return {"count": len(delays), "p50_s": percentile(delays, 0.5), "p95_s": percentile(delays, 0.95)}


def by_group(
    callouts: Sequence[CalloutResult], key: Callable[[CalloutResult], str], reverse: bool = False
) -> dict[str, dict[str, Any]]:
    """The outcomes of each group, in the order of its name, numbers by size."""
    names = sorted({key(callout) for callout in callouts}, key=_order, reverse=reverse)
    return {name: outcome_figures([callout for callout in callouts if key(callout) == name]) for name in names}


def _order(name: str) -> tuple[float, str]:
    number = name.partition(" ")[0]
    try:
        return float(number), ""
    except ValueError:
        return (float("inf"), name)


def snr_of(callout: CalloutResult) -> str:
    """The SNR as it is grouped: clean, 15 dB."""
    if callout.snr_db is None:
        return snr_name(None)
    return snr_name(SNR_STEP_DB * round(callout.snr_db / SNR_STEP_DB))


def confusion_rows(found: Counter[tuple[str, str]]) -> list[dict[str, Any]]:
    """Words taken for other words, most often first."""
    return [{"said": said, "heard": heard, "count": count} for (said, heard), count in found.items()]


def value_rows(callouts: Iterable[CalloutResult]) -> list[dict[str, Any]]:
    """Values entered otherwise than said, flagged or not, most often first."""
    found = Counter(
        (field.group, field.said, str(field.entered)) for callout in callouts for field in callout.fields if field.wrong
    )
    ordered = sorted(found.items(), key=lambda item: (-item[1], item[0]))
    return [{"field": group, "said": said, "entered": entered, "count": n} for (group, said, entered), n in ordered]


def alignment_of(callout: CalloutResult) -> Alignment:
    """The words of one callout beside what was heard."""
    return aligned([(callout.said, callout.words)])[0]


def _rounded(interval: tuple[float, float]) -> list[float]:
    return [round(interval[0], 4), round(interval[1], 4)]
