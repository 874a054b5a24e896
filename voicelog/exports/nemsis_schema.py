"""A NEMSIS document against the official schemas, which the user names and voicelog never ships."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from voicelog.exports.source import ExportError

ROOT_SCHEMA = "EMSDataSet_v3.xsd"
_HINT = f"Name the folder of the official v3.5.1 schemas that holds {ROOT_SCHEMA}."

_PLACE = re.compile(r"(Element '[\w.]+'(?:, attribute '[^']+')?): ")
_FACET = re.compile(r"\[facet '(\w+)'\]")


def load_schema(folder: Path) -> Any:
    """The schema of EMSDataSet documents, compiled; nothing is fetched from anywhere.

    Raises:
        ExportError: the folder has no such schema, or lxml is not installed.
    """
    path = folder / ROOT_SCHEMA
    if not path.is_file():
        raise ExportError(f"There is no {ROOT_SCHEMA} in {folder}.", _HINT)
    try:
        from lxml import etree
    except ImportError as error:
        hint = "Install it with: pip install 'voicelog[nemsis]'"
        raise ExportError("Checking against the schemas needs lxml.", hint) from error
    try:
        return etree.XMLSchema(etree.parse(path, etree.XMLParser(no_network=True, resolve_entities=False)))
    except (etree.LxmlError, OSError) as error:
        raise ExportError(f"Cannot use {path}: {' '.join(str(error).split())}.", _HINT) from error


def check_schema(text: str, schema: Any) -> None:
    """Nothing, if a document keeps the schema.

    Raises:
        ExportError: it does not; says the first place.
    """
    from lxml import etree

    if schema.validate(etree.fromstring(text.encode("utf-8"))):
        return
    first = schema.error_log[0]
    hint = "Nothing was written; mend the --details, or export with --to jsonl, which keeps everything."
    message = " ".join(str(first.message).replace("{http://www.nemsis.org}", "").split())
    raise ExportError(f"The document does not keep the schema, line {first.line}: {_without_value(message)}", hint)


def _without_value(message: str) -> str:
    """What the validator says, without the value it quotes: that may be what somebody said of the patient."""
    place = _PLACE.match(message)
    if place is None:
        return "an element is not as it should be"
    if message.startswith(("This element is not expected", "Missing child element"), place.end()):
        return message
    facet = _FACET.match(message, place.end())
    return f"{place[1]} breaks {f'the facet {facet[1]}' if facet else 'the type'} of its value"
