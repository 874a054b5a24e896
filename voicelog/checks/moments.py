"""Checks of stated times: in the future, long ago, on another day, or in an order that cannot be."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import combinations
from typing import get_args

from voicelog.casefile.state import RecordedEvent
from voicelog.checks.course import Course
from voicelog.checks.finding import Finding, cited
from voicelog.dialogue.wording import spoken_time
from voicelog.events import Medication, Milestone, MilestoneName, Procedure, VitalSign

MILESTONES = get_args(MilestoneName)
"""In the order in which a call goes: NEMSIS v3.5.1 schematron e017 to e055."""
ORDER = "NEMSIS v3.5.1 schematron e017 to e055"
WITH_PATIENT = "NEMSIS v3.5.1 schematron e126 to e155"
HEARD = "design: a clock time is placed nearest to when it was heard"


def stated_times(course: Course) -> Iterator[Finding]:
    """Clock times that lie ahead, long ago, or on another day than they were heard."""
    (ahead, ahead_row), (back, back_row) = course.span("future"), course.span("long_ago")
    for one in course.timed:
        stated, heard = one.entry.event.stated_time, one.entry.event.heard_at
        if not stated or heard is None:
            continue
        clock = spoken_time(stated)
        if one.at - heard > ahead and ahead_row:
            ear, eye = (
                f"time {clock} lies ahead",
                f"stated time {stated} is later than {heard:%H:%M}, when it was heard",
            )
            yield Finding("time_ahead", "ask", one.id, ear, eye, cited(ahead_row))
        elif heard - one.at > back and back_row:
            ear, eye = (
                f"time {clock} is long ago",
                f"stated time {stated} is long before {heard:%H:%M}, when it was heard",
            )
            yield Finding("time_long_ago", "ask", one.id, ear, eye, cited(back_row))
        elif one.at.astimezone(heard.tzinfo).date() < heard.date():
            ear, eye = f"time {clock} taken as yesterday", f"stated time {stated} is taken as {one.at:%Y-%m-%d %H:%M}"
            yield Finding("across_midnight", "note", one.id, ear, eye, HEARD)


def milestones_in_order(course: Course) -> Iterator[Finding]:
    """Milestones whose times run against the order of a call; to the minute, as times are stated."""
    reached = [one for one in course.timed if isinstance(one.entry.event, Milestone)]
    for earlier, later in combinations(reached, 2):
        if _rank(earlier.entry) > _rank(later.entry) and _minute(earlier.at) < _minute(later.at):
            first, last = _name(later.entry), _name(earlier.entry)
            stated = earlier if earlier.entry.event.stated_time and not later.entry.event.stated_time else later
            beside = later.id if stated is earlier else earlier.id
            eye = f"{last} at {earlier.at:%H:%M} is before {first} at {later.at:%H:%M}"
            yield Finding("out_of_order", "ask", stated.id, f"{last} before {first}", eye, ORDER, (beside,))


def acts_with_patient(course: Course) -> Iterator[Finding]:
    """Stated times of drugs, procedures and values before patient contact or after transfer."""
    bounds = [one for one in course.timed if isinstance(one.entry.event, Milestone)]
    contact = next((one for one in bounds if _name(one.entry) == "patient contact"), None)
    transfer = next((one for one in reversed(bounds) if _name(one.entry) == "transferred"), None)
    for one in course.timed:
        if not isinstance(one.entry.event, Medication | Procedure | VitalSign) or not one.entry.event.stated_time:
            continue
        clock = spoken_time(one.entry.event.stated_time)
        for bound, wrong, word in (
            (contact, contact and _minute(one.at) < _minute(contact.at), "before patient contact"),
            (transfer, transfer and _minute(one.at) > _minute(transfer.at), "after transfer"),
        ):
            if bound and wrong:
                eye = f"stated time {one.entry.event.stated_time} is {word} at {bound.at:%H:%M}"
                yield Finding("out_of_order", "ask", one.id, f"time {clock} is {word}", eye, WITH_PATIENT, (bound.id,))


def moment_findings(course: Course) -> Iterator[Finding]:
    """All checks of stated times."""
    for check in (stated_times, milestones_in_order, acts_with_patient):
        yield from check(course)


def _minute(at: datetime) -> datetime:
    return at.replace(second=0, microsecond=0)


def _rank(entry: RecordedEvent) -> int:
    return MILESTONES.index(entry.event.milestone) if isinstance(entry.event, Milestone) else -1


def _name(entry: RecordedEvent) -> str:
    return entry.event.milestone.replace("_", " ") if isinstance(entry.event, Milestone) else ""
