"""Vital signs, assessments, milestones and remarks as FHIR R4B Observations."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from voicelog.casefile.state import RecordedEvent
from voicelog.events import Assessment, Milestone, Remark, VitalSign
from voicelog.exports.codes import DIASTOLIC, GCS_PARTS, GCS_TOTAL, GLUCOSE_CODES, RESPONSIVENESS, SIGN_CODES, SYSTOLIC
from voicelog.exports.fhir_parts import (
    OBSERVATION_CATEGORY,
    Json,
    Place,
    absent,
    concept,
    notes,
    observation_status,
    quantity,
)
from voicelog.exports.source import plain_text


def observation(place: Place, recorded: RecordedEvent, code: Json, category: str | None, part: str = "") -> Json:
    """An Observation without its value; ``category`` is a code of the observation-category system."""
    coded = [{"coding": [{"system": OBSERVATION_CATEGORY, "code": category}]}] if category else []
    return {
        **place.frame("Observation", recorded, part),
        "status": observation_status(recorded),
        **({"category": coded} if coded else {}),
        "code": code,
        "subject": place.reference("patient"),
        "encounter": place.reference("encounter"),
        "effectiveDateTime": place.time(recorded),
        "issued": place.entered(recorded),
        "note": notes(recorded),
    }


def vital_sign(place: Place, recorded: RecordedEvent, event: VitalSign) -> Json:
    """One vital sign, by the vital-signs profile."""
    name = event.sign.replace("_", " ")
    if event.sign == "blood_pressure":
        made = observation(place, recorded, concept(name, *SIGN_CODES["blood_pressure"]), "vital-signs")
        if event.palpated:
            made["method"] = concept("palpation")
        values = [
            _component(concept("systolic", SYSTOLIC), event.systolic, "mm[Hg]"),
            # The profile wants both pressures; a palpated one has no lower.
            _component(
                concept("diastolic", DIASTOLIC),
                event.diastolic,
                "mm[Hg]",
                "not-performed" if event.palpated else "unknown",
            ),
        ]
    else:
        glucose = GLUCOSE_CODES.get(event.unit or "")
        codes = SIGN_CODES.get(event.sign, (glucose,) if glucose else ())
        made = observation(place, recorded, concept(name, *codes), "vital-signs")
        made |= {"dataAbsentReason": absent()} if event.value is None else _value(event.value, event.unit)
        values = []
    values += _worded(rhythm=event.rhythm, quality=event.quality, oxygen=event.oxygen)
    return made | ({"component": values} if values else {})


def assessment(place: Place, recorded: RecordedEvent, event: Assessment) -> Json:
    """One finding; the coma scale and responsiveness are coded, all else is words."""
    name = event.finding.replace("_", " ")
    values: list[Json] = []
    if event.finding == "glasgow_coma_scale":
        made = observation(place, recorded, concept(name, GCS_TOTAL), "survey")
        made |= {"dataAbsentReason": absent()} if event.total is None else _value(event.total, "{score}")
        said = {"eye": event.eye, "verbal": event.verbal, "motor": event.motor}
        scores = {part: score for part, score in said.items() if score is not None}
        values = [_component(concept(part, GCS_PARTS[part]), score, "{score}") for part, score in scores.items()]
    elif event.finding == "responsiveness":
        made = observation(place, recorded, concept(name, RESPONSIVENESS), "survey")
    else:
        made = observation(place, recorded, concept(name), "exam")
    for side, size in (("left", event.left_mm), ("right", event.right_mm)):
        if size is not None:
            values.append(_component(concept(f"{side} pupil"), size, "mm"))
    for label, answer in (("equal", event.equal), ("reactive", event.reactive)):
        if answer is not None:
            values.append({"code": concept(label), "valueBoolean": answer})
    values += _worded(appearance=event.appearance, sound=event.sound, side=event.side)
    words = event.description or event.level
    if words:
        made["valueCodeableConcept"] = concept(words)
    elif not values and "valueQuantity" not in made:
        made["dataAbsentReason"] = absent()
    return made | ({"component": values} if values else {})


def milestone(place: Place, recorded: RecordedEvent, event: Milestone) -> Json:
    """A point in the course of the call."""
    made = observation(place, recorded, concept(event.milestone.replace("_", " ")), None)
    return made | {"valueDateTime": place.time(recorded)}


def remark(place: Place, recorded: RecordedEvent, event: Remark) -> Json:
    """A free note."""
    made = observation(place, recorded, concept("remark, unparsed"), None)
    return made | {"valueString": plain_text(event.text)}


def measured(
    place: Place, recorded: RecordedEvent, code: Json, category: str | None, part: str, value: Decimal | int, unit: str
) -> Json:
    """An Observation of one quantity that an event of another kind brings."""
    return observation(place, recorded, code, category, part) | _value(value, unit)


def _value(value: Decimal | int, unit: str | None) -> Json:
    return {"valueQuantity": quantity(value, unit)}


def _component(code: Json, value: Decimal | int | None, unit: str, reason: str = "unknown") -> Json:
    if value is None:
        return {"code": code, "dataAbsentReason": absent(reason)}
    return {"code": code, **_value(value, unit)}


def _worded(**fields: Any) -> list[Json]:
    return [
        {"code": concept(name), "valueCodeableConcept": concept(str(words).replace("_", " "))}
        for name, words in fields.items()
        if words is not None
    ]
