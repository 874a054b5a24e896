"""Any event that the types allow, for property tests of wording and labels."""

from __future__ import annotations

from decimal import Decimal
from typing import get_args

from hypothesis import strategies as st

from voicelog.dialogue.wording import spoken_unit
from voicelog.events import (
    Assessment,
    Event,
    Finding,
    Medication,
    Milestone,
    MilestoneName,
    Patient,
    Procedure,
    ProcedureName,
    Remark,
    Route,
    Sign,
    VitalSign,
)
from voicelog.grammar.formulary import DOSE_UNITS

SIGN_UNITS = {
    "heart_rate": ["/min"],
    "respiratory_rate": ["/min"],
    "oxygen_saturation": ["%"],
    "end_tidal_co2": ["mm[Hg]", "kPa"],
    "blood_glucose": ["mg/dL", "mmol/L"],
    "temperature": ["Cel", "[degF]"],
    "pain_score": ["{score}"],
}


def unit_words(unit: str, value: Decimal) -> str:
    """The words of a unit beside a value."""
    return spoken_unit(unit, value)


def maybe(strategy: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | strategy


numbers = st.decimals(min_value=0, max_value=10_000, places=3)
wholes = st.integers(0, 300)
terms = st.sampled_from(["pale", "left thigh", "weak", "clear", "chest pain"])
times = st.sampled_from(["00:00", "09:05", "14:50", "23:59"])


@st.composite
def vital_signs(draw: st.DrawFn) -> VitalSign:
    sign = draw(st.sampled_from(get_args(Sign)))
    if sign == "blood_pressure":
        palpated = draw(st.booleans())
        diastolic = None if palpated else draw(wholes)
        return VitalSign(
            sign=sign, systolic=draw(wholes), diastolic=diastolic, palpated=palpated or None, unit="mm[Hg]"
        )
    return VitalSign.model_validate(
        {
            "sign": sign,
            "value": draw(numbers),
            "unit": draw(st.sampled_from(SIGN_UNITS[sign])),
            "quality": draw(maybe(terms)),
            "oxygen": draw(maybe(st.sampled_from(["room_air", "supplemental"]))),
            "stated_time": draw(maybe(times)),
        }
    )


@st.composite
def medications(draw: st.DrawFn) -> Medication:
    return Medication.model_validate(
        {
            "drug": draw(st.sampled_from(["epinephrine", "albuterol with ipratropium"])),
            "dose": draw(maybe(numbers)),
            "unit": draw(st.sampled_from(DOSE_UNITS)),
            "volume_ml": draw(maybe(numbers)),
            "concentration": draw(maybe(st.sampled_from(["1 mg/mL", "10 %", "0.1 mg/mL", "50 ug/mL"]))),
            "route": draw(maybe(st.sampled_from(get_args(Route)))),
            "site": draw(maybe(terms)),
            "action": draw(st.sampled_from(["given", "prepared", "wasted", "not_given"])),
            "stated_time": draw(maybe(times)),
        }
    )


@st.composite
def assessments(draw: st.DrawFn) -> Assessment:
    """Each finding with the fields that its phrases fill."""
    finding = draw(st.sampled_from(get_args(Finding)))
    fields: dict[str, object] = {"finding": finding}
    match finding:
        case "responsiveness":
            fields["level"] = draw(st.sampled_from(["alert", "verbal", "pain", "unresponsive"]))
        case "glasgow_coma_scale":
            fields |= {name: draw(maybe(st.integers(1, 6))) for name in ("eye", "verbal", "motor")}
            fields["total"] = draw(st.integers(3, 15))
        case "pupils":
            fields |= {name: draw(maybe(st.integers(1, 9))) for name in ("left_mm", "right_mm")}
            fields |= {name: draw(maybe(st.booleans())) for name in ("equal", "reactive")}
            fields["appearance"] = draw(maybe(terms))
        case "breath_sounds":
            fields |= {"sound": draw(terms), "side": draw(maybe(st.sampled_from(["left", "right", "both"])))}
        case _:
            fields["description"] = draw(terms)
    return Assessment.model_validate(fields)


@st.composite
def procedures(draw: st.DrawFn) -> Procedure:
    return Procedure.model_validate(
        {
            "procedure": draw(st.sampled_from(get_args(ProcedureName))),
            "action": draw(st.sampled_from(["started", "stopped", "resumed", "done"])),
            "flow_lpm": draw(maybe(numbers)),
            "device": draw(maybe(st.sampled_from(["nasal_cannula", "non_rebreather_mask"]))),
            "energy_j": draw(maybe(wholes)),
            "gauge": draw(maybe(st.integers(12, 26))),
            "site": draw(maybe(terms)),
        }
    )


@st.composite
def patients(draw: st.DrawFn) -> Patient:
    return Patient.model_validate(
        {
            "age": draw(maybe(st.integers(0, 120))),
            "age_unit": draw(maybe(st.sampled_from(["year", "month", "day"]))),
            "sex": draw(maybe(st.sampled_from(["female", "male"]))),
            "weight_kg": draw(maybe(numbers)),
            "complaint": draw(maybe(terms)),
            "allergy": draw(maybe(st.sampled_from(["penicillin", "no known allergies"]))),
            "history": draw(maybe(terms)),
        }
    )


def events() -> st.SearchStrategy[Event]:
    """Any event of any kind."""
    milestones = st.builds(Milestone, milestone=st.sampled_from(get_args(MilestoneName)))
    remarks = st.builds(Remark, text=st.just("mother has the bag"))
    return st.one_of(vital_signs(), medications(), assessments(), procedures(), patients(), milestones, remarks)
