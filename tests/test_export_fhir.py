"""FHIR R4B export, element by element; invariants are named as hl7.org/fhir/R4B names them."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from event_strategies import events
from export_cases import CALLOUTS, SAMPLES, STATUSES, case_of, recorded_case, rxnorm, sample, talked
from fhir.resources.R4B.bundle import Bundle
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.store import CaseFile
from voicelog.events import Event, Medication, VitalSign, event_fields
from voicelog.exports.codes import STRENGTH_CODES
from voicelog.exports.exact_json import exact_json
from voicelog.exports.fhir import bundle, fhir_text
from voicelog.exports.fhir_profile import profile_problems
from voicelog.exports.source import CaseRecord, ExportError, record_of

Json = dict[str, Any]


def exported(record: CaseRecord) -> list[Json]:
    """Every resource, read back with exact numbers, after both validations."""
    text = fhir_text(record, rxnorm())
    Bundle.model_validate_json(text)
    read = json.loads(text, parse_float=Decimal)
    return [entry["resource"] for entry in read["entry"]]


def of_kind(resources: list[Json], kind: str) -> list[Json]:
    return [resource for resource in resources if resource["resourceType"] == kind]


def said(text: str, kind: str = "Observation") -> Json:
    return of_kind(exported(talked(text)), kind)[0]


def codes(concept: Json) -> list[str]:
    return [coding["code"] for coding in concept.get("coding", [])]


def marks(resource: Json, name: str) -> list[Any]:
    """The values of one of our own extensions."""
    found = [item for item in resource["extension"] if item["url"] == f"urn:x-voicelog:{name}"]
    return [value for item in found for key, value in item.items() if key.startswith("value")]


# LOINC and UCUM: hl7.org/fhir/R4B/valueset-observation-vitalsignresult.html and heartrate.html ('/min' is fixed);
# EtCO2, glucose and pain: secondary sources; unit of the respiratory rate, kPa and [degF]: from memory.
@pytest.mark.parametrize(
    ("text", "loinc", "value", "unit"),
    [
        ("pulse ninety", ["8867-4"], "90", "/min"),
        ("respirations twenty four", ["9279-1"], "24", "/min"),
        ("sats ninety two", ["2708-6", "59408-5"], "92", "%"),
        ("temperature thirty seven point four celsius", ["8310-5"], "37.4", "Cel"),
        ("temperature ninety eight point six fahrenheit", ["8310-5"], "98.6", "[degF]"),
        ("blood glucose ninety two", ["41653-7"], "92", "mg/dL"),
        ("sugar five point six millimoles", ["14743-9"], "5.6", "mmol/L"),
        ("end tidal twenty two", ["19891-1"], "22", "mm[Hg]"),
        ("end tidal five point two kilopascals", ["19891-1"], "5.2", "kPa"),
        ("pain is four out of ten", ["72514-3"], "4", "{score}"),
    ],
)
def test_observation_code_and_value_of_a_vital_sign(text: str, loinc: list[str], value: str, unit: str) -> None:
    made = said(text)
    assert codes(made["code"]) == loinc  # Observation.code
    quantity = made["valueQuantity"]  # Observation.valueQuantity
    assert (str(quantity["value"]), quantity["code"], quantity["system"]) == (value, unit, "http://unitsofmeasure.org")
    assert codes(made["category"][0]) == ["vital-signs"]  # Observation.category
    assert made["effectiveDateTime"] == "2026-03-04T10:00:20+00:00"  # Observation.effectiveDateTime


# hl7.org/fhir/r4/bp.html: panel 85354-9 with the components 8480-6 and 8462-4, and no value of its own.
def test_a_blood_pressure_has_two_components_and_no_value() -> None:
    made = said("blood pressure one eighteen over seventy six")
    assert codes(made["code"]) == ["85354-9"]
    parts = {codes(part["code"])[0]: part["valueQuantity"] for part in made["component"]}
    assert {code: (part["value"], part["code"]) for code, part in parts.items()} == {
        "8480-6": (118, "mm[Hg]"),
        "8462-4": (76, "mm[Hg]"),
    }
    assert "valueQuantity" not in made


def test_a_palpated_pressure_says_why_the_lower_one_is_absent() -> None:
    made = said("b p ninety by palp")
    assert made["component"][0]["valueQuantity"]["value"] == 90
    # data-absent-reason code "not-performed": from memory.
    assert codes(made["component"][1]["dataAbsentReason"]) == ["not-performed"]
    assert made["method"]["text"] == "palpation"


def test_quality_and_rhythm_are_components_in_words() -> None:
    made = said("pulse ninety strong and regular")
    assert {part["code"]["text"]: part["valueCodeableConcept"]["text"] for part in made["component"]} == {
        "rhythm": "regular",
        "quality": "strong",
    }


# hl7.org/fhir R4 observation-example-glasgow; parts: build.fhir.org/questionnaire-example-gcs.json.
def test_a_coma_scale_has_its_total_and_its_parts() -> None:
    made = said("g c s eye four verbal four motor six total fourteen")
    assert codes(made["code"]) == ["9269-2"]
    assert made["valueQuantity"]["value"] == 14
    parts = {codes(part["code"])[0]: part["valueQuantity"]["value"] for part in made["component"]}
    assert parts == {"9267-6": 4, "9270-0": 4, "9268-4": 6}


def drug(*texts: str) -> Json:
    return of_kind(exported(talked(*texts)), "MedicationAdministration")[0]


# RxCUI 7242: NEMSIS DefinedLists/Medication/Medication.csv. Nasal route 46713006: hl7.org/fhir/stu3 route codes.
def test_a_confirmed_drug_is_completed_with_code_dose_and_route() -> None:
    made = drug("naloxone two milligrams intranasal", "confirm")
    assert made["status"] == "completed"  # MedicationAdministration.status
    assert codes(made["medicationCodeableConcept"]) == ["7242"]  # MedicationAdministration.medication[x]
    dose = made["dosage"]["dose"]  # MedicationAdministration.dosage.dose
    assert (dose["value"], dose["code"]) == (2, "mg")
    assert codes(made["dosage"]["route"]) == ["46713006"]  # MedicationAdministration.dosage.route
    assert made["effectiveDateTime"] == "2026-03-04T10:00:20+00:00"  # MedicationAdministration.effective[x]


def test_an_unconfirmed_drug_is_unknown_and_says_so() -> None:
    made = drug("naloxone two milligrams intranasal")
    assert made["status"] == "unknown"
    assert marks(made, "record-status") == ["unconfirmed"]
    assert "unconfirmed (never confirmed)" in made["note"][0]["text"]


def test_a_drug_not_given_is_not_done_with_a_reason_element() -> None:
    event = Medication(drug="epinephrine", action="not_given")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    assert made["status"] == "not-done"
    assert made["statusReason"][0]["text"]
    assert "dosage" not in made


@pytest.mark.parametrize("action", ["prepared", "wasted"])
def test_a_drug_that_nobody_got_is_no_administration(action: str) -> None:
    event = Medication.model_validate({"drug": "midazolam", "dose": "2.5", "unit": "mg", "action": action})
    resources = exported(case_of((event, "confirmed", ())))
    assert of_kind(resources, "MedicationAdministration") == []
    (made,) = of_kind(resources, "Procedure")
    assert made["code"]["text"] == f"drug {action}, not administered: midazolam"
    parts = {item["url"].rpartition(":")[2]: item for item in made["extension"][-1]["extension"]}
    assert str(parts["dose"]["valueQuantity"]["value"]) == "2.5"


# Strength codes 317361 and 328316: NEMSIS DefinedLists/Medication/Medication.csv.
@pytest.mark.parametrize(("drug_name", "concentration"), list(STRENGTH_CODES))
def test_drug_and_concentration_have_the_code_of_the_two(drug_name: str, concentration: str) -> None:
    event = Medication(drug=drug_name, concentration=concentration, dose=Decimal(1), unit="mg")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    assert codes(made["medicationCodeableConcept"]) == [STRENGTH_CODES[drug_name, concentration].code]


def test_a_drug_without_a_known_code_is_words_only() -> None:
    event = Medication(drug="metoprolol", dose=Decimal(5), unit="mg")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    assert made["medicationCodeableConcept"] == {"text": "metoprolol"}


def test_units_that_ucum_does_not_code_are_words() -> None:
    event = Medication(drug="insulin", dose=Decimal(4), unit="[U]")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    assert made["dosage"]["dose"] == {"value": 4, "unit": "units"}


def test_a_drug_over_time_is_a_rate() -> None:
    event = Medication(drug="norepinephrine", dose=Decimal("0.10"), unit="ug/kg/min")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    # MedicationAdministration.dosage.rateQuantity; the zero that was said last is kept.
    assert str(made["dosage"]["rateQuantity"]["value"]) == "0.10"
    assert "dose" not in made["dosage"]


def test_mad_1_a_route_without_a_dose_says_that_the_dose_is_unknown() -> None:
    event = Medication(drug="naloxone", route="intranasal")
    made = of_kind(exported(case_of((event, "confirmed", ()))), "MedicationAdministration")[0]
    assert made["dosage"]["dose"]["extension"][0]["valueCode"] == "unknown"


def test_a_correction_is_amended_and_what_it_replaces_entered_in_error() -> None:
    old, new = of_kind(exported(talked("pulse ninety", "correction one hundred", "confirm")), "Observation")
    assert (old["status"], old["valueQuantity"]["value"]) == ("entered-in-error", 90)  # Observation.status
    assert (new["status"], new["valueQuantity"]["value"]) == ("amended", 100)


def test_a_retracted_drug_stays_as_an_error() -> None:
    made = drug("naloxone two milligrams intranasal", "scratch that")
    assert made["status"] == "entered-in-error"


# SNOMED 7443007, 371908008: NEMSIS DefinedLists/Procedure/Procedure.csv; LOINC 3151-8: US Core STU5.
def test_a_procedure_has_its_code_and_oxygen_its_flow() -> None:
    assert codes(said("oral airway in place", "Procedure")["code"]) == ["7443007"]  # Procedure.code
    resources = exported(talked("oxygen fifteen liters by non rebreather"))
    (act,) = of_kind(resources, "Procedure")
    assert (act["status"], codes(act["code"])) == ("in-progress", ["371908008"])
    (flow,) = of_kind(resources, "Observation")
    assert (codes(flow["code"]), flow["valueQuantity"]["value"], flow["valueQuantity"]["code"]) == (
        ["3151-8"], 15, "L/min",
    )  # fmt: skip
    assert flow["partOf"][0]["reference"] == f"urn:uuid:{act['id']}"  # Observation.partOf


def test_the_end_of_a_procedure_is_part_of_its_start() -> None:
    start, end = of_kind(exported(talked("c p r started", "c p r stopped")), "Procedure")
    assert (start["status"], end["status"]) == ("in-progress", "completed")
    assert list(start["performedPeriod"]) == ["start"]  # Procedure.performedPeriod
    assert list(end["performedPeriod"]) == ["end"]
    assert end["partOf"][0]["reference"] == f"urn:uuid:{start['id']}"  # Procedure.partOf


def test_a_shock_keeps_its_energy_and_claims_no_kind_of_device() -> None:
    made = said("shock at two hundred joules", "Procedure")
    assert "coding" not in made["code"]
    assert marks(made, "energy")[0]["value"] == 200


def test_the_patient_holds_only_what_was_said() -> None:
    resources = exported(talked("pulse ninety"))
    (patient,) = of_kind(resources, "Patient")
    assert set(patient) == {"resourceType", "id", "identifier"}
    (patient,) = of_kind(exported(talked("fifty four year old male")), "Patient")
    assert patient["gender"] == "male"  # Patient.gender
    assert "birthDate" not in patient


# LOINC 30525-0 (age) and 8661-1 (complaint): from memory; 29463-7: hl7.org/fhir/R4B vital sign result value set.
def test_age_weight_and_complaint_are_observations_of_their_own() -> None:
    record = talked("six month old about seven kilos", "chief complaint shortness of breath")
    found = of_kind(exported(record), "Observation")
    values = {codes(made["code"])[0]: made for made in found}
    assert (values["30525-0"]["valueQuantity"]["value"], values["30525-0"]["valueQuantity"]["code"]) == (6, "mo")
    assert (values["29463-7"]["valueQuantity"]["value"], values["29463-7"]["valueQuantity"]["code"]) == (7, "kg")
    assert values["8661-1"]["valueString"] == "shortness of breath"


# SNOMED 716186003: hl7.org/fhir, example allergyintolerance-nka. ait-1, ait-2: from memory of R4B.
def test_an_allergy_is_reported_and_no_allergy_is_coded() -> None:
    made = said("allergic to penicillin", "AllergyIntolerance")
    assert made["code"] == {"text": "penicillin"}
    assert codes(made["verificationStatus"]) == ["unconfirmed"]
    assert codes(made["clinicalStatus"]) == ["active"]
    assert codes(said("no known allergies", "AllergyIntolerance")["code"]) == ["716186003"]


def test_the_encounter_is_finished_only_when_the_case_is_closed(tmp_path: Path) -> None:
    statuses = []
    for name, close in (("open", False), ("closed", True)):
        with CaseFile.open(recorded_case(tmp_path / name, "pulse ninety", close=close)) as case:
            (made,) = of_kind(exported(record_of(name, list(case.entries()))), "Encounter")
        statuses.append(made["status"])
    assert statuses == ["in-progress", "finished"]


def test_provenance_leads_to_the_words_the_audio_and_the_hashes(tmp_path: Path) -> None:
    with CaseFile.open(recorded_case(tmp_path / "case.voicelog", *CALLOUTS)) as case:
        record = record_of("case.voicelog", list(case.entries()))
    resources = exported(record)
    pulse = of_kind(resources, "Observation")[0]
    name = f"urn:uuid:{pulse['id']}"
    (found,) = [p for p in of_kind(resources, "Provenance") if name in [t["reference"] for t in p["target"]]]
    entity = found["entity"][0]  # Provenance.entity
    utterance = next(u for u in record.state.utterances if u.id == "U4")
    assert entity["role"] == "source"
    assert entity["what"]["identifier"]["value"] == utterance.clip
    assert marks(entity, "utterance") == ["U4"]
    assert [str(marks(entity, mark)[0]) for mark in ("start-seconds", "end-seconds")] == ["40", "41.500"]
    entry = next(e for e in record.entries if e.type == "event" and e.body["utterance"] == "U4")
    assert (marks(found, "entry"), marks(found, "entry-hash")) == ([entry.seq], [entry.hash])
    assert marks(found, "head-hash") == [record.entries[-1].hash]
    assert marks(found, "grammar-hash") == ["ab12"]
    assert marks(found, "recorded-with") == ["0.1.0"]
    assert marks(found, "case-file") == ["case.voicelog"]


def test_a_damaged_case_says_so_in_its_bundle() -> None:
    made = bundle(talked("pulse ninety"), {}, ["Entry 3 was changed: its hash does not fit what it says."])
    assert marks(made["entry"][3]["resource"], "integrity-problem")


def test_the_same_case_gives_the_same_names_again() -> None:
    assert fhir_text(talked("pulse ninety"), {}) == fhir_text(talked("pulse ninety"), {})


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_exports_and_validates(name: str) -> None:
    resources = exported(sample(name))
    named = [identifier["value"] for made in resources for identifier in made.get("identifier", [])]
    recorded = {event.id for event in sample(name).state.events}
    assert {word.split("/")[1] for word in named if "/" in word} == recorded


def numbers_in(value: Any) -> list[str]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in numbers_in(item)]
    if isinstance(value, list):
        return [number for item in value for number in numbers_in(item)]
    return [] if isinstance(value, bool | str) or value is None else [str(value)]


@settings(max_examples=60, deadline=None)
@given(events(), st.sampled_from(STATUSES))
def test_every_event_in_every_standing_validates_and_keeps_its_digits(event: Event, status: str) -> None:
    resources = exported(case_of((event, status, ("out_of_range",))))
    parts = [made for made in resources if made["resourceType"] not in {"Patient", "Encounter", "Device", "Provenance"}]
    assert parts
    for made in parts:
        assert marks(made, "record-status") == [status]
        assert marks(made, "flag") == ["out_of_range"]
    found = numbers_in(parts)
    for value in event_fields(event).values():
        if isinstance(value, int | Decimal) and not isinstance(value, bool) and not _gauge(event, value):
            assert format(Decimal(value), "f") in found


def _gauge(event: Event, value: int | Decimal) -> bool:
    """A gauge is not a measure: it stands in words."""
    return value == getattr(event, "gauge", None)


def spoil(change: Callable[[list[Json]], None]) -> list[str]:
    """What the profile check says of a sound bundle after a change to its resources."""
    record = talked("pulse ninety", "b p one eighteen over seventy six", "naloxone two milligrams intranasal")
    made = copy.deepcopy(bundle(record, rxnorm()))
    assert profile_problems(made) == []
    kinds = ("Observation", "MedicationAdministration")
    change([e["resource"] for e in made["entry"] if e["resource"]["resourceType"] in kinds])
    return profile_problems(made)


# What the library of types lets through, as found by running it: check of statuses, units, invariants, numbers.
@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda r: r[0].update(status="bogus"), "value set"),
        (lambda r: r[0]["valueQuantity"].update(code="bpm"), "UCUM"),
        (lambda r: r[0]["valueQuantity"].update(code="%"), "no unit of 8867-4"),
        (lambda r: r[0].update(dataAbsentReason={"text": "unknown"}), "obs-6"),
        (lambda r: r[0]["valueQuantity"].update(value="90"), "not a number"),
        (lambda r: r[0]["valueQuantity"].update(value=90.0), "not an exact number"),
        (lambda r: r[0].pop("effectiveDateTime"), "vs-1"),
        (lambda r: r[0].update(effectiveDateTime="2026-03-04T10:00:20"), "offset"),
        (lambda r: r[0].pop("valueQuantity"), "vs-2"),
        (lambda r: r[1]["component"][0].pop("valueQuantity"), "vs-3"),
        (lambda r: r[1]["component"].pop(), "8462-4"),
        (lambda r: r[2]["dosage"].pop("dose"), "mad-1"),
        (lambda r: r[2].pop("subject"), "subject: missing"),
        (lambda r: r[2].update(status="preparation"), "value set"),
        (lambda r: r[2]["subject"].update(reference="urn:uuid:nowhere"), "leads nowhere"),
        (lambda r: r[2]["note"][0].update(text=" "), "blank"),
        (lambda r: r[0]["extension"][0].pop("valueCode"), "ext-1"),
    ],
)
def test_the_profile_check_finds(change: Callable[[list[Json]], None], named: str) -> None:
    assert any(named in line for line in spoil(change))


def test_what_breaks_the_profile_is_not_given_out() -> None:
    event = VitalSign(sign="heart_rate", value=Decimal(90), unit="bpm")
    with pytest.raises(ExportError, match="no unit of 8867-4"):
        fhir_text(case_of((event, "confirmed", ())), {})


@pytest.mark.parametrize("digits", ["0.10", "1E+2", "90", "1234567890.0987654321", "-0.5"])
def test_numbers_are_written_digit_for_digit(digits: str) -> None:
    assert json.loads(exact_json([Decimal(digits)]), parse_float=Decimal, parse_int=Decimal) == [Decimal(digits)]
    assert "E" not in exact_json(Decimal(digits))


def test_floats_are_refused() -> None:
    with pytest.raises(TypeError):
        exact_json({"value": 0.1})
