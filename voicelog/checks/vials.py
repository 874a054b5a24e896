"""Amounts of drugs: what a volume holds, what is left of a vial, whether it may be used."""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from voicelog.checks.course import Course, Dose
from voicelog.checks.doses import in_unit
from voicelog.checks.drug_rows import Strength
from voicelog.checks.finding import CONTRADICTION, Finding, rounded, said, shown
from voicelog.checks.rows import Percent
from voicelog.checks.units import PerMl, per_ml

UNCLEAR = frozenset(
    {"not_clear", "cloudy", "discolored", "discoloured", "particles", "crystals", "brown", "milky", "not clear"}
)
"""Words for a solution that is not as it should be (common practice, no source)."""
_DAY = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?")


def expired(expiry: str, on: date) -> bool | None:
    """Whether an expiry date is past; None when it is not a date.

    Args:
        expiry: ``YYYY-MM-DD``, or ``YYYY-MM`` which lasts to the end of its month (label practice, from memory).
        on: the day of use.
    """
    found = _DAY.fullmatch(expiry)
    if not found:
        return None
    year, month = int(found.group(1)), int(found.group(2))
    if not (1 <= month <= 12 and year >= 1):
        return None
    last = calendar.monthrange(year, month)[1]
    day = int(found.group(3)) if found.group(3) else last
    return date(year, month, day) < on if 1 <= day <= last else None


def unclear(appearance: str) -> bool:
    """Whether the words for a solution's looks say that it is not clear: "cloudy", "clear, discolored"."""
    return any(term.strip() in UNCLEAR for term in appearance.lower().split(","))


def vial_findings(
    about: str, drug: str, on: date, *, expiry: str | None = None, appearance: str | None = None
) -> tuple[Finding, ...]:
    """What the two-person look at a vial raises.

    Args:
        about: the entry.
        drug: generic name.
        on: the day of use.
        expiry: as in `expired`; None when it was not said.
        appearance: words for its looks; None when they were not said.
    """
    found = []
    past = expired(expiry, on) if expiry else False
    if past:
        ear = f"{drug} has expired"
        found.append(Finding("expired", "alarm", about, ear, f"{drug}: expiry {expiry} is past", "the label"))
    if past is None:
        ear = f"{drug}, expiry date not clear"
        found.append(Finding("expiry_unclear", "ask", about, ear, f"{drug}: expiry {expiry!r} is no date", "the label"))
    if appearance and unclear(appearance):
        looks = appearance.replace("_", " ")
        looks = "has particles" if looks == "particles" else f"is {looks}"
        ear = f"{drug} {looks}"
        found.append(Finding("not_clear", "alarm", about, ear, f"{drug}: solution {looks}", "common practice"))
    return tuple(found)


def labels_read(course: Course) -> Iterator[Finding]:
    """What the two-person look at each vial raises, by what was said of its label and looks."""
    for dose in course.doses:
        event = dose.event
        yield from vial_findings(dose.id, event.drug, dose.at.date(), expiry=event.expiry, appearance=event.appearance)


@dataclass(frozen=True)
class Amount:
    """How much of a drug."""

    value: Decimal
    unit: str
    """UCUM, without "per kilogram" or "per minute"."""


def expected_dose(volume_ml: Decimal, strength: PerMl, unit: str) -> Decimal | None:
    """What a volume of a strength holds, in a unit; None when the unit measures something else."""
    return in_unit(volume_ml * strength.amount, strength.unit, unit)


def agrees(dose: Decimal, expected: Decimal, percent: Decimal) -> bool:
    """Whether a dose is what was expected, give or take so many percent of the expected one."""
    return abs(dose - expected) * 100 <= expected * percent


def stated_strength(dose: Dose) -> PerMl | None:
    """The strength an entry itself tells: said as such, else its dose in its volume."""
    event = dose.event
    if event.concentration:
        return per_ml(event.concentration)
    if event.dose and event.volume_ml and event.unit and "/" not in event.unit and event.unit not in ("mL", "L"):
        return PerMl(event.dose / event.volume_ml, event.unit)
    return None


def prepared_strengths(course: Course, dose: Dose) -> list[tuple[Dose, PerMl]]:
    """The strengths in which the same drug was prepared up to then, oldest first."""
    found = []
    for one in course.doses:
        if one.event.drug == dose.event.drug and one.event.action == "prepared" and one.order < dose.order:
            strength = stated_strength(one)
            if strength:
                found.append((one, strength))
    return found


def known_strength(course: Course, dose: Dose) -> PerMl | None:
    """The strength of an entry: told by itself, as prepared last, by route or arrest, or the only one carried."""
    own = stated_strength(dose)
    if own or dose.event.concentration:
        return own
    prepared = prepared_strengths(course, dose)
    if prepared:
        return prepared[-1][1]
    row = course.protocol.row("strength", dose.event.drug.replace(" ", "_"), Strength)
    if row:
        return per_ml(told_strength(course, dose, row))
    drug = course.drugs.get(dose.event.drug)
    return per_ml(drug.concentrations[0]) if drug and len(drug.concentrations) == 1 else None


def told_strength(course: Course, dose: Dose, row: Strength) -> str | None:
    """The strength that the route or the arrest tells."""
    route = dose.event.route
    if route in row.by_route:
        return row.by_route[route]
    return row.in_arrest if route and course.in_arrest(dose.at) else None


