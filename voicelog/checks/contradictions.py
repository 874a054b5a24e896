"""Entries that speak against each other: values and rhythms, levels and scores, sides, oxygen, allergies."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations
from typing import Literal

from voicelog.checks.course import (
    BAG,
    NO_PULSE,
    PULSE_BACK,
    At,
    Course,
    Examined,
    described,
)
from voicelog.checks.finding import CONTRADICTION, Finding, said, shown
from voicelog.checks.rows import LevelTotal, RhythmRate
from voicelog.events import Assessment, Procedure

Side = Literal["left", "right"]
_INTRAVENOUS = {"intravenous": "intravenous_access", "intraosseous": "intraosseous_access"}
"""Route -> the access that it needs."""
NO_ALLERGIES = "no known allergies"


def sides(text: str | None) -> frozenset[Side]:
    """The sides that a site or finding names; both for "both"."""
    words = (text or "").split()
    if "both" in words:
        return frozenset({"left", "right"})
    return frozenset({side for side in ("left", "right") if side in words})


def rhythm_against_rate(course: Course) -> Iterator[Finding]:
    """A heart rate that the rhythm of the same moment cannot have: asystole with a rate of 80."""
    rates = course.readings("heart_rate")
    for row in course.protocol.rows("rhythm_rate", RhythmRate):
        for rhythm in _saying(course, "cardiac_rhythm", row.rhythm):
            for rate in rates:
                wrong = (row.above is not None and rate.value > row.above) or (
                    row.below is not None and rate.value < row.below
                )
                if wrong and _at_once(course, rhythm, rate) and not _rhythm_changed(course, rhythm, rate):
                    text = f"rhythm {row.rhythm}, but heart rate"
                    yield _pair(
                        "rhythm_against_rate",
                        (rhythm, rate),
                        f"{text} {said(rate.value, None)}",
                        f"{text} {shown(rate.said_value, '/min')} within minutes",
                        row.cited,
                    )


def pulse_against_values(course: Course) -> Iterator[Finding]:
    """No pulse, but a pressure; not breathing, but a rate that is not the bag's."""
    for missing in course.general(NO_PULSE):
        for pressure in course.readings("systolic"):
            if (
                pressure.value > 0
                and _at_once(course, missing, pressure)
                and not _rhythm_changed(course, missing, pressure)
            ):
                ear = f"no pulse, but pressure {said(pressure.value, None)}"
                eye = f"no pulse, but systolic {shown(pressure.said_value, 'mm[Hg]')} within minutes"
                yield _pair("no_pulse_but_pressure", (missing, pressure), ear, eye, CONTRADICTION)
    for apnea in course.general("apneic"):
        for rate in course.readings("respiratory_rate"):
            bagged = "assisted" in (rate.event.quality or "") or course.ventilating_since(max(rate.at, apnea.at))
            if rate.value > 0 and _at_once(course, apnea, rate) and not bagged and not _ventilated(course, apnea, rate):
                ear = f"not breathing, but respiratory rate {said(rate.value, None)}"
                eye = f"apneic, but respiratory rate {shown(rate.said_value, '/min')} within minutes"
                yield _pair("apneic_but_rate", (apnea, rate), ear, eye, CONTRADICTION)


def level_against_total(course: Course) -> Iterator[Finding]:
    """A coma scale total that does not go with the level of responsiveness of the same moment."""
    spans = {row.level: row for row in course.protocol.rows("level_total", LevelTotal)}
    levels = [one for one in course.findings if one.event.level in spans]
    totals = [one for one in course.findings if one.event.total is not None]
    for level in levels:
        for scale in totals:
            row, total = spans[level.event.level or "alert"], scale.event.total or 0
            if not row.span.holds(total) and _at_once(course, level, scale):
                text = f"responsiveness {level.event.level}, but coma scale"
                yield _pair(
                    "level_against_total",
                    (level, scale),
                    f"{text} {said(total, None)}",
                    f"{text} total {total}",
                    row.cited,
                )


def room_air_against_oxygen(course: Course) -> Iterator[Finding]:
    """A saturation said on room air while oxygen runs."""
    for reading in course.readings("oxygen_saturation"):
        if reading.event.oxygen == "room_air" and course.on_oxygen(reading.at):
            text = "said on room air, but oxygen is running"
            yield Finding("room_air_on_oxygen", "ask", reading.id, text, text, CONTRADICTION)


