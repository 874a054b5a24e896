"""What a handover is made of: the standing entries, sorted into before the first drug, after it, and the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from voicelog.casefile.state import CaseState, RecordedEvent, current
from voicelog.checks.clocks import SET, due
from voicelog.checks.course import Course, minutes, moment_of
from voicelog.checks.protocol import Protocol
from voicelog.checks.rows import Minutes
from voicelog.checks.vials import remainder_findings
from voicelog.checks.vitals import NAMES
from voicelog.events import Assessment, Medication, Patient, Procedure, Remark, VitalSign
from voicelog.grammar.model import Drug
from voicelog.views.handover_clauses import Clause, event_clause, in_order, merged_clause

PENDING = "pending"
MAIN_FINDINGS = frozenset({"responsiveness", "glasgow_coma_scale", "breath_sounds"})
"""Findings that are told before the others (design choice)."""
_SIGNS = ("oxygen_saturation", "blood_pressure", "heart_rate", "respiratory_rate", "end_tidal_co2")
"""Signs in the order told; the others follow as they were measured."""
_CARRIED_ON = frozenset({"bag_valve_mask_ventilation", "cardiopulmonary_resuscitation"})
"""Procedures that whoever takes over has to go on with: told early while they go on."""
_CHILD_BELOW_YEARS = 16
"""Under this age the weight is told early (design choice)."""


@dataclass(frozen=True)
class Part:
    """Clauses that stand together."""

    lead: str
    """Words before them, ``before albuterol``; '' for none."""
    clauses: tuple[Clause, ...]


def parts_of(state: CaseState, protocol: Protocol, drugs: Mapping[str, Drug], now: datetime) -> dict[str, Part]:
    """Every part by its name: patient, background, findings and vitals before and after, drugs, procedures, pending."""
    standing = [entry for entry in current(state) if (at := moment_of(entry)) is None or at <= now]
    entries = in_order(standing)
    course = Course(tuple(standing), protocol, drugs)
    mark = _first_dose(entries)
    split = entries.index(mark) if mark else len(entries)
    before, after = _by_subject(entries[:split]), _by_subject(entries[split:])
    if mark is None:
        before, after = _first_and_last(before)
    name = mark.event.drug if mark and isinstance(mark.event, Medication) else ""
    leads = (f"before {name}", f"after {name}") if mark else ("first", "last")
    row = protocol.row("reassess", "stable", Minutes)
    old = now - minutes(row.minutes) if row else now
    parts = {
        "patient": Part("", tuple(_patient(entries))),
        "background": Part("", tuple(_background(entries, course))),
        "drugs": Part("", tuple(_drugs(entries))),
        "procedures": Part("", tuple(_procedures(entries))),
        "pending": Part(PENDING, tuple(_pending(state, course, entries, before.keys() - after.keys(), name, now))),
        "remarks": Part("", tuple(event_clause(one, 8) for one in entries if isinstance(one.event, Remark))),
    }
    for kind, vital in (("vitals", True), ("findings", False)):
        # What was not measured again is still the newest value there is.
        told = [_told(one, 2 if vital and key not in after else 3) for key, one in _of_kind(before, vital)]
        parts[f"{kind}_before"] = Part(leads[0], tuple(clause for clauses in told for clause in clauses))
        told = [_told(readings, 2, old) for _, readings in _of_kind(after, vital)]
        parts[f"{kind}_after"] = Part(leads[1], tuple(clause for clauses in told for clause in clauses))
    return parts


Subject = tuple[str, str]
Readings = list[RecordedEvent]


def _first_dose(entries: Sequence[RecordedEvent]) -> RecordedEvent | None:
    """The first dose that certainly was given: what is unconfirmed divides nothing into before and after."""
    return next(
        (
            entry
            for entry in entries
            if isinstance(entry.event, Medication) and entry.event.action == "given" and entry.status == "confirmed"
        ),
        None,
    )


def _by_subject(entries: Iterable[RecordedEvent]) -> dict[Subject, Readings]:
    """Vital signs and findings, each with what it is about, oldest first."""
    found: dict[Subject, Readings] = {}
    for entry in entries:
        match entry.event:
            case VitalSign(sign=sign):
                found.setdefault(("sign", sign), []).append(entry)
            case Assessment(finding="breath_sounds", side=side):
                found.setdefault(("breath_sounds", side or ""), []).append(entry)
            case Assessment(finding="general" | "skin" | "airway" as finding, description=text):
                found.setdefault((finding, text or ""), []).append(entry)
            case Assessment(finding=finding):
                found.setdefault((finding, ""), []).append(entry)
    return found


def _first_and_last(readings: Mapping[Subject, Readings]) -> tuple[dict[Subject, Readings], dict[Subject, Readings]]:
    first = {key: entries[:1] for key, entries in readings.items() if len(entries) > 1}
    return first, dict(readings)


def _of_kind(readings: Mapping[Subject, Readings], vital: bool) -> list[tuple[Subject, Readings]]:
    chosen = [(key, entries) for key, entries in readings.items() if (key[0] == "sign") is vital]
    order = {("sign", sign): number for number, sign in enumerate(_SIGNS)}
    return sorted(chosen, key=lambda pair: order.get(pair[0], len(order)))


def _told(readings: Readings, rank: int, old: datetime | None = None) -> Iterator[Clause]:
    """The last value; where that is unconfirmed, the last confirmed one before it too, with its time.

    Args:
        old: a value from before then is told with its time, so that it is not taken for a fresh one.
    """
    last = readings[-1]
    event = last.event
    main = isinstance(event, VitalSign) and event.sign in _SIGNS[: len(SET)]
    main = main or (isinstance(event, Assessment) and event.finding in MAIN_FINDINGS)
    rank = rank if main else rank + 2
    at = moment_of(last)
    if last.status != "confirmed":
        sure = [entry for entry in readings if entry.status == "confirmed"]
        if sure:
            yield event_clause(sure[-1], rank, timed=True)
    yield event_clause(last, rank, timed=bool(old and at and at < old))


def _patient(entries: Sequence[RecordedEvent]) -> Iterator[Clause]:
    """Age, sex and complaints: the age and the sex as said last."""
    said = [(entry, entry.event) for entry in entries if isinstance(entry.event, Patient)]
    aged = next(((entry, one) for entry, one in reversed(said) if one.age is not None), None)
    sexed = next(((entry, one) for entry, one in reversed(said) if one.sex), None)
    known = {entry.id: entry for entry, _ in filter(None, (sexed, aged))}
    if known:
        age, sex = aged[1] if aged else None, sexed[1].sex if sexed else None
        who = Patient(age=age.age if age else None, age_unit=age.age_unit if age else None, sex=sex)
        yield merged_clause(who, tuple(known.values()), 1)
    for entry, one in said:
        if one.complaint:
            yield merged_clause(Patient(complaint=one.complaint), (entry,), 1)


def _background(entries: Sequence[RecordedEvent], course: Course) -> Iterator[Clause]:
    said = [(entry, entry.event) for entry in entries if isinstance(entry.event, Patient)]
    child = course.age is not None and course.age[1] < _CHILD_BELOW_YEARS
    weighed = [(entry, one) for entry, one in said if one.weight_kg is not None]
    for entry, one in weighed[-1:]:
        yield merged_clause(Patient(weight_kg=one.weight_kg), (entry,), 3 if child else 6)
    for entry, one in said:
        if one.allergy:
            yield merged_clause(Patient(allergy=one.allergy), (entry,), 2)
    for entry, one in said:
        if one.history:
            yield merged_clause(Patient(history=one.history), (entry,), 6)


def _drugs(entries: Sequence[RecordedEvent]) -> Iterator[Clause]:
    """What was given or withheld, each with its time; then what was prepared and not used, and what was wasted."""
    acts = [(entry, entry.event) for entry in entries if isinstance(entry.event, Medication)]
    for entry, event in acts:
        if event.action in ("given", "not_given"):
            yield event_clause(entry, 0, timed=event.action == "given")
    used = {event.drug for _, event in acts if event.action in ("given", "wasted", "kept")}
    for entry, event in acts:
        if event.action == "prepared" and event.drug not in used:
            yield event_clause(entry, 3)
    for entry, event in acts:
        if event.action in ("wasted", "kept") and entry.status == "confirmed":
            yield event_clause(entry, 6)


def _procedures(entries: Sequence[RecordedEvent]) -> Iterator[Clause]:
    """The last act of each procedure: those to be carried on first, those that were stopped last."""
    last: dict[tuple[str, str | None], RecordedEvent] = {}
    for entry in entries:
        if isinstance(entry.event, Procedure):
            last[entry.event.procedure, entry.event.site] = entry
    acts = [(entry, entry.event) for entry in last.values() if isinstance(entry.event, Procedure)]
    ranked = [(_rank_of(one), entry.seq, entry) for entry, one in acts]
    for rank, _, entry in sorted(ranked, key=lambda row: row[:2]):
        yield event_clause(entry, rank)


def _rank_of(event: Procedure) -> int:
    if event.action == "stopped":
        return 6
    return 2 if event.procedure in _CARRIED_ON else 5


def _pending(
    state: CaseState,
    course: Course,
    entries: Sequence[RecordedEvent],
    not_repeated: Iterable[Subject],
    drug: str,
    now: datetime,
) -> Iterator[Clause]:
    """What is open, in words of the record: reminders by the protocol file, never advice, and no number of a rule."""
    names = [clock.name.partition(".")[0] for clock in due(state, course.protocol, now)]
    gone = set(not_repeated)
    signs = [NAMES[sign] for sign in SET if ("sign", sign) in gone]
    if signs and drug:
        yield _note(f"{', '.join(signs)} not repeated since {drug}", 4)
    if "reassess" in names or "after_drug" in names:
        yield _note("vital signs due", 3)
    if "resume_after" in names:
        yield _note("ventilation not resumed", 2)
    for finding in remainder_findings(course):
        if finding.check == "left_over":
            drug_left = next((one.event.drug for one in course.doses if one.id == finding.about), "")
            yield _note(f"rest of {drug_left} not accounted for", 3)
    for entry in entries:
        if isinstance(entry.event, Medication) and entry.event.action in ("wasted", "kept"):
            if entry.status == "confirmed":
                continue
            yield event_clause(entry, 3)


def _note(text: str, rank: int) -> Clause:
    return Clause(text, text, rank)
