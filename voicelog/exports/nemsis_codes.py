"""Codes and limits of NEMSIS EMSDataSet v3.5.1 (build 250403 Critical Patch 1).

Sources: ``commonTypes_v3.xsd``, ``eVitals_v3.xsd``, ``eMedications_v3.xsd``, ``eProcedures_v3.xsd``, ``eExam_v3.xsd``,
``ePatient_v3.xsd`` and ``eSituation_v3.xsd`` of that build; nothing here is from memory. A term that stands in no table
has no code that says exactly it, and is listed instead of being written as its neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

NO, YES = "9923001", "9923003"
RXNORM_TYPE, SNOMED_TYPE = "9924003", "9924005"
NO_KNOWN_DRUG_ALLERGY = "8801013"
CHIEF_COMPLAINT = "2803001"
NUMERIC_PAIN_SCALE = "3328003"
PALPATED_CUFF = "3308009"


@dataclass(frozen=True)
class Limits:
    """What a number must keep to stand in an element."""

    element: str
    """Its name."""
    low: Decimal
    """The least value."""
    high: Decimal
    """The greatest value."""
    places: int = 0
    """Decimal places; more are rounded half up."""


def _limits(element: str, low: str, high: str, places: int = 0) -> Limits:
    return Limits(element, Decimal(low), Decimal(high), places)


SIGN_LIMITS = {
    "heart_rate": _limits("eVitals.10", "0", "500"),
    "oxygen_saturation": _limits("eVitals.12", "0", "100"),
    "respiratory_rate": _limits("eVitals.14", "0", "300"),
    "blood_glucose": _limits("eVitals.18", "0", "2000"),
    "temperature": _limits("eVitals.24", "0", "50", 1),
    "pain_score": _limits("eVitals.27", "0", "10"),
}
"""Vital sign to the element of its number."""
SYSTOLIC, DIASTOLIC = _limits("eVitals.06", "0", "500"), _limits("eVitals.07", "0", "500")
# A whole number of mmHg: Schematron rule nemSch_e133. At most 100 kPa: e132.
CO2_LIMITS = {"mm[Hg]": _limits("eVitals.16", "0", "760"), "kPa": _limits("eVitals.16", "0", "100", 1)}
CO2_TYPES = {"mm[Hg]": "3340001", "kPa": "3340005"}
GCS_LIMITS = {
    "eye": _limits("eVitals.19", "1", "4"),
    "verbal": _limits("eVitals.20", "1", "5"),
    "motor": _limits("eVitals.21", "1", "6"),
    "total": _limits("eVitals.23", "3", "15"),
}
# The schema has no least dose; a dose of nothing is none: our own rule.
DOSE_LIMITS = _limits("eMedications.05", "0.001", "999999.999", 3)
WEIGHT_LIMITS = _limits("eExam.01", "0.1", "999.9", 1)
AGE_LIMITS = _limits("ePatient.15", "1", "120")

MILESTONES = {
    "dispatched": "eTimes.03",
    "en_route": "eTimes.05",
    "on_scene": "eTimes.06",
    "patient_contact": "eTimes.07",
    "departed_scene": "eTimes.09",
    "at_destination": "eTimes.11",
    "transferred": "eTimes.12",
}
RESPONSIVENESS = {"alert": "3326001", "verbal": "3326003", "pain": "3326005", "unresponsive": "3326007"}
PULSE_RHYTHMS = {"irregularly irregular": "3313001", "regular": "3313003"}
RESPIRATORY_EFFORTS = {
    "labored": "3315003",
    "assisted": "3315005",
    "normal": "3315007",
    "rapid": "3315009",
    "shallow": "3315011",
    "agonal": "3315013",
}
RHYTHMS = {
    "agonal rhythm": "9901001",
    "asystole": "9901003",
    "atrial fibrillation": "9901007",
    "atrial flutter": "9901009",
    "first degree block": "9901011",
    "second degree block type one": "9901013",
    "second degree block type two": "9901015",
    "third degree block": "9901017",
    "junctional rhythm": "9901019",
    "paced rhythm": "9901033",
    "pulseless electrical activity": "9901035",
    "sinus bradycardia": "9901045",
    "sinus rhythm": "9901047",
    "sinus tachycardia": "9901049",
    "anterior st elevation": "9901051",
    "inferior st elevation": "9901053",
    "lateral st elevation": "9901055",
    "supraventricular tachycardia": "9901059",
    "torsades de pointes": "9901061",
    "ventricular fibrillation": "9901067",
    "ventricular tachycardia with pulse": "9901069",
    "pulseless ventricular tachycardia": "9901071",
}
AGE_UNITS = {"year": "2516009", "month": "2516007", "day": "2516001"}
SEXES = {"female": "9919001", "male": "9919003"}

ROUTES = {
    "inhaled": "9927009",
    "intramuscular": "9927015",
    "intranasal": "9927017",
    "intraosseous": "9927021",
    "intravenous": "9927023",
    "oral": "9927035",
    "rectal": "9927043",
    "subcutaneous": "9927045",
    "sublingual": "9927047",
    "transdermal": "9927053",
    "nebulized": "9927071",
}
OXYGEN_ROUTES = {
    "nasal_cannula": "9927025",
    "non_rebreather_mask": "9927031",
    "venturi_mask": "9927057",
    "bag_valve_mask": "9927065",
    "cpap": "9927067",
    "nebulizer_mask": "9927071",
}
OTHER_UNIT = "3706029"
DOSE_UNITS = {
    "g": "3706001",
    "L": "3706009",
    "ug": "3706015",
    "ug/kg/min": "3706017",
    "meq": "3706019",
    "mg": "3706021",
    "mL": "3706025",
    "mL/h": "3706027",
    "{drop}": "3706033",
    "L/min": "3706035",
    "ug/min": "3706037",
    "mg/kg": "3706039",
    "mg/min": "3706041",
    "{puff}": "3706043",
    "ug/kg": "3706047",
    "[U]": "3706049",
    "[U]/kg": "3706053",
    "mg/h": "3706055",
}
ACCESS_SITES = {
    "left antecubital": "3913001",
    "right antecubital": "3913003",
    "left external jugular": "3913005",
    "right external jugular": "3913007",
    "left forearm": "3913017",
    "right forearm": "3913019",
    "left hand": "3913021",
    "right hand": "3913023",
    "left proximal humerus": "3913037",
    "right proximal humerus": "3913039",
    "left proximal tibia": "3913047",
    "right proximal tibia": "3913049",
    "left wrist": "3913079",
    "right wrist": "3913081",
}

SKIN = {
    "cold": "3504003",
    "cyanotic": "3504005",
    "diaphoretic": "3504007",
    "dry": "3504009",
    "flushed": "3504011",
    "hot": "3504013",
    "jaundiced": "3504015",
    "mottled": "3504019",
    "normal": "3504021",
    "pale": "3504025",
    "warm": "3504033",
}
LUNG_SOUNDS = {
    "absent": "3523001",
    "diminished": "3523003",
    "clear": "3523007",
    "crackles": "3523021",
    "rhonchi": "3523023",
    "stridor": "3523027",
}
LUNG_SIDES = {"left": "3522001", "right": "3522003", "both": "3522005"}
EYE_SIDES = {"both": "3517001", "left": "3517003", "right": "3517005"}
PUPIL_SIZES = ("3518001", "3518003", "3518005", "3518007", "3518009", "3518011", "3518013", "3518015")
"""Codes of 1 mm, 2 mm and so on; the last is 8 mm or more."""
REACTIVE, NOT_REACTIVE = "3518051", "3518037"
PUPIL_LOOKS = {"dilated": "3518061", "pinpoint": "3518063", "sluggish": "3518053"}
FACE, NEURO, CHEST = "eExam.06", "eExam.20", "eExam.25"
FINDINGS = {
    "facial droop": (FACE, "3506003"),
    "facial swelling": (FACE, "3506053"),
    "left facial droop": (NEURO, "3520039"),
    "right facial droop": (NEURO, "3520041"),
    "accessory muscle use": (CHEST, "3525005"),
    "retractions": (CHEST, "3525039"),
}
"""A finding of kind ``general`` to its element and code."""