def sides_said_two_ways(course: Course) -> Iterator[Finding]:
    """Left and right for what has one side: a droop, a pupil, the way in for a drug, a tourniquet taken off."""
    droops = [one for one in course.findings if any("facial droop" in term for term in described(one.event))]
    for one, other in combinations(droops, 2):
        if _opposite(sides(one.event.description), sides(other.event.description)):
            yield _pair("side_two_ways", (one, other), *_twice("facial droop, left and right"), CONTRADICTION)
    for seen in course.findings:
        if seen.event.finding == "pupils" and _pupils_contradict(seen.event):
            yield Finding("side_two_ways", "ask", seen.id, *_twice("pupils, the sides do not fit"), CONTRADICTION)
    for dose in course.doses:
        access = _INTRAVENOUS.get(dose.event.route or "")
        places = [act for act in course.acts if act.event.procedure == access and act.at <= dose.at]
        known = frozenset(side for act in places for side in sides(act.event.site))
        if dose.event.action == "given" and all(sides(act.event.site) for act in places):
            yield from _elsewhere(dose, sides(dose.event.site), known, "the access is on the other side")
    for act in course.acts:
        if act.event.procedure == "tourniquet" and act.event.action == "stopped":
            on = [a for a in course.acts if a.event.procedure == "tourniquet" and a.event.action != "stopped"]
            known = frozenset(side for one in on if one.at <= act.at for side in sides(one.event.site))
            yield from _elsewhere(act, sides(act.event.site), known, "the tourniquet is on the other side")


def allergies_two_ways(course: Course) -> Iterator[Finding]:
    """No known allergies, and one."""
    none = [entry for entry, allergen in course.allergies if allergen == NO_ALLERGIES]
    some = [(entry, allergen) for entry, allergen in course.allergies if allergen != NO_ALLERGIES]
    for entry, allergen in some if none else ():
        text = f"allergy {allergen}, but also no known allergies"
        yield Finding("allergy_two_ways", "ask", entry, text, text, CONTRADICTION, tuple(none))


def contradiction_findings(course: Course) -> Iterator[Finding]:
    """All checks of entries against each other."""
    for check in (
        rhythm_against_rate,
        pulse_against_values,
        level_against_total,
        room_air_against_oxygen,
        sides_said_two_ways,
        allergies_two_ways,
    ):
        yield from check(course)


def _saying(course: Course, finding: str, term: str) -> Iterator[Examined]:
    return (one for one in course.findings if one.event.finding == finding and term in described(one.event))


def _at_once(course: Course, one: At, other: At) -> bool:
    return abs(one.at - other.at) <= course.span("at_once")[0]


def _between(course: Course, one: At, other: At) -> Iterable[At]:
    first, last = sorted((one.order, other.order))
    return (at for at in course.timed if first < at.order < last)


def _rhythm_changed(course: Course, one: At, other: At) -> bool:
    """Whether another rhythm, a shock, compressions or a pulse that is back lies between the two."""
    for at in _between(course, one, other):
        match at.entry.event:
            case Assessment(finding="cardiac_rhythm"):
                return True
            case Assessment() as event if PULSE_BACK in described(event):
                return True
            case Procedure(procedure="defibrillation" | "cardiopulmonary_resuscitation"):
                return True
    return False


def _ventilated(course: Course, one: At, other: At) -> bool:
    between = (at.entry.event for at in _between(course, one, other))
    return any(isinstance(event, Procedure) and event.procedure == BAG for event in between)


def _pupils_contradict(event: Assessment) -> bool:
    """Whether the sizes speak against what is said of a side, or against equal ones."""
    left, right, look = event.left_mm, event.right_mm, event.appearance or ""
    if event.equal and ("left" in look.split() or "right" in look.split()):
        return True
    if left is None or right is None:
        return False
    larger = {"left": left > right, "right": right > left}
    wrong_side = any(f"{side} dilated" in look and not is_larger for side, is_larger in larger.items())
    return wrong_side or (event.equal is not None and event.equal != (left == right))


def _opposite(one: frozenset[Side], other: frozenset[Side]) -> bool:
    return bool(one and other and not one & other)


def _elsewhere(at: At, said_sides: frozenset[Side], known: frozenset[Side], text: str) -> Iterator[Finding]:
    if _opposite(said_sides, known):
        side = "left" if "left" in said_sides else "right"
        yield Finding(
            "side_two_ways", "ask", at.id, f"said {side}, but {text}", f"said {side}, but {text}", CONTRADICTION
        )


def _twice(text: str) -> tuple[str, str]:
    return text, text


def _pair(check: str, pair: tuple[At, At], ear: str, eye: str, source: str) -> Finding:
    """A finding about the later of two entries."""
    first, last = sorted(pair, key=lambda one: one.order)
    return Finding(check, "ask", last.id, ear, eye, source, (first.id,))
