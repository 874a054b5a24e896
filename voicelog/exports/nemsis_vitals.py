"""Vital signs, scores and rhythms as eVitals groups, one for each moment."""

from __future__ import annotations

from decimal import Decimal

from voicelog.casefile.state import RecordedEvent
from voicelog.events import Assessment, VitalSign
from voicelog.exports.nemsis_codes import (
    CO2_LIMITS,
    CO2_TYPES,
    DIASTOLIC,
    GCS_LIMITS,
    NO,
    NUMERIC_PAIN_SCALE,
    PALPATED_CUFF,
    PULSE_RHYTHMS,
    RESPIRATORY_EFFORTS,
    RESPONSIVENESS,
    RHYTHMS,
    SIGN_LIMITS,
    SYSTOLIC,
)
from voicelog.exports.nemsis_parts import Mapped
from voicelog.exports.nemsis_xml import Node, laid_out

GROUP = "eVitals.VitalGroup"
_LAYOUT = """eVitals(
    01 02 CardiacRhythmGroup(03-05) BloodPressureGroup(06 07? 08?) HeartRateGroup(10) 12 13? 14 15? 16 18
    GlasgowScoreGroup(19-22 23?) TemperatureGroup?(24?) 26 PainScaleGroup(27 28?) StrokeScaleGroup(29 30) 31)"""
# M(C6H12O6) = 180.156 g/mol, so 1 mmol/L is 18.0156 mg/dL. Source: secondary derivation of the molar mass.
_MG_DL_PER_MMOL_L = Decimal("18.0156")

Nodes = list[Node]


def add_vitals(mapped: Mapped, events: list[RecordedEvent]) -> None:
    """Every vital sign and score that has an element; those of one moment and one standing share a group."""
    groups: dict[tuple[str, str, int], tuple[list[str], dict[str, Nodes]]] = {}
    for recorded in events:
        nodes = _nodes(mapped, recorded)
        if not nodes:
            continue
        time = mapped.time(recorded, "eVitals.01")
        # A second value of the same sign at the same moment opens a group of its own.
        turn = 0
        while any(node.name in groups.get((time.text, recorded.status, turn), ([], {}))[1] for node in nodes):
            turn += 1
        first = {"eVitals.01": [time], "eVitals.02": [Node("eVitals.02", NO)]}
        names, values = groups.setdefault((time.text, recorded.status, turn), ([], first))
        names.append(recorded.id)
        for node in nodes:
            values.setdefault(node.name, []).append(node)
    for (_, status, _), (names, values) in groups.items():
        link = f"vital {' '.join(names)}"[:255].replace(".", "_")
        (section,) = laid_out(_LAYOUT, values)
        mapped.add(GROUP, Node(GROUP, attributes=(("CorrelationID", link),), children=section.children))
        mapped.standings.append((link, status))


def empty_group() -> Node:
    """A group in which nothing was recorded, for a case without vital signs."""
    (section,) = laid_out(_LAYOUT, {})
    return Node(GROUP, children=section.children)


def _nodes(mapped: Mapped, recorded: RecordedEvent) -> Nodes:
    match recorded.event:
        case VitalSign() as event:
            return [node for node in _sign(mapped, recorded, event) if node is not None]
        case Assessment(finding="glasgow_coma_scale") as event:
            scores = {"eye": event.eye, "verbal": event.verbal, "motor": event.motor, "total": event.total}
            made = [
                mapped.number(recorded, score, GCS_LIMITS[part]) for part, score in scores.items() if score is not None
            ]
            return [node for node in made if node is not None]
        case Assessment(finding="responsiveness") as event:
            node = mapped.coded(recorded, "eVitals.26", event.level, RESPONSIVENESS)
            return [node] if node else []
        case Assessment(finding="cardiac_rhythm", description=str(said)):
            terms = [mapped.coded(recorded, "eVitals.03", term, RHYTHMS) for term in said.split(", ")]
            return [node for node in terms if node is not None]
    return []


def _sign(mapped: Mapped, recorded: RecordedEvent, event: VitalSign) -> list[Node | None]:
    if event.oxygen:
        mapped.remark(recorded, f"eVitals has no element for {event.oxygen.replace('_', ' ')!r}")
    if event.sign == "blood_pressure":
        return _pressure(mapped, recorded, event)
    value = event.value or Decimal(0)
    number = _gas(mapped, recorded, value, event.unit) if event.sign == "end_tidal_co2" else None
    if event.sign != "end_tidal_co2":
        number = mapped.number(recorded, _converted(mapped, recorded, value, event), SIGN_LIMITS[event.sign])
    if number is None:
        return []
    rhythm, quality = event.rhythm, event.quality
    beside: list[Node | None] = []
    if event.sign == "pain_score":
        beside.append(Node("eVitals.28", NUMERIC_PAIN_SCALE))
    elif event.sign == "heart_rate":
        beside.append(mapped.coded(recorded, "eVitals.13", rhythm, PULSE_RHYTHMS))
        rhythm = None
    elif event.sign == "respiratory_rate":
        beside.append(mapped.coded(recorded, "eVitals.15", quality, RESPIRATORY_EFFORTS))
        quality = None
    _unsaid(mapped, recorded, rhythm, quality)
    return [number, *beside]


def _unsaid(mapped: Mapped, recorded: RecordedEvent, *terms: str | None) -> None:
    """List terms for which eVitals has no element beside this sign."""
    for term in terms:
        mapped.coded(recorded, "eVitals", term, {})


def _pressure(mapped: Mapped, recorded: RecordedEvent, event: VitalSign) -> list[Node | None]:
    upper = mapped.number(recorded, event.systolic or 0, SYSTOLIC)
    if upper is None:
        return []
    _unsaid(mapped, recorded, event.quality, event.rhythm)
    if event.palpated:
        return [upper, Node("eVitals.07", "P"), Node("eVitals.08", PALPATED_CUFF)]
    lower = None if event.diastolic is None else mapped.number(recorded, event.diastolic, DIASTOLIC)
    return [upper, lower]


def _gas(mapped: Mapped, recorded: RecordedEvent, value: Decimal, unit: str | None) -> Node | None:
    limits = CO2_LIMITS.get(unit or "")
    if limits is None:
        mapped.remark(recorded, f"eVitals.16 has no type for the unit {unit!r}")
        return None
    node = mapped.number(recorded, value, limits)
    return node and Node(node.name, node.text, (("ETCO2Type", CO2_TYPES[unit or ""]),))


def _converted(mapped: Mapped, recorded: RecordedEvent, value: Decimal, event: VitalSign) -> Decimal:
    """The value in the unit of its element."""
    if event.sign == "blood_glucose" and event.unit == "mmol/L":
        mapped.remark(recorded, "converted to mg/dL, the only unit of eVitals.18")
        return value * _MG_DL_PER_MMOL_L
    if event.sign == "temperature" and event.unit == "[degF]":
        mapped.remark(recorded, "converted to Celsius, the only unit of eVitals.24")
        return (value - 32) * 5 / 9
    return value
