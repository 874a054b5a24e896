"""Checks of drugs: sums, intervals, weight, route, strength, allergy, units; they notice, they never recommend."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise

from voicelog.checks.contradictions import NO_ALLERGIES
from voicelog.checks.course import Course, Dose, minutes
from voicelog.checks.doses import in_unit, limit_passed
from voicelog.checks.drug_rows import (
    Allergy,
    Caution,
    Challenge,
    NeverUnit,
    PerKilogram,
    Repeat,
    Strength,
    Thousandfold,
    Total,
)
from voicelog.checks.finding import Finding, rounded, said, shown
from voicelog.checks.rows import BeforeDrug, Severity
from voicelog.checks.units import per_ml
from voicelog.checks.vials import (
    amount,
    dose_against_volume,
    known_strength,
    labels_read,
    remainder_findings,
    stronger_than_carried,
    told_strength,
)
from voicelog.checks.vitals import NAMES
from voicelog.grammar.model import DoseLimit, Drug

_ACTS = ("given", "prepared")
"""Acts by which a dose reaches the patient, or soon may."""


def _acts(course: Course) -> Iterator[tuple[Dose, Drug]]:
    for dose in course.doses:
        drug = course.drugs.get(dose.event.drug)
        if drug and dose.event.action in _ACTS:
            yield dose, drug


def _given(course: Course, name: str) -> list[Dose]:
    return [dose for dose in course.doses if dose.event.drug == name and dose.event.action == "given"]


def _row_of(drug: Drug) -> str:
    return f"{drug.source} ({drug.date})"


def single_doses(course: Course) -> Iterator[Finding]:
    """Single doses above the formulary's limit: also those said by volume or by weight."""
    for dose, drug in _acts(course):
        found = amount(course, dose)
        if found is None or "dose_above_limit" in dose.entry.flags:
            continue
        limit = limit_passed(drug, found.value, found.unit, dose.event.route)
        if limit:
            ear = f"{drug.name} {said(rounded(found.value, 3), found.unit)} is above the limit in the formulary"
            eye = f"{drug.name} {shown(rounded(found.value, 3), found.unit)}: asked about above {_shown(limit)}"
            yield Finding("dose_above_limit", "ask", dose.id, ear, eye, _row_of(drug))


def doses_by_weight(course: Course) -> Iterator[Finding]:
    """Doses for a child above the formulary's limit for each kilogram, or for which the weight is needed."""
    row = course.protocol.row("per_kilogram", "children", PerKilogram)
    asked = False
    for dose, drug in _acts(course):
        event, weight = dose.event, course.weight
        limits = [limit for limit in drug.ask_above if limit.unit.endswith("/kg")]
        # Without an age, a weight below the row's is taken for a child's.
        child = course.band.child if course.band else bool(weight)
        for_child = bool(child and limits and row)
        by_weight = bool(event.unit and event.unit.endswith("/kg"))
        if not weight:
            if (for_child or by_weight) and not asked:
                asked = True
                source = row.cited if row else _row_of(drug)
                text = f"{drug.name}, weight not known"
                yield Finding("weight_needed", "ask", dose.id, text, text, source)
            continue
        found = amount(course, dose)
        if found is None or by_weight or not for_child or row is None or weight[1] >= row.below_kg:
            continue
        base = limits[0].unit.removesuffix("/kg")
        each = in_unit(found.value / weight[1], found.unit, base)
        limit = limit_passed(drug, each, f"{base}/kg", event.route) if each is not None else None
        if each is not None and limit:
            value = rounded(found.value, 3)
            ear = f"{drug.name} {said(value, found.unit)} is above the limit for {said(weight[1], 'kg')}"
            eye = (
                f"{drug.name} {shown(value, found.unit)} for {shown(weight[1], 'kg')} is "
                f"{shown(rounded(each, 4), base)}/kg: asked about above {_shown(limit)}"
            )
            yield Finding("dose_by_weight", "ask", dose.id, ear, eye, f"{_row_of(drug)}; {row.cited}", (weight[0],))


