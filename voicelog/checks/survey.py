"""Runs every check over a case: what a new entry raises, and what stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from voicelog.casefile.state import CaseState, RecordedEvent, current
from voicelog.checks.clocks import clocks
from voicelog.checks.contradictions import contradiction_findings
from voicelog.checks.course import Course
from voicelog.checks.drugs import drug_findings
from voicelog.checks.finding import Finding
from voicelog.checks.moments import moment_findings
from voicelog.checks.protocol import Protocol
from voicelog.checks.vitals import vital_findings
from voicelog.grammar.model import Drug

_SEVERITIES = ("alarm", "ask", "note")


def all_findings(
    standing: Iterable[RecordedEvent], protocol: Protocol, drugs: Mapping[str, Drug]
) -> tuple[Finding, ...]:
    """Everything that the standing entries raise together: a function of the entries, not of the order given."""
    course = Course(tuple(standing), protocol, drugs)
    found: set[Finding] = set()
    for check in (vital_findings, contradiction_findings, moment_findings, drug_findings):
        found.update(check(course))
    return tuple(sorted(found, key=_order))


def findings_for(
    event_entry: RecordedEvent,
    state: CaseState,
    protocol: Protocol,
    drugs: Mapping[str, Drug],
    now: datetime,
) -> tuple[Finding, ...]:
    """What a new entry raises, the gravest first: all that the case raises with it and did not raise without it.

    So each thing is found once, whichever of the entries that it rests on came last; ``about`` may therefore name an
    older entry, as when a weight is told after a dose.

    Args:
        event_entry: the new entry, placed in time; it may be in the state already. What it amends counts no more.
        state: the case.
        now: when it was heard; entries heard later than that are not looked at.
    """
    before = [
        entry
        for entry in current(state)
        if entry.id != event_entry.id and entry.id != event_entry.amends and not _later(entry, now)
    ]
    known = set(all_findings(before, protocol, drugs))
    return tuple(one for one in all_findings([*before, event_entry], protocol, drugs) if one not in known)


def standing_findings(
    state: CaseState, protocol: Protocol, drugs: Mapping[str, Drug], now: datetime
) -> tuple[Finding, ...]:
    """All that the case raises at a moment, and the clocks that are due then, as notes."""
    entries = [entry for entry in current(state) if not _later(entry, now)]
    late = tuple(
        Finding("due", "note", clock.about, clock.for_ear, clock.for_eye, clock.source)
        for clock in clocks(state, protocol, now)
        if clock.is_due(now)
    )
    return (*all_findings(entries, protocol, drugs), *late)


def _later(entry: RecordedEvent, now: datetime) -> bool:
    heard = entry.event.heard_at
    return heard is not None and heard > now


def _order(finding: Finding) -> tuple[int, str, str, str, tuple[str, ...]]:
    return (_SEVERITIES.index(finding.severity), finding.about, finding.check, finding.for_ear, finding.beside)