def amount(course: Course, dose: Dose) -> Amount | None:
    """How much of the drug an entry is about; by weight, or by volume and strength, where no amount was said."""
    event = dose.event
    if event.dose is not None and event.unit:
        base, _, per = event.unit.partition("/")
        if not per:
            return Amount(event.dose, event.unit)
        return Amount(event.dose * course.weight[1], base) if per == "kg" and course.weight else None
    if event.volume_ml is None:
        return None
    strength = known_strength(course, dose)
    return Amount(event.volume_ml * strength.amount, strength.unit) if strength else None


def dose_against_volume(course: Course) -> Iterator[Finding]:
    """A dose that its volume does not hold, by the strength said with it or the one prepared."""
    row = course.protocol.row("tolerance", "dose_volume", Percent)
    for dose in course.doses if row else ():
        event = dose.event
        if event.dose is None or not event.volume_ml or not event.unit or row is None:
            continue
        own = per_ml(event.concentration)
        prepared = [] if event.action == "prepared" else prepared_strengths(course, dose)
        known: list[tuple[str, PerMl]] = [("", own)] if own else [(one.id, strength) for one, strength in prepared]
        expected = [
            (entry, strength, wanted)
            for entry, strength in known
            if (wanted := expected_dose(event.volume_ml, strength, event.unit)) is not None
        ]
        if expected and not any(agrees(event.dose, wanted, row.percent) for _, _, wanted in expected):
            entry, strength, wanted = expected[-1]
            volume, wanted = said(event.volume_ml, "mL"), rounded(wanted, 3)
            ear = f"{volume} of {event.drug} is {said(wanted, event.unit)}, not {said(event.dose, event.unit)}"
            each = f"{shown(rounded(strength.amount, 3), strength.unit)}/mL"
            eye = (
                f"{event.drug}: {shown(event.volume_ml, 'mL')} at {each} "
                f"is {shown(wanted, event.unit)}, not {shown(event.dose, event.unit)}"
            )
            yield Finding("dose_volume", "alarm", dose.id, ear, eye, row.cited, (entry,) if entry else ())


def stronger_than_carried(course: Course) -> Iterator[Finding]:
    """A dose in a volume that is stronger than any strength of the formulary: dilution only weakens.

    Where the drug was prepared before, `dose_against_volume` holds it against that instead.
    """
    row = course.protocol.row("tolerance", "dose_volume", Percent)
    for dose in course.doses if row else ():
        drug, event = course.drugs.get(dose.event.drug), dose.event
        if row is None or drug is None or event.concentration or prepared_strengths(course, dose):
            continue
        if not event.dose or not event.volume_ml or not event.unit:
            continue
        carried = [strength for text in drug.concentrations if (strength := per_ml(text))]
        held = [expected_dose(event.volume_ml, strength, event.unit) for strength in carried]
        known = [value for value in held if value is not None]
        if known and event.dose > max(known) * (1 + row.percent / 100):
            text = f"{event.drug}: {{}} in {{}} is stronger than carried"
            ear = text.format(said(event.dose, event.unit), said(event.volume_ml, "mL"))
            eye = text.format(shown(event.dose, event.unit), shown(event.volume_ml, "mL"))
            yield Finding("stronger_than_carried", "ask", dose.id, ear, eye, f"{drug.source} ({drug.date})")


def _fluids(course: Course) -> set[str]:
    """What is given by the bag: nobody accounts for the rest of it."""
    return {drug.name for drug in course.drugs.values() if all(unit.startswith(("mL", "L")) for unit in drug.units)}


def _same_vial(before: Dose, now: Dose) -> bool:
    """Whether a vial is called out a second time, to be checked: the amount drawn up last, now with its label."""
    one, other = before.event, now.event
    read = other.expiry or other.lot or other.appearance or other.checked_by
    amounts = (one.dose, one.unit, one.volume_ml) == (other.dose, other.unit, other.volume_ml)
    return one.action == "prepared" and bool(read) and amounts and not (one.expiry or one.lot or one.checked_by)


def remainder_findings(course: Course) -> Iterator[Finding]:
    """What is left of each drug that was prepared, and doses or waste that do not fit what was left.

    Preparing adds, the other acts take away. A dose from nothing left is a new vial that was not announced.
    """
    for drug in sorted({dose.event.drug for dose in course.doses} - _fluids(course)):
        left: Amount | None = None
        newest: Dose | None = None
        for dose in (one for one in course.doses if one.event.drug == drug):
            taken = amount(course, dose)
            value = in_unit(taken.value, taken.unit, left.unit) if taken and left else None
            if taken is None or dose.event.action == "not_given":
                continue
            if dose.event.action == "prepared" and newest and _same_vial(newest, dose):
                continue
            if dose.event.action == "prepared":
                left = Amount(left.value + value, left.unit) if left and value is not None else taken
            elif left and left.value > 0 and value is not None:
                if value > left.value:
                    word = dose.event.action
                    text = f"{drug}: more {word} than was left, {{}}"
                    ear, eye = text.format(said(left.value, left.unit)), text.format(shown(left.value, left.unit))
                    beside = (newest.id,) if newest else ()
                    yield Finding("more_than_left", "ask", dose.id, ear, eye, CONTRADICTION, beside)
                left = Amount(max(left.value - value, Decimal(0)), left.unit)
            else:
                continue
            newest = dose
        if left and newest and left.value > 0 and newest.event.action != "prepared":
            value = rounded(left.value, 3)
            text = f"{{}} of {drug} left, to be accounted for"
            ear, eye = text.format(said(value, left.unit)), text.format(shown(value, left.unit))
            yield Finding("left_over", "note", newest.id, ear, eye, "prepared, less given, less wasted")
