"""Codes of LOINC, UCUM, RxNorm and SNOMED CT, each with its source.

A source is a page or file seen, or "from memory". Where neither gives a code with certainty there is none here, and the
exporter writes words.
"""

from __future__ import annotations

from dataclasses import dataclass

LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
RXNORM, SNOMED = "http://www.nlm.nih.gov/research/umls/rxnorm", "http://snomed.info/sct"

_VITALS = "hl7.org/fhir/R4B/valueset-observation-vitalsignresult.html"
_GLUCOMETER = "secondary: published names 'Glucose ... in Capillary blood by Glucometer'"
_GCS_PARTS = "build.fhir.org/questionnaire-example-gcs.json"
_ROUTES = "hl7.org/fhir/stu3/valueset-route-codes.html"
_MEDICATIONS = "NEMSIS 3.5.1 DefinedLists/Medication/Medication.csv"
_PROCEDURES = "NEMSIS 3.5.1 DefinedLists/Procedure/Procedure.csv"
_UCUM = "secondary: UCUM codes in published FHIR profiles"
_MEMORY = "from memory"


@dataclass(frozen=True)
class Code:
    """One code of a code system."""

    system: str
    """The URI of the system."""
    code: str
    """The code itself."""
    source: str
    """Where it was seen, or ``from memory``."""


@dataclass(frozen=True)
class Unit:
    """A unit of the record as an export writes it."""

    ucum: str | None
    """Its UCUM code; None where UCUM has none, and the unit is then words only."""
    printed: str
    """As people read it."""
    source: str
    """Where the code was seen, or ``from memory``."""


SIGN_CODES: dict[str, tuple[Code, ...]] = {
    "blood_pressure": (Code(LOINC, "85354-9", "hl7.org/fhir/r4/bp.html"),),
    "heart_rate": (Code(LOINC, "8867-4", _VITALS),),
    "respiratory_rate": (Code(LOINC, "9279-1", _VITALS),),
    # That R4 asks for 2708-6 and takes the method's code beside it: from memory.
    "oxygen_saturation": (Code(LOINC, "2708-6", _VITALS), Code(LOINC, "59408-5", "hl7.org/fhir/us/core/STU5")),
    "end_tidal_co2": (Code(LOINC, "19891-1", "secondary: a FHIR device profile"),),
    "temperature": (Code(LOINC, "8310-5", _VITALS),),
    "pain_score": (Code(LOINC, "72514-3", "secondary: published name 'Pain severity - 0-10 verbal numeric rating'"),),
}
"""Vital sign to its LOINC codes; blood glucose goes by GLUCOSE_CODES."""
GLUCOSE_CODES = {
    "mg/dL": Code(LOINC, "41653-7", _GLUCOMETER),
    "mmol/L": Code(LOINC, "14743-9", _GLUCOMETER),
}
"""Unit to the LOINC code of the capillary glucose measured in it."""
SYSTOLIC = Code(LOINC, "8480-6", "hl7.org/fhir/r4/bp.html")
DIASTOLIC = Code(LOINC, "8462-4", "hl7.org/fhir/r4/bp.html")
GCS_TOTAL = Code(LOINC, "9269-2", "hl7.org/fhir R4 observation-example-glasgow")
GCS_PARTS = {
    "eye": Code(LOINC, "9267-6", _GCS_PARTS),
    "verbal": Code(LOINC, "9270-0", _GCS_PARTS),
    "motor": Code(LOINC, "9268-4", _GCS_PARTS),
}
RESPONSIVENESS = Code(LOINC, "67775-7", "secondary: published name 'Level of responsiveness'")
BODY_WEIGHT = Code(LOINC, "29463-7", _VITALS)
OXYGEN_FLOW = Code(LOINC, "3151-8", "hl7.org/fhir/us/core/STU5")
AGE = Code(LOINC, "30525-0", _MEMORY)
COMPLAINT = Code(LOINC, "8661-1", _MEMORY)
NO_KNOWN_ALLERGY = Code(SNOMED, "716186003", "hl7.org/fhir allergyintolerance-nka example")

UNITS: dict[str, Unit] = {
    "/min": Unit("/min", "/min", "hl7.org/fhir/R4B/heartrate.html"),
    "%": Unit("%", "%", _UCUM),
    "mm[Hg]": Unit("mm[Hg]", "mmHg", _UCUM),
    "kPa": Unit("kPa", "kPa", _MEMORY),
    "mg/dL": Unit("mg/dL", "mg/dL", _UCUM),
    "mmol/L": Unit("mmol/L", "mmol/L", _UCUM),
    "Cel": Unit("Cel", "°C", _UCUM),
    "[degF]": Unit("[degF]", "°F", _MEMORY),
    "{score}": Unit("{score}", "score", "hl7.org/fhir R4 observation-example-glasgow"),
    "mm": Unit("mm", "mm", _MEMORY),
    "kg": Unit("kg", "kg", _UCUM),
    "J": Unit("J", "J", _MEMORY),
    "a": Unit("a", "year", _MEMORY),
    "mo": Unit("mo", "month", _MEMORY),
    "d": Unit("d", "day", _MEMORY),
    # UCUM has no code for a unit that is not said to be international or any other: words only.
    "[U]": Unit(None, "units", _MEMORY),
    "[U]/kg": Unit(None, "units/kg", _MEMORY),
    "ug": Unit("ug", "mcg", _MEMORY),
    "ug/kg": Unit("ug/kg", "mcg/kg", _MEMORY),
    "ug/min": Unit("ug/min", "mcg/min", _MEMORY),
    "ug/kg/min": Unit("ug/kg/min", "mcg/kg/min", _MEMORY),
    "meq": Unit("meq", "mEq", _MEMORY),
    "{puff}": Unit("{puff}", "puff", _MEMORY),
    "{spray}": Unit("{spray}", "spray", _MEMORY),
    "{tablet}": Unit("{tablet}", "tablet", _MEMORY),
    "{drop}": Unit("{drop}", "drop", _MEMORY),
    **{
        code: Unit(code, code, _MEMORY)
        for code in ("mg", "g", "mL", "L", "mmol", "L/min", "mg/kg", "mL/kg", "mg/min", "mg/h", "mL/h")
    },
}
"""Every unit an event may have."""
RATE_UNITS = frozenset({"L/min", "ug/min", "ug/kg/min", "mg/min", "mg/h", "mL/h"})
"""Units of a drug given over time: a rate, not a dose."""

