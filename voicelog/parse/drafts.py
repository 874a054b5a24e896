"""From the captures of one phrase to a draft event, or to the question that must be asked first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from pydantic import ValidationError

from voicelog.checks.doses import limit_passed
from voicelog.checks.ranges import implausible
from voicelog.events import Evidence, Medication, event_from
from voicelog.grammar.model import Drug
from voicelog.grammar.numbers import value_of
from voicelog.parse.alike import set_apart
from voicelog.parse.reading import Capture, Edge
from voicelog.parse.result import Context, Draft, Question
from voicelog.recognisers.base import Word

POUND_KG = Decimal("0.45359237")
"""Kilograms in a pound, exact: NIST SP 811 appendix B, from memory."""
_JOINED = {"description", "history", "quality", "allergy", "complaint"}
"""Fields in which several findings of one breath stand side by side."""


_NUMBERS = {"dose", "volume_ml"}
"""Fields in which a constant of the grammar files is a number."""


_LABEL = {"expiry", "lot", "appearance", "checked_by"}
"""What is read off a vial; where it is said, no dose need be."""
_ACTS = {"given", "prepared"}
"""Acts by which a dose reaches the patient, or soon may."""


@dataclass
class Fields:
    """The fields of an event in the making."""

    values: dict[str, Any]
    evidence: dict[str, Evidence]
    flags: list[str]

    def note(self, field: str, repair: str) -> None:
        """Say in the evidence where a value that was not spoken comes from."""
        known = self.evidence.get(field)
        self.evidence[field] = Evidence(
            words=known.words if known else "",
            start=known.start if known else None,
            end=known.end if known else None,
            repair=repair,
        )


def draft_of(edge: Edge, words: Sequence[Word], drugs: Mapping[str, Drug], context: Context) -> Draft | Question:
    """The event of one phrase with its evidence, or what must be asked before there is one."""
    fields = Fields(dict(edge.phrase.event), {}, [])
    said = " ".join(word.text for word in words[edge.start : edge.end])
    for capture in edge.captures:
        question = _take(fields, capture, words, said)
        if question:
            return question
    if any(capture.repair for capture in edge.captures):
        fields.flags.append("label_repaired")
    return _completed(fields, said, drugs, context)


def completed(
    values: Mapping[str, Any], evidence: Mapping[str, Evidence], drugs: Mapping[str, Drug]
) -> Draft | Question:
    """An event from fields gathered over several utterances, checked as if said in one.

    Args:
        values: event fields with ``kind``; values as Decimal, text or bool.
        evidence: field name to the words it came from.
    """
    fields = Fields(dict(values), dict(evidence), [])
    return _completed(fields, "that", drugs, Context())


def _completed(fields: Fields, said: str, drugs: Mapping[str, Drug], context: Context) -> Draft | Question:
    question = _COMPLETE.get(str(fields.values["kind"]), _nothing)(fields, drugs, context)
    if question:
        return question
    fields.values = {name: value for name, value in fields.values.items() if not name.startswith("said_")}
    try:
        event = event_from(fields.values | {"evidence": fields.evidence})
    except ValidationError as error:
        wrong = str(error.errors()[0]["loc"][-1])
        return Question("value", f"{said}: {wrong.replace('_', ' ')} is not clear. Say again.", **_kept(fields))
    draft = Draft(event, tuple(dict.fromkeys(fields.flags)))
    return set_apart(draft, drugs[event.drug]) if isinstance(event, Medication) else draft


def _evidence(words: Sequence[Word], capture: Capture) -> Evidence:
    span = words[capture.start : capture.end]

    def seconds(value: float | None) -> Decimal | None:
        return None if value is None else Decimal(str(round(value, 3)))

    return Evidence(
        words=" ".join(word.text for word in span),
        start=seconds(span[0].start) if span else None,
        end=seconds(span[-1].end) if span else None,
        repair=capture.repair or None,
    )


def _take(fields: Fields, capture: Capture, words: Sequence[Word], said: str) -> Question | None:
    """File one capture; ask when it is out of range or speaks against one before it."""
    name, value = capture.field, capture.value
    if not name:
        fields.evidence["label"] = _evidence(words, capture)
        return None
    if name == "said_flag":
        fields.flags.append(str(value))
        return None
    if capture.out_of_range:
        label = (str(fields.values["sign"]) if name == "value" else name.removeprefix("said_")).replace("_", " ")
        return Question("value", f"{said}: {value} is out of range for {label}. Say again.", **_kept(fields))
    targets = ("left_mm", "right_mm") if name == "both_mm" else (name,)
    for target in targets:
        if target in _JOINED and target in fields.values:
            fields.values[target] = f"{fields.values[target]}, {value}"
            old = fields.evidence[target]
            new = _evidence(words, capture)
            fields.evidence[target] = Evidence(words=f"{old.words} {new.words}", start=old.start, end=new.end)
            continue
        if target in fields.evidence and str(fields.values[target]) != str(value):
            return Question(
                target,
                f"{said}: {fields.values[target]} or {value}? Say again.",
                **_kept(fields),
                contradicts=True,
            )
        fields.values[target] = _constant(target, value)
        fields.evidence[target] = _evidence(words, capture)
    return None


def _constant(field: str, value: str | Decimal) -> Any:
    """A value as the event wants it: constants of the grammar files are text."""
    if isinstance(value, str) and field in _NUMBERS:
        return value_of(value.split())
    return {"true": True, "false": False}.get(str(value), value)


def _kept(fields: Fields) -> dict[str, Any]:
    """What a question keeps for its answer."""
    understood = {name: value for name, value in fields.values.items() if not name.startswith("said_")}
    return {"understood": understood, "evidence": dict(fields.evidence)}


def _nothing(fields: Fields, drugs: Mapping[str, Drug], context: Context) -> Question | None:
    return None


def _vital_sign(fields: Fields, drugs: Mapping[str, Drug], context: Context) -> Question | None:
    """Settle the unit, then flag what is more often misheard than measured."""
    values = fields.values
    question = _measured(fields)
    value = values.get("systolic", values.get("value"))
    if question is None and value is not None and implausible(values["sign"], values.get("unit"), value):
        fields.flags.append("implausible")
    return question


def _measured(fields: Fields) -> Question | None:
    """Settle the unit of a measurement, or ask."""
    values = fields.values
    match values["sign"]:
        case "blood_pressure":
            return _pressure(fields)
        case "blood_glucose" if "unit" not in values:
            # mmol/L runs to about 35, mg/dL starts about there: below 36 the number cannot say which it is.
            if values["value"] < 36:
                return Question("unit", f"glucose {values['value']}: milligrams or millimoles?", **_kept(fields))
            values["unit"] = "mg/dL"
            fields.note("unit", "told by range: millimoles do not reach it")
        case "temperature" if "unit" not in values:
            if 45 < values["value"] <= 75:
                return Question("unit", f"temperature {values['value']}: celsius or fahrenheit?", **_kept(fields))
            values["unit"] = "Cel" if values["value"] <= 45 else "[degF]"
            fields.note("unit", "told by range")
        case "end_tidal_co2" if "unit" not in values:
            # 10 and below may be kilopascals (NEMSIS 3.5.1 schematron e131 to e134 tell the units apart by size).
            if values["value"] <= 10:
                return Question(
                    "unit", f"end tidal {values['value']}: millimeters of mercury or kilopascals?", **_kept(fields)
                )
            values["unit"] = "mm[Hg]"
            fields.note("unit", "told by range")
    return None


def _pressure(fields: Fields) -> Question | None:
    values = fields.values
    if values.get("palpated"):
        return None
    systolic = values.get("systolic")
    if "said_diastolic" in values:
        # "one twenty" is no pressure of 1 over 20: the other way to read it is asked about.
        silly = implausible("blood_pressure", values["unit"], values["systolic"])
        both = f"{systolic} over {values['said_diastolic']}"
        return Question("diastolic", f"pressure {both}? Say it with over.", **_kept(fields), contradicts=silly)
    if "diastolic" not in values:
        return Question("diastolic", f"pressure {systolic} over what?", **_kept(fields))
    if values["diastolic"] >= systolic:
        return Question(
            "diastolic",
            f"pressure {systolic} over {values['diastolic']}: the lower is not below. Say again.",
            **_kept(fields),
        )
    return None


def _medication(fields: Fields, drugs: Mapping[str, Drug], context: Context) -> Question | None:
    values = fields.values
    values.setdefault("action", "given")
    labelled = values["action"] == "prepared" and values.keys() & _LABEL
    if "drug" not in values and context.last_drug and (labelled or values["action"] in {"wasted", "kept"}):
        values["drug"] = context.last_drug
        fields.note("drug", "the drug given last")
        fields.flags.append("drug_assumed")
    if "drug" not in values:
        return Question("drug", "which drug?", **_kept(fields))
    drug = drugs[values["drug"]]
    question = _strength(fields, drug)
    if question:
        return question
    if "dose" not in values and values.get("volume_ml") is not None and set(drug.units) <= {"mL", "L", "mL/kg", "mL/h"}:
        values["dose"], values["unit"] = values.pop("volume_ml"), "mL"
        fields.evidence["dose"] = fields.evidence.pop("volume_ml")
    unsaid = values.get("dose") is None and values.get("volume_ml") is None
    if unsaid and values["action"] != "not_given" and not labelled:
        return Question("dose", f"{drug.name}: what dose?", **_kept(fields))
    if values.get("dose") is not None:
        question = _dose(fields, drug)
        if question:
            return question
    if values["action"] == "given":
        if "route" not in values:
            fields.flags.append("route_missing")
        elif values["route"] not in drug.routes:
            fields.flags.append("route_unusual")
    return None


def _strength(fields: Fields, drug: Drug) -> Question | None:
    """File a strength said as number and unit; ask when two were said, flag one that the formulary does not have."""
    values = fields.values
    if "said_strength" in values:
        amount = values["said_strength"] / (values.get("said_strength_ml") or 1)
        said = f"{format(amount.normalize(), 'f')} {values['said_strength_unit']}"
        if values.setdefault("concentration", said) != said:
            text = f"{drug.name}: {values['concentration']} or {said}? Say again."
            return Question("concentration", text, **_kept(fields))
        fields.evidence["concentration"] = fields.evidence.pop("said_strength")
        for name in ("said_strength_unit", "said_strength_ml"):
            fields.evidence.pop(name, None)
    if drug.concentrations and values.get("concentration", drug.concentrations[0]) not in drug.concentrations:
        fields.flags.append("concentration_unusual")
    return None


def _dose(fields: Fields, drug: Drug) -> Question | None:
    values = fields.values
    if values["dose"] <= 0:
        return Question("dose", f"{drug.name}: a dose of zero? Say again.", **_kept(fields))
    if "unit" not in values:
        if drug.usual_unit is None:
            return Question("unit", f"{drug.name} {values['dose']}: which unit?", **_kept(fields))
        values["unit"] = drug.usual_unit
        fields.note("unit", "the only usual unit in the formulary")
        fields.flags.append("unit_assumed")
    elif values["unit"] not in drug.units:
        fields.flags.append("unit_unusual")
    if values["action"] in _ACTS and limit_passed(drug, values["dose"], values["unit"], values.get("route")):
        fields.flags.append("dose_above_limit")
    return None


def _assessment(fields: Fields, drugs: Mapping[str, Drug], context: Context) -> Question | None:
    values = fields.values
    if values["finding"] != "glasgow_coma_scale":
        return None
    # Ranges of the parts: NEMSIS v3.5.1 eVitals.19 to .21, total eVitals.23.
    for part, high in (("eye", 4), ("verbal", 5), ("motor", 6)):
        if part in values and not 1 <= values[part] <= high:
            return Question("value", f"coma scale {part} {values[part]} is out of range. Say again.", **_kept(fields))
    if {"eye", "verbal", "motor"} <= values.keys():
        total = values["eye"] + values["verbal"] + values["motor"]
        if values.setdefault("total", total) != total:
            return Question(
                "value", f"coma scale parts make {total}, not {values['total']}. Say again.", **_kept(fields)
            )
        if "total" not in fields.evidence:
            fields.note("total", "the sum of its parts")
    if not 3 <= values["total"] <= 15:
        return Question("value", f"coma scale {values['total']} is out of range. Say again.", **_kept(fields))
    return None


def _patient(fields: Fields, drugs: Mapping[str, Drug], context: Context) -> Question | None:
    values = fields.values
    if values.get("said_weight_unit") == "lb":
        values["weight_kg"] = (values["weight_kg"] * POUND_KG).quantize(Decimal("0.1"))
        fields.note("weight_kg", "pounds to kilograms")
    if values.get("age_unit") == "week":
        values["age"], values["age_unit"] = values["age"] * 7, "day"
        fields.note("age", "weeks to days")
    if "age" in values and "age_unit" not in values:
        values["age_unit"] = "year"
        fields.note("age_unit", "an age without a unit is in years")
        fields.flags.append("unit_assumed")
    return None


_COMPLETE: dict[str, Callable[[Fields, Mapping[str, Drug], Context], Question | None]] = {
    "vital_sign": _vital_sign,
    "medication": _medication,
    "assessment": _assessment,
    "patient": _patient,
}
