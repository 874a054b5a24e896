"""Conversions against published pairs, and strengths as amount per milliliter."""

from __future__ import annotations

from decimal import Decimal

import pytest

from voicelog.checks.units import canonical, celsius, glucose_mmol, kilopascals, per_ml


@pytest.mark.parametrize(("mg_dl", "mmol"), [(70, "3.886"), (126, "6.994"), (180, "9.991"), (400, "22.203")])
def test_glucose_conversion(mg_dl: int, mmol: str) -> None:
    """Molar mass 180.156 g/mol, secondary copy; pairs computed from it."""
    assert glucose_mmol(Decimal(mg_dl)).quantize(Decimal("0.001")) == Decimal(mmol)
    back, unit = canonical(Decimal(mmol), "mmol/L")
    assert (back.quantize(Decimal(1)), unit) == (Decimal(mg_dl), "mg/dL")


@pytest.mark.parametrize(
    ("fahrenheit", "cel"), [("95", "35.000"), ("98.6", "37.000"), ("100.4", "38.000"), ("104", "40.000")]
)
def test_fahrenheit_conversion(fahrenheit: str, cel: str) -> None:
    """(F - 32) x 5/9: doctorlib.org pharmacotherapy appendix."""
    assert celsius(Decimal(fahrenheit)).quantize(Decimal("0.001")) == Decimal(cel)


@pytest.mark.parametrize(("mm_hg", "kpa"), [(35, "4.666"), (40, "5.333"), (45, "5.999"), (100, "13.332")])
def test_kilopascal_conversion(mm_hg: int, kpa: str) -> None:
    """NIST SP 811 appendix B, from memory; 45 mmHg is 6.000 there by rounding 5.99949 up."""
    assert kilopascals(Decimal(mm_hg)).quantize(Decimal("0.001")) == Decimal(kpa)


@pytest.mark.parametrize(
    ("text", "amount"),
    [("1 mg/mL", "1 mg"), ("10 %", "100 mg"), ("50 %", "500 mg"), ("1000 [U]/mL", "1000 [U]"), ("4 mg/{spray}", None),
     ("0 mg/mL", None), (None, None), ("one", None)],
)  # fmt: skip
def test_strengths(text: str | None, amount: str | None) -> None:
    strength = per_ml(text)
    assert (f"{strength.amount} {strength.unit}" if strength else None) == amount
