"""Marks for a whole case: how much was confirmed, corrected, left open, not understood; delays; what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from voicelog.views.review_model import ReviewModel


@dataclass(frozen=True)
class Quality:
    """Counts over one case."""

    utterances: int
    """Stretches of speech."""
    entries: int
    """Entries that stand."""
    confirmed: int
    """Of these, confirmed."""
    unconfirmed: int
    """Of these, never confirmed."""
    corrected: int
    """Entries that a later one replaced."""
    taken_back: int
    """Entries that were taken back, or marked as entered in error."""
    not_understood: int
    """Utterances of which nothing was made."""
    asked: int
    """Utterances that led to a question."""
    missing: int
    """Things that the audit misses."""
    deaf_seconds: Decimal
    """Time in which nothing was heard, as far as its length is known."""
    delay: Decimal | None
    """Seconds from speech to its read-back, the median; None where no read-back's sound was recorded."""
    longest_delay: Decimal | None
    """The longest of these."""


def quality(model: ReviewModel) -> Quality:
    """The marks of a case."""
    status = [one.recorded.status for one in model.events]
    outcomes = [one.outcome for one in model.utterances]
    delays = sorted(model.delays)
    return Quality(
        utterances=len(model.utterances),
        entries=sum(one not in ("rejected", "amended") for one in status),
        confirmed=status.count("confirmed"),
        unconfirmed=status.count("unconfirmed"),
        corrected=status.count("amended"),
        taken_back=status.count("rejected"),
        not_understood=outcomes.count("not understood"),
        asked=sum(any(turn.kind == "question" for turn in one.turns) for one in model.utterances),
        missing=sum(one.group == "missing" for one in model.findings),
        deaf_seconds=sum((gap.seconds for gap in model.gaps if gap.seconds is not None), Decimal(0)),
        delay=delays[len(delays) // 2] if delays else None,
        longest_delay=delays[-1] if delays else None,
    )


def open_items(model: ReviewModel) -> list[str]:
    """What still needs a person, one line each; empty for a case that can be signed off with nothing left."""
    items = [
        f"{one.recorded.id} {one.text}: never confirmed" for one in model.events if one.recorded.status == "unconfirmed"
    ]
    return items + [one.text for one in model.findings if one.group in ("integrity", "missing", "contradicting")]
