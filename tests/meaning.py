"""Compares what a sampled sentence means with what the parser made of it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from voicelog.drill.adapt.sampler import Sentence
from voicelog.events import event_fields
from voicelog.grammar.model import Grammar
from voicelog.parse.result import ParseResult

JOINED = {"description", "history", "quality", "allergy", "complaint"}
DERIVED = {"kind", "unit", "total", "age_unit", "action"}
"""Fields that may be set without being said: told by range, by the formulary, by the sum of the parts or by default."""
VOLUMES = {"mL", "L", "mL/kg", "mL/h"}
POUND_KG = Decimal("0.45359237")
"""NIST SP 811 appendix B, from memory."""


def meant(sentence: Sentence, grammar: Grammar) -> dict[str, Any] | None:
    """Event fields that the sentence says; None when it says two values for one field."""
    fields: dict[str, Any] = dict(sentence.event)
    said: dict[str, Any] = {}
    for name, value in sentence.fields:
        if name == "said_flag":
            continue
        for target in ("left_mm", "right_mm") if name == "both_mm" else (name,):
            if target in JOINED and target in said:
                said[target] = f"{said[target]}, {value}"
            elif target in said and said[target] != value:
                return None
            else:
                said[target] = value
    fields |= said
    if fields.get("said_weight_unit") == "lb":
        fields["weight_kg"] = (fields["weight_kg"] * POUND_KG).quantize(Decimal("0.1"))
    if fields.get("age_unit") == "week":
        fields |= {"age": fields["age"] * 7, "age_unit": "day"}
    if "said_strength" in fields:
        amount = (fields["said_strength"] / fields.get("said_strength_ml", 1)).normalize()
        strength = f"{amount:f} {fields['said_strength_unit']}"
        if fields.setdefault("concentration", strength) != strength:
            return None
    drug = grammar.drugs.get(fields.get("drug", ""))
    if drug and set(drug.units) <= VOLUMES and "dose" not in fields and "volume_ml" in fields:
        fields |= {"dose": fields.pop("volume_ml"), "unit": "mL"}
    return {name: _plain(value) for name, value in fields.items() if not name.startswith("said_")}


def wrong_values(sentence: Sentence, result: ParseResult, grammar: Grammar) -> list[str]:
    """Every value in the result's events that the sentence does not say, and every one that it says and they lack."""
    wanted = meant(sentence, grammar)
    if not result.drafts:
        return []
    if wanted is None:
        return ["the sentence contradicts itself and was entered"]
    wrong = []
    found: dict[str, Any] = {}
    for draft in result.drafts:
        fields = {name: _plain(value) for name, value in event_fields(draft.event).items()}
        found |= fields
        wrong += [
            f"{name} is {value!r}, said was {wanted.get(name)!r}"
            for name, value in fields.items()
            if (name in wanted and wanted[name] != value) or (name not in wanted and name not in DERIVED)
        ]
    lost = wanted.keys() - found.keys() if result.outcome == "events" else set()
    return wrong + [f"{name} was lost" for name in sorted(lost)]


def _plain(value: Any) -> Any:
    if isinstance(value, bool):
        return value
    if value in ("true", "false"):
        return value == "true"
    if isinstance(value, (int, Decimal)):
        return format(Decimal(value).normalize(), "f")
    return value
