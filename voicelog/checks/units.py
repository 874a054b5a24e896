"""Conversions between units of vital signs, and strengths as amount per milliliter."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

MG_DL_PER_MMOL = Decimal("18.0156")
"""mg/dL of glucose in one mmol/L: the molar mass of C6H12O6 is 180.156 g/mol (secondary copy; 18 is also common)."""
MM_HG_KPA = Decimal("0.133322")
"""Kilopascals in one millimeter of mercury: NIST SP 811 appendix B, from memory."""
MG_PER_ML_PER_PERCENT = Decimal(10)
"""A solution of one percent holds one gram in 100 milliliters, by definition."""
_STRENGTH = re.compile(r"(\d{1,9}(?:\.\d{1,9})?) (%|([^/ ]+)/mL)")


@dataclass(frozen=True)
class PerMl:
    """A strength."""

    amount: Decimal
    """In the unit, for each milliliter; above zero."""
    unit: str
    """UCUM: mg, ug, g, [U], meq."""


def celsius(fahrenheit: Decimal) -> Decimal:
    """Degrees Celsius of degrees Fahrenheit: (F - 32) x 5/9."""
    return (fahrenheit - 32) * 5 / 9


def glucose_mmol(mg_dl: Decimal) -> Decimal:
    """mmol/L of a glucose in mg/dL: divided by 18.0156."""
    return mg_dl / MG_DL_PER_MMOL


def kilopascals(mm_hg: Decimal) -> Decimal:
    """kPa of a pressure in mm[Hg]: times 0.133322."""
    return mm_hg * MM_HG_KPA


def canonical(value: Decimal | int, unit: str | None) -> tuple[Decimal, str | None]:
    """A measured value in the unit that limits are written in: Cel, mg/dL, mm[Hg]; any other as it is."""
    amount = Decimal(value)
    match unit:
        case "[degF]":
            return celsius(amount), "Cel"
        case "mmol/L":
            return amount * MG_DL_PER_MMOL, "mg/dL"
        case "kPa":
            return amount / MM_HG_KPA, "mm[Hg]"
        case _:
            return amount, unit


def from_canonical(value: Decimal, unit: str | None) -> Decimal:
    """A value in the unit that limits are written in, in another unit: the way back of ``canonical``."""
    match unit:
        case "[degF]":
            return value * 9 / 5 + 32
        case "mmol/L":
            return glucose_mmol(value)
        case "kPa":
            return kilopascals(value)
        case _:
            return value


def per_ml(concentration: str | None) -> PerMl | None:
    """A recorded strength, ``1 mg/mL`` or ``10 %``, as amount per milliliter; None for any other, and for zero."""
    found = _STRENGTH.fullmatch(concentration or "")
    if not found or not Decimal(found.group(1)):
        return None
    if found.group(2) == "%":
        return PerMl(Decimal(found.group(1)) * MG_PER_ML_PER_PERCENT, "mg")
    return PerMl(Decimal(found.group(1)), found.group(3))
