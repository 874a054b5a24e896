"""What was said of the patient as FHIR R4B: Patient, Encounter, age and weight, complaint, allergy and history."""

from __future__ import annotations

from voicelog.casefile.state import RecordedEvent, current
from voicelog.events import Milestone, Patient
from voicelog.exports.codes import AGE, BODY_WEIGHT, COMPLAINT, NO_KNOWN_ALLERGY
from voicelog.exports.deidentify import AGED
from voicelog.exports.fhir_observations import measured, observation
from voicelog.exports.fhir_parts import OURS, Json, Place, concept, fhir_time, notes
from voicelog.exports.source import happened, plain_text, retracted

_AGE_UNITS = {"year": "a", "month": "mo", "day": "d"}
_ALLERGY = "http://terminology.hl7.org/CodeSystem/allergyintolerance-"
_CONDITION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def patient(place: Place) -> Json:
    """The patient without a name: the case's own identifier, and the sex if it was said and confirmed."""
    made: Json = {
        "resourceType": "Patient",
        "id": place.uri("patient").removeprefix("urn:uuid:"),
        "identifier": [{"system": f"{OURS}patient-of-case", "value": place.record.origin.case_id}],
    }
    said = [
        recorded.event.sex
        for recorded in current(place.record.state)
        if isinstance(recorded.event, Patient) and recorded.event.sex and recorded.status == "confirmed"
    ]
    return made | ({"gender": said[-1]} if said else {})


def encounter(place: Place) -> Json:
    """The call: finished once the case is closed; begun and ended only where that was said."""
    standing = current(place.record.state)
    times = {
        recorded.event.milestone: happened(place.record, recorded)
        for recorded in standing
        if isinstance(recorded.event, Milestone) and recorded.status == "confirmed"
    }
    start, end = times.get("patient_contact"), times.get("transferred")
    # per-1: a period does not end before it starts; both times stand as Observations all the same.
    end = None if start and end and end < start else end
    period = {name: fhir_time(moment) for name, moment in (("start", start), ("end", end)) if moment}
    complaints = [
        recorded.event.complaint
        for recorded in standing
        if isinstance(recorded.event, Patient) and recorded.event.complaint and recorded.status == "confirmed"
    ]
    made: Json = {
        "resourceType": "Encounter",
        "id": place.uri("encounter").removeprefix("urn:uuid:"),
        "identifier": [{"system": f"{OURS}case", "value": place.record.origin.case_id}],
        "status": "finished" if place.record.state.closed else "in-progress",
        # "field", from memory: an encounter outside any facility.
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "FLD"},
        "subject": place.reference("patient"),
    }
    if complaints:
        made["reasonCode"] = [concept(words) for words in dict.fromkeys(complaints)]
    return made | ({"period": period} if period else {})


def about_patient(place: Place, recorded: RecordedEvent, event: Patient) -> list[Json]:
    """Each thing said of the patient as a resource of its own; an event that says nothing is an empty Observation."""
    made: list[Json] = []
    if event.age is not None:
        unit = _AGE_UNITS[event.age_unit or "year"]
        age = measured(place, recorded, concept("age", AGE), None, "age", event.age, unit)
        if AGED in recorded.flags:
            age["valueQuantity"]["comparator"] = ">="
        made.append(age)
    if event.sex:
        made.append(_words(place, recorded, concept("sex"), "sex", event.sex))
    if event.weight_kg is not None:
        weight = concept("body weight", BODY_WEIGHT)
        made.append(measured(place, recorded, weight, "vital-signs", "weight", event.weight_kg, "kg"))
    if event.complaint:
        made.append(_words(place, recorded, concept("chief complaint", COMPLAINT), "complaint", event.complaint))
    if event.allergy:
        made.append(_allergy(place, recorded, event.allergy))
    if event.history:
        made.append(_history(place, recorded, event.history))
    if event.pregnant is not None:
        made.append(_words(place, recorded, concept("pregnancy"), "pregnant", "yes" if event.pregnant else "no"))
    return made or [_words(place, recorded, concept("patient"), "", "nothing was said")]


def _words(place: Place, recorded: RecordedEvent, code: Json, part: str, words: str) -> Json:
    return observation(place, recorded, code, None, part) | {"valueString": plain_text(words)}


def _allergy(place: Place, recorded: RecordedEvent, allergy: str) -> Json:
    wrong = retracted(recorded)
    code = [NO_KNOWN_ALLERGY] if allergy == "no known allergies" else []
    made = {
        **place.frame("AllergyIntolerance", recorded, "allergy"),
        # As reported to the crew: whether the patient has it, nobody has verified. ait-2: an error has no course.
        **({} if wrong else {"clinicalStatus": {"coding": [{"system": f"{_ALLERGY}clinical", "code": "active"}]}}),
        "verificationStatus": {
            "coding": [
                {"system": f"{_ALLERGY}verification", "code": "entered-in-error" if wrong else "unconfirmed"},
            ]
        },
        "code": concept(allergy, *code),
        "patient": place.reference("patient"),
        "encounter": place.reference("encounter"),
        "recordedDate": place.time(recorded),
    }
    return made | {"note": notes(recorded)}


def _history(place: Place, recorded: RecordedEvent, history: str) -> Json:
    return {
        **place.frame("Condition", recorded, "history"),
        "verificationStatus": {
            "coding": [{"system": _CONDITION, "code": "entered-in-error" if retracted(recorded) else "unconfirmed"}]
        },
        "code": concept(history),
        "subject": place.reference("patient"),
        "encounter": place.reference("encounter"),
        "recordedDate": place.time(recorded),
        "note": notes(recorded),
    }
