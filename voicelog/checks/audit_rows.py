"""The rows by which a record counts as complete: what it must hold, and what its entries must tell."""

from __future__ import annotations

from typing import Annotated, Literal, Self, get_args, get_origin

from pydantic import BaseModel, Field, model_validator

from voicelog.checks.rows import Above, Row
from voicelog.events import Assessment, DrugAction, Medication, Milestone, Patient, Procedure, Remark, Sign, VitalSign

Kind = Literal["vital_sign", "medication", "assessment", "procedure", "patient", "milestone", "remark"]
_MODELS: dict[Kind, type[BaseModel]] = {
    "vital_sign": VitalSign,
    "medication": Medication,
    "assessment": Assessment,
    "procedure": Procedure,
    "patient": Patient,
    "milestone": Milestone,
    "remark": Remark,
}
_Names = Annotated[tuple[str, ...], Field(min_length=1)]


class Required(Row):
    """One thing that the record must hold: an entry of a kind whose field is set, is one of some, or contains words."""

    kind: Kind
    field: str
    is_one_of: tuple[str, ...] = ()
    """Values of the field that count; empty for any."""
    contains: str = ""
    """Words that the field must contain, as for a notification that was noted as a remark."""
    if_given: tuple[str, ...] = ()
    """Only where one of these drugs was given; empty for every record."""

    @model_validator(mode="after")
    def _known(self) -> Self:
        _check_fields(self.kind, (self.field,))
        choices = _choices(_MODELS[self.kind].model_fields[self.field].annotation)
        wrong = [value for value in self.is_one_of if choices and value not in choices]
        if wrong:
            raise ValueError(f"{self.field} can never be {', '.join(wrong)}")
        return self


class RequiredFields(Row):
    """What every entry of a kind must tell."""

    kind: Kind
    fields: _Names
    """Each set; alternatives are written with a stroke: ``dose|volume_ml``."""
    action: DrugAction | Literal["started", "stopped", "resumed", "done", ""] = ""
    """Only entries with this action; empty for all."""
    drugs: tuple[str, ...] = ()
    """Only entries about these drugs; empty for all."""

    @model_validator(mode="after")
    def _known(self) -> Self:
        _check_fields(self.kind, tuple(part for text in self.fields for part in text.split("|")))
        return self


class RequiredSet(Row):
    """Vital signs that must be measured, so many times."""

    signs: Annotated[tuple[Sign, ...], Field(min_length=1)]
    times: Annotated[int, Field(ge=1, le=20)]
    if_longer_min: Above | None = None
    """Only where the record goes on for longer than this after the first of them, minutes; None for every record."""


class RequiredResponse(Row):
    """Values of which at least one must be measured again after a drug."""

    signs: Annotated[tuple[Sign, ...], Field(min_length=1)]
    within_min: Above
    """Missing once this much of the record went by after the dose without one."""
    drugs: tuple[str, ...] = ()
    """Empty for every drug."""
    besides: tuple[str, ...] = ()
    """Drugs it is not about."""


class RequiredRemainder(Row):
    """Drugs of which all that was prepared must be given, wasted or otherwise told."""

    drugs: tuple[str, ...] = ()
    """Empty for every drug."""
    besides: tuple[str, ...] = ()
    """Drugs it is not about."""


def _choices(annotation: object) -> set[object]:
    """The closed set of values of a field; empty where any text will do."""
    parts = get_args(annotation)
    if get_origin(annotation) is Literal:
        return set(parts)
    return {choice for part in parts for choice in _choices(part)}


def _check_fields(kind: Kind, names: tuple[str, ...]) -> None:
    known = _MODELS[kind].model_fields
    wrong = [name for name in names if name not in known]
    if wrong:
        raise ValueError(f"{kind} has no {', '.join(wrong)}; it has {', '.join(sorted(set(known) - {'kind'}))}")
