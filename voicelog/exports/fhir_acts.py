"""Drugs and procedures as FHIR R4B MedicationAdministrations and Procedures.

A confirmed drug is ``completed``, one called out as not given ``not-done``. One that nobody confirmed is ``unknown``:
it may or may not have been given, and no status of the standard's says "said, but not confirmed"; the extension
``record-status`` and the note do. What was taken back or corrected is ``entered-in-error``. A drug drawn up, wasted or
kept is a Procedure, so that nobody counts it as a dose.
"""

from __future__ import annotations

from voicelog.casefile.state import RecordedEvent, current
from voicelog.events import Medication, Procedure
from voicelog.exports.codes import (
    BLOOD_CODES,
    OXYGEN_CODES,
    OXYGEN_FLOW,
    PROCEDURE_CODES,
    RATE_UNITS,
    ROUTE_CODES,
    RXNORM,
    STRENGTH_CODES,
    Code,
)
from voicelog.exports.fhir_observations import measured
from voicelog.exports.fhir_parts import (
    OURS,
    Json,
    Place,
    absent_quantity,
    concept,
    extension,
    notes,
    quantity,
)
from voicelog.exports.source import plain_text, retracted
from voicelog.views.labels import written


def medication(place: Place, recorded: RecordedEvent, event: Medication) -> Json:
    """A drug given or not given; one drawn up, wasted or kept was not administered, and is a Procedure."""
    if event.action in ("prepared", "wasted", "kept"):
        return _handled(place, recorded, event)
    status = "not-done" if event.action == "not_given" else "completed"
    if retracted(recorded):
        status = "entered-in-error"
    elif recorded.status != "confirmed":
        status = "unknown"
    made = {
        **place.frame("MedicationAdministration", recorded),
        "status": status,
        "medicationCodeableConcept": concept(_drug_words(event), *drug_codes(place, event)),
        "subject": place.reference("patient"),
        "context": place.reference("encounter"),
        "effectiveDateTime": place.time(recorded),
        "note": notes(recorded),
    }
    made["extension"].append(extension("action", "Code", event.action))
    made["extension"] += _label(event)
    if event.action == "not_given":
        made["statusReason"] = [concept("called out as not given; no reason was recorded")]
    dosage = _dosage(event)
    return made | ({"dosage": dosage} if dosage else {})


def drug_codes(place: Place, event: Medication) -> list[Code]:
    """The code of drug and concentration where there is one, else of the ingredient, else none."""
    strength = STRENGTH_CODES.get((event.drug, event.concentration or ""))
    ingredient = place.rxnorm.get(event.drug)
    if strength is not None:
        return [strength]
    if event.drug in BLOOD_CODES:
        return [BLOOD_CODES[event.drug]]
    return [Code(RXNORM, ingredient, "the formulary row of the drug")] if ingredient else []


def procedure(place: Place, recorded: RecordedEvent, event: Procedure) -> list[Json]:
    """One act, and the flow of oxygen as an Observation beside it."""
    over = event.action in ("done", "stopped")
    status = "completed" if over else "in-progress"
    if retracted(recorded):
        status = "entered-in-error"
    elif recorded.status != "confirmed":
        status = "unknown"
    code = OXYGEN_CODES.get(event.device or "") if event.procedure == "oxygen" else PROCEDURE_CODES.get(event.procedure)
    made = _procedure(place, recorded, status, concept(event.procedure.replace("_", " "), *([code] if code else [])))
    made["extension"].append(extension("action", "Code", event.action))
    time = made.pop("performedDateTime")
    made |= {
        "done": {"performedDateTime": time},
        "stopped": {"performedPeriod": {"end": time}},
    }.get(event.action, {"performedPeriod": {"start": time}})
    began = _began(place, recorded, event) if event.action in ("stopped", "resumed") else None
    if began:
        made["partOf"] = [place.reference(began)]
    if event.site:
        made["bodySite"] = [concept(event.site)]
    used = [event.device.replace("_", " ")] if event.device else []
    used += [f"{event.gauge} gauge"] if event.gauge is not None else []
    if used:
        made["usedCode"] = [concept(words) for words in used]
    if event.energy_j is not None:
        made["extension"].append(extension("energy", "Quantity", quantity(event.energy_j, "J")))
    if event.flow_lpm is None:
        return [made]
    flow = concept("oxygen flow", OXYGEN_FLOW)
    beside = measured(place, recorded, flow, None, "flow", event.flow_lpm, "L/min")
    return [made, beside | {"partOf": [place.reference(recorded.id)]}]


def _began(place: Place, recorded: RecordedEvent, event: Procedure) -> str | None:
    """The act that this one ends or takes up again: the last standing start of the same procedure before it."""
    starts = [
        earlier.id
        for earlier in current(place.record.state)
        if earlier.seq < recorded.seq
        and isinstance(earlier.event, Procedure)
        and earlier.event.procedure == event.procedure
        and earlier.event.action == "started"
    ]
    return starts[-1] if starts else None


def _procedure(place: Place, recorded: RecordedEvent, status: str, code: Json) -> Json:
    return {
        **place.frame("Procedure", recorded),
        "status": status,
        "code": code,
        "subject": place.reference("patient"),
        "encounter": place.reference("encounter"),
        "performedDateTime": place.time(recorded),
        "note": notes(recorded),
    }


def _handled(place: Place, recorded: RecordedEvent, event: Medication) -> Json:
    """Drawing up, wasting or keeping a drug: an act for the patient that nobody may count as a dose."""
    status = "unknown" if recorded.status != "confirmed" else "completed"
    status = "entered-in-error" if retracted(recorded) else status
    made = _procedure(place, recorded, status, concept(f"drug {event.action}, not administered: {event.drug}"))
    parts = [extension("drug", "CodeableConcept", concept(_drug_words(event), *drug_codes(place, event)))]
    if event.dose is not None:
        parts.append(extension("dose", "Quantity", quantity(event.dose, event.unit)))
    if event.volume_ml is not None:
        parts.append(extension("volume", "Quantity", quantity(event.volume_ml, "mL")))
    made["extension"] += [
        extension("action", "Code", event.action),
        {"url": f"{OURS}handled", "extension": [*parts, *_label(event)]},
    ]
    return made


def _label(event: Medication) -> list[Json]:
    """What was read off the label, how it looked, and who checked and saw it; the standard has no place for these."""
    names = ("lot", "expiry", "appearance", "checked_by", "witness")
    said = ((name.replace("_", "-"), getattr(event, name)) for name in names)
    return [extension(name, "String", plain_text(value)) for name, value in said if value]


def _drug_words(event: Medication) -> str:
    return f"{event.drug} {event.concentration}" if event.concentration else event.drug


def _dosage(event: Medication) -> Json:
    """Dose or rate, route and site; mad-1 demands a dose or a rate wherever there is a dosage."""
    amount, unit = event.dose, event.unit
    if amount is None:
        amount, unit = event.volume_ml, "mL"
    if amount is None and event.route is None and event.site is None:
        return {}
    dosage: Json = {"text": plain_text(written(event))}
    if event.dose is not None and event.volume_ml is not None:
        dosage["extension"] = [extension("volume", "Quantity", quantity(event.volume_ml, "mL"))]
    if event.site:
        dosage["site"] = concept(event.site)
    if event.route:
        code = ROUTE_CODES.get(event.route)
        dosage["route"] = concept(event.route, *([code] if code else []))
    if amount is None:
        dosage["dose"] = absent_quantity()
    else:
        dosage["rateQuantity" if unit in RATE_UNITS else "dose"] = quantity(amount, unit)
    return dosage
