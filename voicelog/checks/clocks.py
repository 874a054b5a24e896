"""The clocks that crews lose track of: what is due, since when, by which rule; reminders, never orders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from voicelog.casefile.state import CaseState, current
from voicelog.checks.course import BAG, Course, Dose, Reading, minutes, moment_of
from voicelog.checks.drug_rows import Repeat
from voicelog.checks.drugs import ago, repeats
from voicelog.checks.protocol import Protocol
from voicelog.checks.rows import AfterDrug, BeforeDrug, Cycle, Minutes, ResumeAfter, Unstable
from voicelog.checks.scores import hypotensive
from voicelog.checks.vitals import NAMES
from voicelog.dialogue.wording import spoken_number

SET = ("blood_pressure", "heart_rate", "respiratory_rate", "oxygen_saturation")
"""What a set of vital signs is made of (common practice, no source)."""


@dataclass(frozen=True)
class Clock:
    """One span of time under way."""

    name: str
    """Section and row of its rule, ``after_drug.vitals``."""
    about: str
    """The entry that it counts from."""
    since: datetime
    """When it began."""
    due_at: datetime | None
    """When it is due; None for one that only counts."""
    until: datetime | None
    """When a window closes; None when it stays open."""
    for_ear: str
    """Short spoken words without a stop."""
    for_eye: str
    """The same for the screen."""
    source: str
    """Source and date of the rule."""
    aloud: bool = True
    """Whether it is spoken, once, when it falls due; else it is only shown."""

    @property
    def key(self) -> tuple[str, str, datetime | None]:
        """Tells one fall due from the next: what was spoken under this key is not spoken again."""
        return self.name, self.about, self.due_at

    def is_due(self, now: datetime) -> bool:
        """Whether it is due at a moment."""
        return self.due_at is not None and self.due_at <= now and (self.until is None or now <= self.until)


@dataclass(frozen=True)
class Pace:
    """How far apart breaths are."""

    every_s: Decimal
    """Seconds."""
    source: str
    """Source and date of the rule."""
    for_ear: str
    """How far apart, and that it is an adult's where no age is known."""


def clocks(state: CaseState, protocol: Protocol, now: datetime) -> tuple[Clock, ...]:
    """Every clock under way, the one due first before the others; none once the patient was transferred.

    Args:
        now: the moment asked about; entries that happened later are not looked at.
    """
    course = _course(state, protocol, now)
    if course.handed_over(now):
        return ()
    found: list[Clock] = []
    for rule in (_ventilation, _before_drug, _resume, _after_drug, _reassess, _repeat, _cycles):
        found.extend(rule(course, now))
    return tuple(sorted(found, key=lambda clock: (clock.due_at or clock.since, clock.name, clock.about)))


def due(state: CaseState, protocol: Protocol, now: datetime) -> tuple[Clock, ...]:
    """The clocks that are due, the longest overdue first."""
    return tuple(clock for clock in clocks(state, protocol, now) if clock.is_due(now))


def pacing(state: CaseState, protocol: Protocol, now: datetime) -> Pace | None:
    """The pause between breaths for a soft tone while the bag is used; None when it is not.

    Without a known age it is an adult's.
    """
    course = _course(state, protocol, now)
    row = protocol.pacing(course.age[2] if course.age else None)
    running = course.ventilating_since(now) and not course.handed_over(now)
    if row is None or not running:
        return None
    ear = f"one breath every {spoken_number(row.every_s)} seconds"
    return Pace(row.every_s, row.cited, ear if course.age else f"{ear}, adult, age not known")


def _course(state: CaseState, protocol: Protocol, now: datetime) -> Course:
    standing = tuple(entry for entry in current(state) if (at := moment_of(entry)) is not None and at <= now)
    return Course(standing, protocol, {})


def unstable(course: Course, now: datetime) -> Unstable | None:
    """The rule by which the patient counts as unstable at a moment, or None."""
    for row in course.protocol.rows("unstable", Unstable):
        last = course.latest(row.sign, now) if row.sign else None
        levels = [one.event.level for one in course.findings if one.event.level and one.at <= now]
        if (
            (last and row.below is not None and last.value < row.below)
            or (last and row.above is not None and last.value > row.above)
            or (levels and levels[-1] in row.levels)
            or (row.ventilated and course.ventilating_since(now))
            or (row.arrest and course.in_arrest(now))
            or (row.hypotension and hypotensive(course, now))
        ):
            return row
    return None


def _last(course: Course, sign: str) -> Reading | None:
    readings = course.readings("systolic" if sign == "blood_pressure" else sign)
    return readings[-1] if readings else None


def _named(signs: Sequence[str]) -> str:
    return ", ".join(NAMES[sign] for sign in signs)


def _elapsed(since: datetime, now: datetime) -> int:
    return int((now - since).total_seconds())


def _ventilation(course: Course, now: datetime) -> Iterator[Clock]:
    """How long the bag has been used; it is never due."""
    began = course.ventilating_since(now)
    if began:
        text = f"ventilating for {ago(_elapsed(began.at, now))}"
        eye = f"ventilating since {began.at:%H:%M}"
        yield Clock("ventilation", began.id, began.at, None, None, text, eye, "the record", aloud=False)


def _before_drug(course: Course, now: datetime) -> Iterator[Clock]:
    """The least time of ventilation before a drug that was prepared and not given yet."""
    began = course.ventilating_since(now)
    for row in course.protocol.rows("ventilated_before", BeforeDrug):
        acts = [dose.event.action for dose in course.doses if dose.event.drug == row.drug]
        if began and "prepared" in acts and "given" not in acts:
            since = began.at
            ear = f"ventilated for {ago(int(row.minutes * 60))}"
            eye = f"ventilated for {row.minutes} min, the protocol's time before {row.drug}"
            at = since + minutes(row.minutes)
            yield Clock(f"ventilated_before.{row.name}", began.id, since, at, None, ear, eye, row.cited)


