"""What is written: numbers and units that cannot be misread, every event on one safe line."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from event_strategies import events
from hypothesis import given, settings

from voicelog.events import Assessment, Event, Medication, Patient, Procedure, Remark, VitalSign
from voicelog.grammar.formulary import DOSE_UNITS
from voicelog.views.labels import written, written_number, written_unit


# X.0 and .X: Joint Commission Do Not Use list; 100,000: ISMP error-prone list (check-values 6.2).
@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("1.0", "1"), ("0.30", "0.3"), (".5", "0.5"), ("10", "10"), ("999", "999"), ("1200", "1,200"),
        ("100000", "100,000"), ("1E+3", "1,000"), ("0", "0"),
    ],
)  # fmt: skip
def test_numbers(value: str, text: str) -> None:
    assert written_number(Decimal(value)) == text


# mcg for the Greek letter, units for U: Joint Commission Do Not Use list (check-values 6.2).
@pytest.mark.parametrize(
    ("unit", "text"),
    [("ug", "mcg"), ("ug/kg/min", "mcg/kg/min"), ("[U]", "units"), ("mL", "mL"), ("meq", "mEq"), ("mm[Hg]", "mmHg")],
)
def test_units(unit: str, text: str) -> None:
    assert written_unit(unit) == text


@pytest.mark.parametrize("unit", DOSE_UNITS)
def test_no_dose_unit_is_written_in_brackets_or_as_a_letter_that_reads_as_a_nought(unit: str) -> None:
    assert not re.search(r"[\[\]{}µ]|\bU\b|\bug\b", written_unit(unit))


@pytest.mark.parametrize(
    ("event", "text"),
    [
        (VitalSign(sign="blood_pressure", systolic=118, diastolic=76), "blood pressure 118/76 mmHg"),
        (VitalSign(sign="blood_pressure", systolic=90, palpated=True), "blood pressure 90 mmHg by palpation"),
        (VitalSign(sign="end_tidal_co2", value=Decimal(38), unit="mm[Hg]"), "end tidal CO2 38 mmHg"),
        (VitalSign(sign="pain_score", value=Decimal(6), unit="{score}"), "pain score 6 of 10"),
        (
            Medication(drug="epinephrine", dose=Decimal("0.3"), unit="mg", volume_ml=Decimal("0.3"),
                       concentration="1 mg/mL", route="intramuscular", site="left thigh", action="prepared"),
            "epinephrine 1 mg/mL 0.3 mg in 0.3 mL intramuscular left thigh (prepared)",
        ),
        (Medication(drug="heparin", dose=Decimal(5000), unit="[U]", route="intravenous"),
         "heparin 5,000 units intravenous"),
        (Medication(drug="albuterol", dose=Decimal(1), unit="{puff}", route="inhaled"), "albuterol 1 puff inhaled"),
        (Medication(drug="epinephrine", action="not_given"), "epinephrine (not given)"),
        (Assessment(finding="glasgow_coma_scale", eye=2, verbal=2, motor=4, total=8),
         "glasgow coma scale: total 8 (eye 2, verbal 2, motor 4)"),
        (Assessment(finding="glasgow_coma_scale", eye=2, total=8), "glasgow coma scale: total 8 (eye 2)"),
        (Assessment(finding="pupils", equal=False, left_mm=Decimal(6), right_mm=Decimal(3), reactive=True),
         "pupils: unequal left 6 mm right 3 mm reactive"),
        (Procedure(procedure="twelve_lead_ecg"), "twelve lead ECG"),
        (Procedure(procedure="defibrillation", energy_j=200), "defibrillation 200 J"),
        (Patient(age=1, age_unit="month", sex="female", weight_kg=Decimal("4.2")), "patient 1 month female 4.2 kg"),
        (Remark(text="bag\x1b[2Jleft"), "remark (unparsed): bag\N{REPLACEMENT CHARACTER}[2Jleft"),
    ],
)  # fmt: skip
def test_one_event_of_every_kind_as_written(event: Event, text: str) -> None:
    assert written(event) == text


@settings(deadline=None)
@given(events())
def test_every_event_is_one_printable_line_without_error_prone_designations(event: Event) -> None:
    text = written(event)
    assert text
    assert text.isprintable()
    assert text == " ".join(text.split())
    # Trailing zero, missing leading zero, unit letters: check-values 6.2.
    assert not re.search(r"\d\.\d*0\b|(?<!\d)\.\d|\d ?U\b|µ|\bug\b|None|_|\[|\{", text)
