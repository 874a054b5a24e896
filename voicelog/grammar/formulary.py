"""The formulary: rows of drugs as the crew's medical director keeps them, read and checked."""

from __future__ import annotations

import typing
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

from voicelog.errors import GrammarError
from voicelog.events import Route
from voicelog.grammar.model import DRUG_LIST, DoseLimit, Drug, Place, ValueList
from voicelog.grammar.net import Values
from voicelog.grammar.template import TemplateError, parse_template

_KEYS = {
    "name", "names", "usual_unit", "units", "routes", "concentrations", "named_concentrations", "ask_above", "rxnorm",
    "source", "date",
}  # fmt: skip
ROUTES: tuple[str, ...] = typing.get_args(Route)
DOSE_UNITS = (
    "mg", "ug", "g", "mL", "L", "meq", "mmol", "[U]", "L/min", "mg/kg", "ug/kg", "mL/kg", "[U]/kg", "ug/min",
    "ug/kg/min", "mg/min", "mg/h", "mL/h", "{puff}", "{spray}", "{tablet}", "{drop}",
)  # fmt: skip
"""UCUM codes a dose may have."""


def drug_from(key: str, table: dict[str, Any], place: Place) -> Drug:
    """One row of the formulary.

    Raises:
        GrammarError: for a missing source or date, an unknown unit or route, or a limit that is not positive.
    """

    def refuse(message: str, hint: str) -> GrammarError:
        return GrammarError(f"[drug.{key}] {message}", hint, file=place.file, line=place.line)

    unknown = sorted(set(table) - _KEYS)
    if unknown:
        raise refuse(f"has an unknown key {unknown[0]!r}", f"keys are {', '.join(sorted(_KEYS))}")
    for needed in ("names", "units", "routes", "source", "date"):
        if not table.get(needed):
            raise refuse(f"needs {needed}", "every row says how it is spoken, its units, routes, source and date")
    for texts in ("names", "units", "routes", "concentrations"):
        if not _are_texts(table.get(texts, [])):
            raise refuse(f"{texts} is no list of texts", f'write {texts} = ["..."]')
    named = table.get("named_concentrations", {})
    if not isinstance(named, dict) or not _are_texts([*named, *named.values()]):
        raise refuse("named_concentrations is no table of texts", 'write named_concentrations = {"d ten" = "10 %"}')
    for text in ("name", "usual_unit", "rxnorm", "source"):
        if not isinstance(table.get(text, ""), str):
            raise refuse(f"{text} is no text", f'write {text} = "..."')
    for unit in [*table["units"], *([table["usual_unit"]] if "usual_unit" in table else [])]:
        if unit not in DOSE_UNITS:
            raise refuse(f"unknown unit {unit!r}", f"units are {', '.join(DOSE_UNITS)}")
    if "usual_unit" in table and table["usual_unit"] not in table["units"]:
        raise refuse("usual_unit is not one of its units", "add it to units")
    for route in table["routes"]:
        if route not in ROUTES:
            raise refuse(f"unknown route {route!r}", f"routes are {', '.join(ROUTES)}")
    limits = []
    rows = table.get("ask_above", [])
    for row in rows if isinstance(rows, list) else [rows]:
        limit = _limit(row)
        if limit is None:
            raise refuse(f"ask_above {row} is not a limit", 'write {dose = 1, unit = "mg", route = "intravenous"}')
        limits.append(limit)
    return Drug(
        name=table.get("name", key.replace("_", " ")),
        spoken=tuple(table["names"]),
        units=tuple(table["units"]),
        usual_unit=table.get("usual_unit"),
        routes=tuple(table["routes"]),
        concentrations=tuple(table.get("concentrations", ())),
        named_concentrations=dict(table.get("named_concentrations", {})),
        ask_above=tuple(limits),
        rxnorm=table.get("rxnorm"),
        source=table["source"],
        date=str(table["date"]),
        place=place,
    )


def _are_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _limit(row: object) -> DoseLimit | None:
    """A limit of a row, or None when it is none."""
    if not isinstance(row, dict) or row.keys() - {"dose", "unit", "route"}:
        return None
    dose, unit, route = row.get("dose"), row.get("unit"), row.get("route")
    if isinstance(dose, bool) or not isinstance(dose, int | Decimal):
        return None
    dose = Decimal(dose)
    if not dose.is_finite() or dose <= 0 or unit not in DOSE_UNITS or route not in (None, *ROUTES):
        return None
    return DoseLimit(dose, str(unit), route)


def drug_list(drugs: Iterable[Drug]) -> ValueList:
    """Every spoken drug name as one closed list, ``<drug>``.

    Raises:
        GrammarError: for a name that two drugs share, or one that is not a template.
    """
    items = []
    owner: dict[str, str] = {}
    for drug in drugs:
        named: list[tuple[str, Values]] = [(form, (("drug", drug.name),)) for form in drug.spoken]
        named += [
            (form, (("drug", drug.name), ("concentration", strength)))
            for form, strength in drug.named_concentrations.items()
        ]
        for form, values in named:
            if owner.setdefault(form, drug.name) != drug.name:
                raise GrammarError(
                    f"{form!r} names both {owner[form]} and {drug.name}",
                    "a spoken name may mean one drug only",
                    file=drug.place.file,
                    line=drug.place.line,
                )
            try:
                items.append((values, parse_template(form)))
            except TemplateError as error:
                raise GrammarError(
                    f"[{drug.name}] {form!r}: {error.message}", error.hint, file=drug.place.file, line=drug.place.line
                ) from error
    return ValueList(DRUG_LIST, "drug", tuple(items), Place(Path()))