def _resume(course: Course, now: datetime) -> Iterator[Clock]:
    """Ventilation that stopped shortly before a drug and was not taken up since."""
    bags = [act for act in course.acts if act.event.procedure == BAG]
    for row in course.protocol.rows("resume_after", ResumeAfter):
        given = [dose for dose in _given(course) if not row.drugs or dose.event.drug in row.drugs]
        if not given or not bags or bags[-1].event.action != "stopped":
            continue
        dose, stopped = given[-1], bags[-1]
        if timedelta(0) <= dose.at - stopped.at <= minutes(row.paused_within_min):
            ear = f"ventilation not resumed since {dose.event.drug}"
            eye = f"ventilation stopped {stopped.at:%H:%M}, not resumed since {dose.event.drug} {dose.at:%H:%M}"
            at = dose.at + minutes(row.minutes)
            yield Clock(f"resume_after.{row.name}", dose.id, dose.at, at, None, ear, eye, row.cited)


def _after_drug(course: Course, now: datetime) -> Iterator[Clock]:
    """Values not measured since a dose that a rule is about: since the first such dose, so that none is forgotten."""
    for row in course.protocol.rows("after_drug", AfterDrug):
        doses = [dose for dose in _given(course) if _is_about(row, dose.event.drug)]
        first: dict[str, Dose] = {}
        for sign in row.signs:
            last = _last(course, sign)
            unmeasured = [dose for dose in doses if last is None or last.at <= dose.at]
            if unmeasured:
                first[sign] = unmeasured[0]
        if first:
            dose = min(first.values(), key=lambda one: one.order)
            at = dose.at + minutes(row.minutes)
            signs = [sign for sign, since in first.items() if since.at + minutes(row.minutes) <= max(now, at)]
            ear = f"after {dose.event.drug}, due: {_named(signs)}"
            eye = f"due {row.minutes} min after {dose.event.drug} {dose.at:%H:%M}: {_named(signs)}"
            yield Clock(f"after_drug.{row.name}", dose.id, dose.at, at, None, ear, eye, row.cited)


def _is_about(row: AfterDrug, drug: str) -> bool:
    return drug not in row.besides and (not row.drugs or drug in row.drugs)


def _given(course: Course) -> list[Dose]:
    return [dose for dose in course.doses if dose.event.action == "given"]


def _reassess(course: Course, now: datetime) -> Iterator[Clock]:
    """Vital signs that were measured once and grow old, sooner in an unstable patient; not in cardiac arrest."""
    if course.in_arrest(now):
        return
    why = unstable(course, now)
    name = "unstable" if why else "stable"
    row = course.protocol.row("reassess", name, Minutes)
    measured = [(sign, last) for sign in SET if (last := _last(course, sign))]
    if row is None or not measured:
        return
    oldest = min((last for _, last in measured), key=lambda last: last.order)
    at = oldest.at + minutes(row.minutes)
    signs = [sign for sign, last in measured if last.at + minutes(row.minutes) <= max(now, at)]
    reason = f" ({why.name.replace('_', ' ')})" if why else ""
    ear = f"vital signs due: {_named(signs)}"
    eye = f"{name}{reason}, every {row.minutes} min; last {oldest.at:%H:%M}: {_named(signs)}"
    source = f"{row.cited}; {why.cited}" if why else row.cited
    yield Clock(f"reassess.{name}", oldest.id, oldest.at, at, None, ear, eye, source)


def _repeat(course: Course, now: datetime) -> Iterator[Clock]:
    """The window after the last dose of a drug."""
    for row in course.protocol.rows("repeat", Repeat):
        doses = repeats(course, row)
        if not doses or (row.in_arrest is not None and row.in_arrest != course.in_arrest(now)):
            continue
        last = doses[-1]
        due_at = last.at + minutes(row.from_min)
        # In arrest the window stays open: what was missed is still to be thought of.
        until = None if row.in_arrest or row.until_min is None else last.at + minutes(row.until_min)
        if until and now > until:
            continue
        ear = f"{row.drug}, {ago(int(row.from_min * 60))} since the last dose"
        span = f"{row.from_min}{f' to {row.until_min}' if row.until_min else ''} min"
        eye = f"{row.drug} last {last.at:%H:%M}, window {span}"
        yield Clock(f"repeat.{row.name}", last.id, last.at, due_at, until, ear, eye, row.cited, row.aloud)


def _cycles(course: Course, now: datetime) -> Iterator[Clock]:
    """Rounds of a procedure: the one that ended last, due until the next ends, and the one under way."""
    for row in course.protocol.rows("cycle", Cycle):
        bag = row.during == BAG
        act = course.ventilating_since(now) if bag else course.compressing_since(now)
        if act is None:
            continue
        last = _last(course, row.since_sign) if row.since_sign else None
        since = max(act.at, last.at) if last else act.at
        about = last.id if last and last.at > act.at else act.id
        length = minutes(row.minutes)
        ended = (now - since) // length
        for number in (ended, ended + 1) if ended else (1,):
            at = since + number * length
            what = NAMES[row.since_sign] if row.since_sign else "compressions"
            ear = f"{ago(int(length.total_seconds()) * number)} of {what}" if not row.since_sign else f"{what} due"
            eye = f"{what}: every {row.minutes} min, round {number} since {since:%H:%M}"
            yield Clock(f"cycle.{row.name}", about, since, at, None, ear, eye, row.cited, row.aloud)