def totals(course: Course) -> Iterator[Finding]:
    """Sums and numbers of doses above the protocol's."""
    for row in course.protocol.rows("total", Total):
        doses = _given(course, row.drug)
        for last, dose in enumerate(doses, start=1):
            counted = [one for one in doses[:last] if _within(row, dose, one)]
            beside = tuple(one.id for one in counted[:-1])
            if row.count and len(counted) > row.count:
                ear = f"{row.drug}, {said(len(counted), None)} doses, the protocol has {said(row.count, None)}"
                eye = f"{row.drug}: dose {len(counted)}, the protocol has {row.count}"
                yield Finding("doses_in_all", "ask", dose.id, ear, eye, row.cited, beside)
            if row.dose is None or row.unit is None:
                continue
            base, _, per = row.unit.partition("/")
            amounts = [found for one in counted if (found := amount(course, one))]
            known = [value for one in amounts if (value := in_unit(one.value, one.unit, base)) is not None]
            limit = row.dose if not per else row.dose * course.weight[1] if course.weight else None
            if limit is not None and len(known) > 1 and sum(known) > limit:
                total = rounded(Decimal(sum(known)), 3)
                ear = f"{row.drug} {said(total, base)} in all, above {said(rounded(limit), base)}"
                eye = f"{row.drug}: {shown(total, base)} in all, asked about above {shown(rounded(limit), base)}"
                yield Finding("total_dose", "ask", dose.id, ear, eye, row.cited, beside)


def intervals(course: Course) -> Iterator[Finding]:
    """Doses that follow the one before sooner than the protocol has it."""
    grace, _ = course.span("interval_grace")
    for row in course.protocol.rows("repeat", Repeat):
        for before, dose in pairwise(repeats(course, row)):
            if dose.at - before.at + grace < minutes(row.from_min):
                seconds = int((dose.at - before.at).total_seconds())
                ear = f"{row.drug}, {ago(seconds)} since the last dose, the protocol has {said(row.from_min, 'min')}"
                eye = f"{row.drug}: {seconds} s since the last dose, the protocol has {shown(row.from_min, 'min')}"
                yield Finding("too_soon", "ask", dose.id, ear, eye, row.cited, (before.id,))


def repeats(course: Course, row: Repeat) -> list[Dose]:
    """The doses given that a repeat window is about, earliest first."""
    return [
        dose
        for dose in _given(course, row.drug)
        if (not row.routes or dose.event.route in row.routes)
        and (row.in_arrest is None or row.in_arrest == course.in_arrest(dose.at))
    ]


