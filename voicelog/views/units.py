"""Numbers and units as written, apart from the events, which a list of cases has no need of."""

from __future__ import annotations

from decimal import Decimal

_UNITS = {
    "mm[Hg]": "mmHg",
    "ug": "mcg",
    "[U]": "units",
    "Cel": "°C",
    "[degF]": "°F",
    "meq": "mEq",
    "{score}": "of 10",
    "{puff}": "puffs",
    "{spray}": "sprays",
    "{tablet}": "tablets",
    "{drop}": "drops",
}


def written_number(value: Decimal | int) -> str:
    """Without trailing zeros, with a leading zero, thousands marked: 0.3, 1, 1,200."""
    text = format(Decimal(value).normalize(), "f")
    whole, _, part = text.partition(".")
    grouped = f"{int(whole):,}" if len(whole) > 3 else whole
    return f"{grouped}.{part}" if part else grouped


def written_unit(unit: str | None) -> str:
    """A UCUM unit as printed."""
    if not unit:
        return ""
    first, slash, rest = unit.partition("/")
    return _UNITS.get(unit) or _UNITS.get(first, first) + slash + rest
