"""Doses against the formulary's ask-above limits, across units of the same kind."""

from __future__ import annotations

from decimal import Decimal

from voicelog.grammar.model import DoseLimit, Drug

# Factors to the first unit of each group; doses compare only within a group.
_GROUPS: tuple[dict[str, Decimal], ...] = (
    {"ug": Decimal(1), "mg": Decimal(1000), "g": Decimal(1_000_000)},
    {"ug/kg": Decimal(1), "mg/kg": Decimal(1000)},
    {"ug/min": Decimal(1), "mg/min": Decimal(1000), "mg/h": Decimal(1000) / 60},
    {"mL": Decimal(1), "L": Decimal(1000)},
)


def in_unit(dose: Decimal, unit: str, wanted: str) -> Decimal | None:
    """The dose in another UCUM unit, or None when the units measure different things."""
    if unit == wanted:
        return dose
    for group in _GROUPS:
        if unit in group and wanted in group:
            return dose * group[unit] / group[wanted]
    return None


def limit_passed(drug: Drug, dose: Decimal, unit: str, route: str | None) -> DoseLimit | None:
    """The ask-above limit that a dose passes, or None.

    A limit for the route said stands before those without a route, which cover every other case.
    """
    fitting = [limit for limit in drug.ask_above if in_unit(dose, unit, limit.unit) is not None]
    limits = [limit for limit in fitting if route and limit.route == route] or [
        limit for limit in fitting if limit.route is None
    ]
    for limit in limits:
        compared = in_unit(dose, unit, limit.unit)
        if compared is not None and compared > limit.dose:
            return limit
    return None
