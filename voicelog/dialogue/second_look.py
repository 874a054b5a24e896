"""What the checks find about a new entry beside all that stands, ready to be said, flagged and kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from voicelog.casefile.state import CaseState, RecordedEvent
from voicelog.checks.clocks import Clock, due
from voicelog.checks.finding import Finding
from voicelog.checks.protocol import Protocol
from voicelog.checks.survey import findings_for
from voicelog.dialogue.state import Standing
from voicelog.grammar.model import Drug
from voicelog.parse.result import Draft

_SAME = {"micrograms_or_milligrams": {"unit_unusual", "dose_above_limit"}}
"""Flags of a single event that a check says better."""


@dataclass(frozen=True)
class SecondLook:
    """What was found about one new entry."""

    draft: Draft
    """With a flag for each thing to confirm."""
    others: tuple[Finding, ...] = ()
    """What is in doubt about older entries."""
    notes: tuple[Finding, ...] = ()
    """What is told without a question."""
    findings: tuple[Finding, ...] = ()
    """All of it."""


def look_again(
    draft: Draft, entry: Standing, standing: Sequence[Standing], protocol: Protocol, drugs: Mapping[str, Drug]
) -> SecondLook:
    """Check a new entry, already placed in time, against what stands.

    Args:
        draft: as parsed.
        entry: as it will stand.
        standing: what stands besides, in the order of entry.
    """
    at = entry.event.heard_at
    assert at is not None
    found = findings_for(_recorded(entry, len(standing) + 1), _case(standing), protocol, drugs, at)
    own = [one for one in found if one.about == entry.id and one.severity != "note"]
    asked = {one.check: one.for_ear for one in own}
    better = set().union(*(_SAME.get(check, set()) for check in asked)) if asked else set()
    flags = [flag for flag in draft.flags if flag not in better]
    return SecondLook(
        replace(draft, flags=tuple(dict.fromkeys((*flags, *asked))), doubts=asked),
        tuple(one for one in found if one.about != entry.id and one.severity != "note"),
        tuple(one for one in found if one.severity == "note"),
        found,
    )


def due_clocks(standing: Sequence[Standing], protocol: Protocol, now: datetime) -> tuple[Clock, ...]:
    """The clocks that are due at a moment."""
    return due(_case(standing), protocol, now)


def _case(standing: Sequence[Standing]) -> CaseState:
    return CaseState(events=tuple(_recorded(entry, seq) for seq, entry in enumerate(standing, start=1)))


def _recorded(entry: Standing, seq: int) -> RecordedEvent:
    return RecordedEvent(
        entry.id,
        entry.event,
        "unconfirmed" if entry.waits else "confirmed" if entry.settled else "proposed",
        entry.flags,
        None,
        entry.amends.id if entry.amends else None,
        entry.group,
        seq,
        entry.waits,
    )
