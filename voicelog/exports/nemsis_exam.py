"""Findings as eExam, what was said of the patient as ePatient, eSituation and eHistory, milestones as eTimes."""

from __future__ import annotations

from collections.abc import Mapping

from voicelog.casefile.state import RecordedEvent
from voicelog.events import Assessment, Milestone, Patient
from voicelog.exports.deidentify import AGED
from voicelog.exports.nemsis_codes import (
    AGE_LIMITS,
    AGE_UNITS,
    CHIEF_COMPLAINT,
    EYE_SIDES,
    FACE,
    FINDINGS,
    LUNG_SIDES,
    LUNG_SOUNDS,
    MILESTONES,
    NEURO,
    NO_KNOWN_DRUG_ALLERGY,
    NOT_REACTIVE,
    PUPIL_LOOKS,
    PUPIL_SIZES,
    REACTIVE,
    SEXES,
    SKIN,
    WEIGHT_LIMITS,
)
from voicelog.exports.nemsis_parts import Mapped
from voicelog.exports.nemsis_xml import Node, pertinent

GROUP = "eExam.AssessmentGroup"
_LONGEST_COMPLAINT = 255


def add_finding(mapped: Mapped, recorded: RecordedEvent, event: Assessment) -> None:
    """One finding as an assessment group, as far as codes say exactly it."""
    nodes = _finding(mapped, recorded, event)
    if not nodes:
        return
    link = f"exam {recorded.id}"[:255].replace(".", "_")
    children = (mapped.time(recorded, "eExam.03"), *nodes)
    # Here the time is optional and takes no Not Value.
    children = tuple(node for node in children if node.attribute("NV") is None)
    mapped.add(GROUP, Node(GROUP, attributes=(("CorrelationID", link),), children=children))
    mapped.standings.append((link, recorded.status))


def _finding(mapped: Mapped, recorded: RecordedEvent, event: Assessment) -> list[Node]:
    match event.finding:
        case "skin":
            return _terms(mapped, recorded, "eExam.04", event.description, SKIN)
        case "pupils":
            return _eyes(mapped, recorded, event)
        case "breath_sounds":
            sounds = _terms(mapped, recorded, "eExam.23", event.sound, LUNG_SOUNDS)
            if not sounds:
                return []
            side = mapped.coded(recorded, "eExam.22", event.side, LUNG_SIDES)
            return [Node("eExam.LungGroup", children=(*([side] if side else []), *sounds))]
        case _:
            found = FINDINGS.get(event.description or "")
            if found is None:
                mapped.remark(recorded, "eExam has no code that says exactly this")
                return []
            element, code = found
            node = Node(element, code)
            return [node] if element in (FACE, NEURO) else [Node("eExam.ChestGroup", children=(node,))]


def _eyes(mapped: Mapped, recorded: RecordedEvent, event: Assessment) -> list[Node]:
    groups = []
    for side, size in (("left", event.left_mm), ("right", event.right_mm)):
        if size is None:
            continue
        if size != size.to_integral_value() or size < 1:
            mapped.remark(recorded, f"eExam.18 has no code for a pupil of {size:f} mm")
            continue
        groups.append(_eye(side, [PUPIL_SIZES[min(int(size), len(PUPIL_SIZES)) - 1]]))
    both = [] if event.reactive is None else [REACTIVE if event.reactive else NOT_REACTIVE]
    look = event.appearance
    for side in ("left", "right"):
        if look and look.startswith(f"{side} ") and (code := PUPIL_LOOKS.get(look.removeprefix(f"{side} "))):
            groups.append(_eye(side, [code]))
            look = None
    node = mapped.coded(recorded, "eExam.18", look, PUPIL_LOOKS)
    both += [node.text] if node else []
    if event.equal is not None:
        mapped.remark(recorded, "eExam.18 has no code for pupils that are equal or unequal and nothing more")
    return [*([_eye("both", both)] if both else []), *groups]


def _eye(side: str, codes: list[str]) -> Node:
    place = Node("eExam.17", EYE_SIDES[side])
    return Node("eExam.EyeGroup", children=(place, *(Node("eExam.18", code) for code in codes)))


def _terms(
    mapped: Mapped, recorded: RecordedEvent, element: str, said: str | None, codes: Mapping[str, str]
) -> list[Node]:
    found = [mapped.coded(recorded, element, term, codes) for term in (said or "").split(", ") if term]
    return [node for node in found if node is not None]


def add_patient(mapped: Mapped, recorded: RecordedEvent, event: Patient) -> None:
    """What was said of the patient; where an element takes one value, the last that was said stands."""
    if event.age is not None:
        age = mapped.number(recorded, event.age, AGE_LIMITS)
        if age:
            if AGED in recorded.flags:
                mapped.remark(recorded, "ePatient.15 cannot say 'or more': the age is 90 or more")
            _replace(mapped, recorded, age)
            _replace(mapped, recorded, Node("ePatient.16", AGE_UNITS[event.age_unit or "year"]), listed=False)
    sex = mapped.coded(recorded, "ePatient.25", event.sex, SEXES)
    if sex:
        _replace(mapped, recorded, sex)
    weight = None if event.weight_kg is None else mapped.number(recorded, event.weight_kg, WEIGHT_LIMITS)
    if weight:
        _replace(mapped, recorded, weight)
    if event.complaint and len(event.complaint) <= _LONGEST_COMPLAINT:
        kind = "eSituation.PatientComplaintGroup"
        said = (Node("eSituation.03", CHIEF_COMPLAINT), Node("eSituation.04", event.complaint))
        link = f"complaint {recorded.id}"[:255].replace(".", "_")
        mapped.add(kind, Node(kind, attributes=(("CorrelationID", link),), children=said))
        mapped.standings.append((link, recorded.status))
    elif event.complaint:
        mapped.remark(recorded, "eSituation.04 takes no complaint of that length")
    if event.allergy == "no known allergies":
        if "eHistory.06" not in mapped.values:
            mapped.add("eHistory.06", pertinent("eHistory.06", NO_KNOWN_DRUG_ALLERGY))
            mapped.standings.append((f"eHistory.06 {recorded.id}", recorded.status))
    elif event.allergy:
        mapped.remark(recorded, "eHistory.06 takes codes of allergens, and none are known here")
    if event.pregnant is not None:
        mapped.remark(recorded, "no element is mapped for pregnancy")
    if event.history:
        mapped.remark(recorded, "eHistory.08 takes ICD-10 codes, and none are known here")


def add_milestone(mapped: Mapped, recorded: RecordedEvent, event: Milestone) -> None:
    """The first time a milestone was said to be reached; others are listed."""
    element = MILESTONES[event.milestone]
    node = mapped.time(recorded, element)
    if node.text and element not in mapped.values:
        mapped.add(element, node)
        mapped.standings.append((f"{element} {recorded.id}", recorded.status))
    elif node.text:
        mapped.remark(recorded, f"{element} takes one time, and an earlier callout gave it")


def _replace(mapped: Mapped, recorded: RecordedEvent, node: Node, *, listed: bool = True) -> None:
    before = mapped.values.get(node.name)
    if before and before[0].text != node.text and listed:
        mapped.remark(recorded, f"{node.name} takes one value: {before[0].text}, said before, is left out")
    mapped.values[node.name] = [node]
    if listed:
        mapped.standings.append((f"{node.name} {recorded.id}", recorded.status))
