"""What a NEMSIS document must say and no callout does: the agency, the unit and the kind of call."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from voicelog.exports.source import ExportError

PLACEHOLDERS: dict[str, tuple[str, str]] = {
    "dAgency.01": ("not stated", "the agency's unique state ID"),
    "dAgency.02": ("not stated", "the agency's number"),
    "dAgency.04": ("00", "the agency's state, two digits; 00 is none"),
    "eResponse.01": ("not stated", "the agency's number"),
    "eResponse.05": ("2205001", "the type of service: emergency response in the primary area"),
    "eResponse.07": ("2207015", "what the unit is equipped for: ground transport, ALS"),
    "eResponse.13": ("not stated", "the vehicle's number"),
    "eResponse.14": ("not stated", "the unit's call sign"),
    "eResponse.23": ("2223001", "the response mode: emergent"),
    "eDispatch.01": ("2301051", "the reason for the dispatch: no other appropriate choice"),
    "eDisposition.27": ("4227001", "the unit's disposition: patient contact made"),
}
"""Mandatory element, which takes no Not Value, to what stands there unless details say otherwise, and what it means.
Codes: ``eResponse_v3.xsd``, ``eDispatch_v3.xsd`` and ``eDisposition_v3.xsd`` of v3.5.1."""
ALSO = ("eResponse.03", "eResponse.04", "eTimes.03", "eTimes.13")
"""Further elements that details may give: incident and response number, unit notified, unit back in service."""


def read_details(path: Path | None) -> dict[str, str]:
    """Element to value, from a TOML file with a line such as ``"eResponse.14" = "Medic 1"`` for each.

    Raises:
        ExportError: the file cannot be read, is no TOML, or names an element that it cannot give.
    """
    if path is None:
        return {}
    hint = 'Write a line like "eResponse.14" = "the call sign" for each element.'
    try:
        # A pipe would hang and a device never ends.
        if not path.is_file():
            raise ExportError(f"{path} is not a file.", hint)
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ExportError(f"Cannot read {path}: {' '.join(str(error).split())}.", hint) from error
    for name, value in table.items():
        if name not in PLACEHOLDERS and name not in ALSO:
            known = ", ".join([*PLACEHOLDERS, *ALSO])
            raise ExportError(f"{path}: {name} is not an element that details give.", f"They are {known}.")
        if not isinstance(value, str) or not value.strip():
            raise ExportError(f"{path}: the value of {name} is not a text in quotes.", hint)
    return {name: str(value) for name, value in table.items()}


def placeholder_remarks(details: Mapping[str, str]) -> list[str]:
    """A line for each placeholder that stands."""
    return [
        f"placeholder {name} = {value!r}: {meaning}; give it with --details before the document is sent"
        for name, (value, meaning) in PLACEHOLDERS.items()
        if name not in details
    ]
