"""A case as one FHIR R4B Bundle of type collection, checked against our own profile before it is given out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from voicelog.casefile.state import RecordedEvent
from voicelog.events import Assessment, Medication, Milestone, Patient, Procedure, Remark, VitalSign
from voicelog.exports.exact_json import exact_json
from voicelog.exports.fhir_acts import medication, procedure
from voicelog.exports.fhir_observations import assessment, milestone, remark, vital_sign
from voicelog.exports.fhir_parts import OURS, Json, Place, fhir_time
from voicelog.exports.fhir_patient import about_patient, encounter, patient
from voicelog.exports.fhir_profile import profile_problems
from voicelog.exports.fhir_provenance import device, of_event, of_export
from voicelog.exports.source import CaseRecord, ExportError, portable


def fhir_text(record: CaseRecord, rxnorm: Mapping[str, str], problems: Sequence[str] = ()) -> str:
    """The bundle as JSON.

    Args:
        record: the case.
        rxnorm: generic drug name to the RxNorm code of its ingredient.
        problems: what the audit of the case file found, to be told in the bundle.

    Raises:
        ExportError: what would be written does not keep the standard's rules; nothing is to be written.
    """
    made = bundle(record, rxnorm, problems)
    wrong = profile_problems(made)
    if wrong:
        more = f", and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        hint = "Nothing was written; export with --to jsonl, which keeps everything, and report the line above."
        raise ExportError(f"The case cannot be written as valid FHIR: {wrong[0]}{more}.", hint)
    return exact_json(made) + "\n"


def bundle(record: CaseRecord, rxnorm: Mapping[str, str], problems: Sequence[str] = ()) -> Json:
    """The bundle as JSON values, unchecked; numbers are int or Decimal."""
    place = Place(record, rxnorm)
    resources = [patient(place), encounter(place), device(place), of_export(place, problems)]
    for recorded in record.state.events:
        parts = _resources(place, recorded)
        resources += [*parts, of_event(place, recorded, parts)]
    return {
        "resourceType": "Bundle",
        "identifier": {"system": f"{OURS}case", "value": record.origin.case_id},
        "type": "collection",
        "timestamp": fhir_time(portable(record.entries[-1].at)),
        "entry": [{"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource} for resource in resources],
    }


def _resources(place: Place, recorded: RecordedEvent) -> list[Json]:
    match recorded.event:
        case VitalSign() as event:
            return [vital_sign(place, recorded, event)]
        case Medication() as event:
            return [medication(place, recorded, event)]
        case Assessment() as event:
            return [assessment(place, recorded, event)]
        case Procedure() as event:
            return procedure(place, recorded, event)
        case Patient() as event:
            return about_patient(place, recorded, event)
        case Milestone() as event:
            return [milestone(place, recorded, event)]
        case Remark() as event:
            return [remark(place, recorded, event)]
