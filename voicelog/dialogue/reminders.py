"""When drugs that nobody confirmed are spoken of again: soon at first, then less and less often; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from voicelog.dialogue.state import Standing
from voicelog.events import Medication

WAITS = (timedelta(minutes=1), timedelta(minutes=2), timedelta(minutes=4), timedelta(minutes=8))
"""From the entry to the first reminder, from that to the next, and so on; the last one goes on."""


@dataclass(frozen=True)
class Plan:
    """When each entry that waits is due again."""

    due: Mapping[str, datetime] = field(default_factory=dict)
    """Entry id -> when it is spoken of next."""
    told: Mapping[str, int] = field(default_factory=dict)
    """Entry id -> how often it was spoken of."""


def planned(plan: Plan, waiting: Sequence[Standing], now: datetime) -> Plan:
    """The plan for what waits now: new drugs come in, what no longer waits goes out."""
    drugs = [entry.id for entry in waiting if isinstance(entry.event, Medication)]
    due = {name: plan.due.get(name, now + WAITS[0]) for name in drugs}
    return Plan(due, {name: plan.told.get(name, 0) for name in drugs})


def next_reminder(plan: Plan, waiting: Sequence[Standing], now: datetime) -> tuple[Plan, tuple[Standing, ...]]:
    """What to speak of now, and the plan after that; nothing when nothing is due.

    Entries of one utterance are confirmed together, so they are spoken of together; one utterance at a time.

    Args:
        plan: from ``planned``.
        waiting: what waits for a confirm, oldest first.
        now: aware.
    """
    late = [entry for entry in waiting if entry.id in plan.due and plan.due[entry.id] <= now]
    if not late:
        return plan, ()
    group = tuple(entry for entry in waiting if entry.group == late[0].group)
    due, told = dict(plan.due), dict(plan.told)
    for entry in group:
        if entry.id in told:
            told[entry.id] += 1
            due[entry.id] = now + WAITS[min(told[entry.id], len(WAITS) - 1)]
    return Plan(due, told), group
