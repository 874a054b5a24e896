"""Vital signs that are more often misheard than measured: they stand only after a spoken confirm."""

from __future__ import annotations

from decimal import Decimal

# (lowest, highest) that needs no confirm, by sign and UCUM unit. Common practice, no source: wide enough for the very
# sick of any age, and nothing is refused, only asked about.
_USUAL: dict[tuple[str, str], tuple[int, int]] = {
    ("heart_rate", "/min"): (10, 250),
    ("respiratory_rate", "/min"): (4, 80),
    ("oxygen_saturation", "%"): (50, 100),
    ("temperature", "Cel"): (25, 43),
    ("temperature", "[degF]"): (77, 110),
    ("blood_pressure", "mm[Hg]"): (40, 260),
}


def implausible(sign: str, unit: str | None, value: Decimal | int) -> bool:
    """Whether a value lies outside what its sign usually is; False where no usual range is known.

    Args:
        sign: a vital sign of the record.
        unit: its UCUM unit, None when it has but one.
        value: the value; for a blood pressure the systolic one.
    """
    spans = [span for (known, of), span in _USUAL.items() if known == sign and unit in {None, of}]
    return any(not low <= value <= high for low, high in spans)