def ago(seconds: int) -> str:
    """A span of time in words: whole minutes from two minutes on and where they are even, else seconds."""
    if seconds < 120 and seconds != 60:
        return f"{said(seconds, None)} second{'' if seconds == 1 else 's'}"
    return said(seconds // 60, "min")


def early_drugs(course: Course) -> Iterator[Finding]:
    """A drug given before ventilation went on for as long as the protocol has it; none where nobody ventilates."""
    for row in course.protocol.rows("ventilated_before", BeforeDrug):
        for dose in _given(course, row.drug)[:1]:
            began = course.ventilating_since(dose.at)
            elapsed = dose.at - began.at if began else timedelta(0)
            if began and elapsed < minutes(row.minutes):
                seconds = int(elapsed.total_seconds())
                ear = f"{row.drug} {ago(seconds)} after ventilation began, the protocol has {said(row.minutes, 'min')}"
                eye = f"{row.drug} {seconds} s after ventilation began, the protocol has {shown(row.minutes, 'min')}"
                yield Finding("early_drug", "ask", dose.id, ear, eye, row.cited, (began.id,))


def routes_and_strengths(course: Course) -> Iterator[Finding]:
    """Routes that the formulary does not have, strengths that are needed, and those never given by a route."""
    for dose, drug in _acts(course):
        event = dose.event
        if event.route and event.route not in drug.routes and "route_unusual" not in dose.entry.flags:
            text = f"{drug.name} {event.route}, unusual route"
            yield Finding("route_unusual", "ask", dose.id, text, text, _row_of(drug))
        needed = course.protocol.row("strength", drug.name.replace(" ", "_"), Strength)
        untold = needed and event.action == "given" and not _rate(event.unit) and known_strength(course, dose) is None
        if needed and untold and not told_strength(course, dose, needed):
            text = f"{drug.name}, strength not said"
            yield Finding("strength_needed", "ask", dose.id, text, text, needed.cited)
    for row in course.protocol.rows("challenge", Challenge):
        wanted = per_ml(row.concentration)
        for dose in _given(course, row.drug):
            strength = known_strength(course, dose)
            allowed = _rate(dose.event.unit) or (row.outside_arrest_only and course.in_arrest(dose.at))
            if strength and strength == wanted and dose.event.route in row.routes and not allowed:
                ear = f"{row.drug} {said(strength.amount, strength.unit)} per milliliter {row.because}"
                eye = f"{row.drug} {shown(strength.amount, strength.unit)}/mL {dose.event.route}: {row.because}"
                yield Finding("strength_by_route", "ask", dose.id, ear, eye, row.cited)


def units(course: Course) -> Iterator[Finding]:
    """Milligrams where micrograms are usual, and doses a thousandfold off."""
    never = {row.drug: row for row in course.protocol.rows("never_unit", NeverUnit)}
    fold = course.protocol.row("thousandfold", "doses", Thousandfold)
    for dose, drug in _acts(course):
        value, unit, row = dose.event.dose, dose.event.unit, never.get(drug.name)
        if value is None or not unit:
            continue
        if row and unit in row.units:
            ear = f"{drug.name} {said(value, unit)}, or {said(value, row.instead)}"
            eye = f"{drug.name} {shown(value, unit)}: {shown(value, row.instead)}?"
            yield Finding("micrograms_or_milligrams", "alarm", dose.id, ear, eye, row.cited)
            continue
        off = fold is not None and _fold(drug, value, unit, dose.event.route, fold)
        if off and fold and unit in ("mg", "ug"):
            other = "ug" if unit == "mg" else "mg"
            ear = f"{drug.name} {said(value, unit)}, or {said(value, other)}"
            eye = f"{drug.name} {shown(value, unit)}: {shown(value, other)}?"
            yield Finding("micrograms_or_milligrams", "alarm", dose.id, ear, eye, f"{fold.cited}; {_row_of(drug)}")


def allergies(course: Course) -> Iterator[Finding]:
    """Drugs that an allergy on record names, or that belong to it by the protocol."""
    rows = {row.allergen: row for row in course.protocol.rows("allergy", Allergy)}
    for dose, drug in _acts(course):
        for entry, allergen in course.allergies:
            row = rows.get(allergen)
            named = allergen == drug.name
            if allergen == NO_ALLERGIES or not (named or (row and drug.name in row.drugs)):
                continue
            severity: Severity = "alarm" if named or row is None else row.severity
            source = "the record" if named or row is None else row.cited
            text = f"{drug.name}, allergy to {allergen} on record"
            yield Finding("allergy", severity, dose.id, text, text, source, (entry,))


def cautions(course: Course) -> Iterator[Finding]:
    """Drugs beside a last value at which the protocol asks."""
    for row in course.protocol.rows("caution", Caution):
        for dose in _given(course, row.drug):
            last = course.latest(row.sign, dose.at)
            if last is None or dose.at - last.at > minutes(row.within_min):
                continue
            if (row.below is not None and last.value < row.below) or (row.above is not None and last.value > row.above):
                name = NAMES[row.sign]
                ear = f"{row.drug}, last {name} {said(last.said_value, None)}"
                eye = f"{row.drug}: last {name} {shown(last.said_value, last.said_unit)} at {last.at:%H:%M}"
                yield Finding("caution", "ask", dose.id, ear, eye, row.cited, (last.id,))


def drug_findings(course: Course) -> Iterator[Finding]:
    """All checks of drugs."""
    for check in (
        single_doses,
        doses_by_weight,
        totals,
        intervals,
        early_drugs,
        routes_and_strengths,
        units,
        allergies,
        cautions,
        dose_against_volume,
        stronger_than_carried,
        labels_read,
        remainder_findings,
    ):
        yield from check(course)


def _within(row: Total, last: Dose, one: Dose) -> bool:
    return row.within_h is None or last.at - one.at <= timedelta(hours=float(row.within_h))


def _rate(unit: str | None) -> bool:
    """Whether a dose is an infusion's: so much a minute or hour."""
    return bool(unit and unit.endswith(("/min", "/h")))


def _shown(limit: DoseLimit) -> str:
    return f"{shown(limit.dose, limit.unit)}{f' {limit.route}' if limit.route else ''}"


def _fold(drug: Drug, value: Decimal, unit: str, route: str | None, row: Thousandfold) -> bool:
    """Whether a dose is so far off the formulary's limit that its unit is in doubt."""
    if value <= 0:
        return False
    far_above = limit_passed(drug, value / row.above, unit, route) is not None
    limits = [converted for one in drug.ask_above if (converted := in_unit(one.dose, one.unit, unit)) is not None]
    return far_above or (bool(limits) and value * row.below < min(limits))