UNITS_OF_CODE: dict[str, frozenset[str]] = {
    "8867-4": frozenset({"/min"}),
    "9279-1": frozenset({"/min"}),
    "8480-6": frozenset({"mm[Hg]"}),
    "8462-4": frozenset({"mm[Hg]"}),
    "2708-6": frozenset({"%"}),
    "59408-5": frozenset({"%"}),
    "8310-5": frozenset({"Cel", "[degF]"}),
    "29463-7": frozenset({"kg"}),
    "41653-7": frozenset({"mg/dL"}),
    "14743-9": frozenset({"mmol/L"}),
    "19891-1": frozenset({"mm[Hg]", "kPa"}),
    "3151-8": frozenset({"L/min"}),
    "30525-0": frozenset({"a", "mo", "d"}),
    **{code: frozenset({"{score}"}) for code in ("9269-2", "9267-6", "9270-0", "9268-4", "72514-3")},
}
"""LOINC code to the UCUM codes its quantity may have; sources as for the codes above."""

ROUTE_CODES = {
    "oral": Code(SNOMED, "26643006", _ROUTES),
    "sublingual": Code(SNOMED, "37839007", _ROUTES),
    "subcutaneous": Code(SNOMED, "34206005", _ROUTES),
    "rectal": Code(SNOMED, "37161004", _ROUTES),
    "intranasal": Code(SNOMED, "46713006", _ROUTES),
    "intramuscular": Code(SNOMED, "78421000", _ROUTES),
    "intravenous": Code(SNOMED, "47625008", _ROUTES),
    "transdermal": Code(SNOMED, "45890007", _ROUTES),
}
"""Route to its SNOMED CT code; intraosseous, nebulized and inhaled are words only."""

STRENGTH_CODES = {
    ("epinephrine", "0.1 mg/mL"): Code(RXNORM, "317361", _MEDICATIONS),
    ("epinephrine", "1 mg/mL"): Code(RXNORM, "328316", _MEDICATIONS),
    ("dextrose", "25 %"): Code(RXNORM, "260258", _MEDICATIONS),
    ("dextrose", "50 %"): Code(RXNORM, "237653", _MEDICATIONS),
}
"""Drug and concentration to the RxNorm code of the two; ingredients are coded by the formulary, which names sources."""
BAG_CODES = {("dextrose", "10 %"): Code(RXNORM, "1795477", _MEDICATIONS)}
"""As STRENGTH_CODES, but the code names a 500 mL bag: for the standard whose list demands it, and no other."""
BLOOD_CODES = {
    "whole blood": Code(SNOMED, "33389009", _MEDICATIONS),
    "packed red cells": Code(SNOMED, "71493000", _MEDICATIONS),
    "plasma": Code(SNOMED, "116861002", _MEDICATIONS),
}
"""Blood products, which RxNorm does not code."""

PROCEDURE_CODES = {
    "bag_valve_mask_ventilation": Code(SNOMED, "425447009", _PROCEDURES),
    "oropharyngeal_airway": Code(SNOMED, "7443007", _PROCEDURES),
    "nasopharyngeal_airway": Code(SNOMED, "182692007", _PROCEDURES),
    "endotracheal_tube": Code(SNOMED, "232674004", _PROCEDURES),
    "suction": Code(SNOMED, "230040009", _PROCEDURES),
    "cardiopulmonary_resuscitation": Code(SNOMED, "89666000", _PROCEDURES),
    "intravenous_access": Code(SNOMED, "392230005", _PROCEDURES),
    "intraosseous_access": Code(SNOMED, "430824005", _PROCEDURES),
    "twelve_lead_ecg": Code(SNOMED, "268400002", _PROCEDURES),
    "tourniquet": Code(SNOMED, "20655006", _PROCEDURES),
}
"""Procedure to its code. None for a supraglottic airway, a shock or an immobilization: the lists code kinds of them
that the record does not tell apart."""
OXYGEN_CODES = {
    "nasal_cannula": Code(SNOMED, "371907003", _PROCEDURES),
    **{mask: Code(SNOMED, "371908008", _PROCEDURES) for mask in ("non_rebreather_mask", "simple_mask", "venturi_mask")},
}
"""Oxygen by the device it is given with."""
