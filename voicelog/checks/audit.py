"""What a finished record lacks: entries and fields that the protocol file asks for, what stands open, and the chain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from voicelog.casefile.chain import Entry
from voicelog.casefile.state import CaseState, RecordedEvent, current
from voicelog.checks.audit_rows import Required, RequiredFields, RequiredRemainder, RequiredResponse, RequiredSet
from voicelog.checks.contradictions import contradiction_findings
from voicelog.checks.course import Course, Dose, minutes, moment_of
from voicelog.checks.finding import CONTRADICTION
from voicelog.checks.protocol import Protocol
from voicelog.checks.survey import standing_findings
from voicelog.checks.vials import remainder_findings
from voicelog.checks.vitals import NAMES
from voicelog.events import Medication
from voicelog.grammar.model import Drug
from voicelog.views.labels import written, written_number

Group = Literal["integrity", "missing", "contradicting", "unconfirmed", "standing", "gap", "clock"]
GROUPS: tuple[Group, ...] = get_args(Group)
"""``standing``: what a check found and what is due; ``gap``: time in which nothing was heard; ``clock``: that the clock
of the machine was set, a note only."""
NOTES: frozenset[Group] = frozenset({"clock"})
"""The groups that are told and are no findings."""


@dataclass(frozen=True)
class AuditFinding:
    """One thing that a person should look at."""

    group: Group
    check: str
    """Section and row of its rule, ``required.age``, or the id of its check."""
    text: str
    """What is found, for the eye."""
    source: str
    """Source and date of the rule."""
    entries: tuple[str, ...] = ()
    """The entries that it is about."""
    status: str = ""
    """Where the first of them stands; '' without entries."""
    words: str = ""
    """The words that were heard for it; '' where there are none."""


def audit(
    entries: Sequence[Entry],
    state: CaseState,
    protocol: Protocol,
    drugs: Mapping[str, Drug],
    problems: Iterable[str],
    now: datetime,
) -> tuple[AuditFinding, ...]:
    """Everything that is missing, contradicting, unconfirmed or changed in a case, group by group.

    Args:
        entries: of the case file.
        state: their fold.
        protocol: the rules in force.
        drugs: the formulary, by generic name.
        problems: what is wrong with the chain, from the case file.
        now: the moment up to which the record goes.
    """
    found = [*integrity(problems), *_missing(state, protocol, drugs, now), *_unconfirmed(state)]
    found += _checked(state, protocol, drugs, now)
    found += _gaps(entries)
    found += _steps(entries)
    return tuple(sorted(found, key=lambda one: GROUPS.index(one.group)))


def integrity(problems: Iterable[str]) -> Iterator[AuditFinding]:
    """What is wrong with the file itself."""
    for problem in problems:
        yield AuditFinding("integrity", "chain", problem, "the hash chain of the case file")


def _missing(state: CaseState, protocol: Protocol, drugs: Mapping[str, Drug], now: datetime) -> Iterator[AuditFinding]:
    course = Course(current(state), protocol, drugs)
    yield from _required(course)
    yield from _fields(course)
    yield from _sets(course, now)
    yield from _responses(course, now)
    yield from _remainders(course)
    if not state.closed:
        yield AuditFinding("missing", "closed", "the case was not closed", "voicelog: a closed case cannot grow")


def _required(course: Course) -> Iterator[AuditFinding]:
    given = {dose.event.drug for dose in course.doses if dose.event.action == "given"}
    for row in course.protocol.rows("required", Required):
        if row.if_given and not given & set(row.if_given):
            continue
        values = [getattr(one.event, row.field) for one in course.standing if one.event.kind == row.kind]
        said = [str(value) for value in values if value is not None]
        if not any((not row.is_one_of or value in row.is_one_of) and row.contains in value for value in said):
            what = row.name.replace("_", " ")
            yield AuditFinding("missing", f"required.{row.name}", f"not in the record: {what}", row.cited)


def _fields(course: Course) -> Iterator[AuditFinding]:
    for row in course.protocol.rows("required_fields", RequiredFields):
        for entry in course.standing:
            event = entry.event
            if event.kind != row.kind or (row.action and getattr(event, "action", "") != row.action):
                continue
            if row.drugs and getattr(event, "drug", "") not in row.drugs:
                continue
            lacks = [
                text.replace("|", " or ").replace("_", " ").replace("occurred at", "time")
                for text in row.fields
                if all(getattr(event, field) is None for field in text.split("|"))
            ]
            if lacks:
                text = f"{written(event)}, not in the record: {', '.join(lacks)}"
                yield _about(f"required_fields.{row.name}", text, row.cited, entry)


def _sets(course: Course, now: datetime) -> Iterator[AuditFinding]:
    for row in course.protocol.rows("required_set", RequiredSet):
        counts = {sign: course.readings("systolic" if sign == "blood_pressure" else sign) for sign in row.signs}
        first = min((readings[0].at for readings in counts.values() if readings), default=None)
        if row.if_longer_min is not None and (first is None or now - first <= minutes(row.if_longer_min)):
            continue
        few = [
            f"{NAMES[sign]} {len(readings)} of {row.times}"
            for sign, readings in counts.items()
            if len(readings) < row.times
        ]
        if few:
            text = f"{row.name.replace('_', ' ')} set of vital signs is not complete: {', '.join(few)}"
            yield AuditFinding("missing", f"required_set.{row.name}", text, row.cited)


def _responses(course: Course, now: datetime) -> Iterator[AuditFinding]:
    for row in course.protocol.rows("required_response", RequiredResponse):
        span = minutes(row.within_min)
        signs = ["systolic" if sign == "blood_pressure" else sign for sign in row.signs]
        times = [reading.at for sign in signs for reading in course.readings(sign)]
        for dose in course.doses:
            if dose.event.action != "given" or not _applies(row, dose.event.drug) or now - dose.at < span:
                continue
            if not any(timedelta(0) < at - dose.at <= span for at in times):
                told = f"{written_number(row.within_min)} min after {written(dose.event)} at {dose.at:%H:%M}"
                text = f"nothing was measured within {told}"
                yield _about(f"required_response.{row.name}", text, row.cited, dose.entry)


def _remainders(course: Course) -> Iterator[AuditFinding]:
    for row in course.protocol.rows("required_remainder", RequiredRemainder):
        name = f"required_remainder.{row.name}"
        by_id = {dose.id: dose for dose in course.doses}
        for finding in remainder_findings(course):
            dose = by_id.get(finding.about)
            if finding.check == "left_over" and dose and _applies(row, dose.event.drug):
                yield _about(name, finding.for_eye, row.cited, dose.entry)
        for dose in _untouched(course):
            if _applies(row, dose.event.drug):
                yield _about(name, f"{written(dose.event)}: neither given nor wasted", row.cited, dose.entry)


def _untouched(course: Course) -> Iterator[Dose]:
    """What was prepared and of which nothing was given or wasted since; by entry, as stated times are in minutes."""
    used = [dose for dose in course.doses if dose.event.action in ("given", "wasted", "kept")]
    for dose in course.doses:
        later = {one.event.drug for one in used if one.entry.seq > dose.entry.seq}
        if dose.event.action == "prepared" and dose.event.drug not in later:
            yield dose


def _applies(row: RequiredResponse | RequiredRemainder, drug: str) -> bool:
    return drug not in row.besides and (not row.drugs or drug in row.drugs)


def _about(check: str, text: str, source: str, entry: RecordedEvent) -> AuditFinding:
    return AuditFinding("missing", check, text, source, (entry.id,), entry.status)


def _unconfirmed(state: CaseState) -> Iterator[AuditFinding]:
    """Entries that nobody confirmed and that did not stand after a read-back."""
    words = {one.id: _words(one.alternatives) for one in state.utterances}
    for entry in current(state):
        if entry.status == "confirmed":
            continue
        at = moment_of(entry)
        flags = ", ".join(flag.replace("_", " ") for flag in entry.flags)
        text = f"{written(entry.event)}{f' at {at:%H:%M}' if at else ''}{f': {flags}' if flags else ''}"
        is_drug = isinstance(entry.event, Medication)
        source = "a drug needs a spoken confirm" if is_drug else "what is doubtful needs a spoken confirm"
        if entry.status == "proposed":
            source = "an entry stands once the case goes on or is closed"
        heard = words.get(entry.utterance or "", "")
        yield AuditFinding("unconfirmed", entry.status, text, source, (entry.id,), entry.status, heard)


def _words(alternatives: Sequence[Sequence[object]]) -> str:
    return " ".join(str(getattr(word, "text", "")) for word in alternatives[0]) if alternatives else ""


def _checked(state: CaseState, protocol: Protocol, drugs: Mapping[str, Drug], now: datetime) -> Iterator[AuditFinding]:
    """What the checks find in the record as it ends; remainders stand with what is missing."""
    known = {entry.id: entry.status for entry in state.events}
    opposed = set(contradiction_findings(Course(current(state), protocol, drugs)))
    remainders = bool(protocol.rows("required_remainder", RequiredRemainder))
    for finding in standing_findings(state, protocol, drugs, now):
        if finding.check == "left_over" and remainders:
            continue
        apart = finding in opposed or finding.source == CONTRADICTION
        group: Group = "contradicting" if apart else "standing"
        entries = tuple(name for name in (finding.about, *finding.beside) if name in known)
        status = known[entries[0]] if entries else ""
        yield AuditFinding(group, finding.check, finding.for_eye, finding.source, entries, status)


def _gaps(entries: Sequence[Entry]) -> Iterator[AuditFinding]:
    """Stretches of time in which voicelog did not hear."""
    for entry in entries:
        if entry.type != "gap":
            continue
        start, end = (entry.body.get(key) for key in ("start", "end"))
        until = "on" if end is None else f"to {_seconds(end)}"
        text = f"not heard from {_seconds(start)} {until}: {entry.body.get('reason', '')}"
        yield AuditFinding("gap", "gap", text, "voicelog: deaf is loud")


def _steps(entries: Sequence[Entry]) -> Iterator[AuditFinding]:
    """Where the clock of the machine was set while the case ran: the times of the case do not follow it."""
    ahead = timedelta(0)
    for entry in entries:
        if entry.type == "resumed":  # reads the clock of the machine anew
            ahead = timedelta(0)
        if entry.type != "clock_stepped":
            continue
        try:
            before, ahead = ahead, ahead + timedelta(seconds=int(str(entry.body.get("seconds"))))
            was, then = (f"{entry.at + off:%Y-%m-%d %H:%M:%S}" for off in (before, ahead))
        except (ValueError, OverflowError):
            told = f"the clock of the machine was set at {entry.at:%H:%M:%S}, to what is not told"
        else:
            told = f"the clock of the machine was set from {was} to {then}"
        text = f"entry {entry.seq}: {told}; the case went on with its own time, {entry.at:%H:%M:%S}"
        yield AuditFinding("clock", "clock_stepped", text, "voicelog: the time of a case is read once, then counted")


def _seconds(value: object) -> str:
    return "an unknown time" if value is None else f"{value} s"
