"""The exports that the page offers: each as bytes to save, with what could not be told in it."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError
from voicelog.grammar.model import Drug


@dataclass(frozen=True)
class Format:
    """One way out of voicelog."""

    told: str
    """What the button says."""
    media: str
    """Its media type."""
    ending: str
    """Of the saved file's name."""


FORMATS: Mapping[str, Format] = {
    "fhir": Format("HL7 FHIR", "application/fhir+json", "fhir.json"),
    "nemsis": Format("NEMSIS", "application/xml", "xml"),
    "csv": Format("Table (CSV)", "text/csv; charset=utf-8", "csv"),
    "jsonl": Format("Lines (JSONL)", "application/jsonl", "jsonl"),
    "sqlite": Format("Copy of the case file", "application/vnd.sqlite3", "voicelog"),
    "parquet": Format("Tables (Parquet)", "application/zip", "parquet.zip"),
}
"""The formats of ``voicelog export``, by the name that ``--to`` gives them."""


def formats_here() -> dict[str, Format]:
    """Those that what is installed here can write."""
    return {to: one for to, one in FORMATS.items() if to != "parquet" or find_spec("pyarrow")}


@dataclass(frozen=True)
class NemsisRules:
    """What a NEMSIS document is made by, beside the case."""

    details: Mapping[str, str] = field(default_factory=dict)
    """Element to value, for what no callout says."""
    schema: Any = None
    """The official schemas, compiled; None leaves a document unchecked against them."""


def exported(path: Path, to: str, drugs: Mapping[str, Drug], nemsis: NemsisRules) -> tuple[bytes, Sequence[str]]:
    """A case in a format, and what is to be told of it.

    Raises:
        VoicelogError: the format cannot hold the case, or the case cannot be read.
    """
    if to == "sqlite":
        return _copy(path), ()
    if to == "parquet":
        return _tables(path), ()
    from voicelog.exports.csv_rows import csv_text
    from voicelog.exports.fhir import fhir_text
    from voicelog.exports.jsonl import jsonl_lines
    from voicelog.exports.nemsis import nemsis_document
    from voicelog.exports.source import record_of

    rxnorm = {name: drug.rxnorm for name, drug in drugs.items() if drug.rxnorm}
    with CaseFile.open(path) as case:
        problems = case.problems()
        record = record_of(path.name, list(case.entries()))
        if to == "csv":
            return csv_text(record).encode(), problems
        if to == "jsonl":
            return "".join(jsonl_lines(record.origin.case, record.entries, case.clip)).encode(), problems
    if to == "fhir":
        return fhir_text(record, rxnorm, problems).encode(), problems
    document = nemsis_document(record, rxnorm, nemsis.details, problems)
    if nemsis.schema is None:
        return document.text.encode(), (*document.remarks, "not checked against the official schemas: see --schemas")
    from voicelog.exports.nemsis_schema import check_schema

    check_schema(document.text, nemsis.schema)
    return document.text.encode(), document.remarks


def _copy(path: Path) -> bytes:
    from voicelog.exports.copies import copy_case

    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.voicelog"
        copy_case(path, copy)
        return copy.read_bytes()


def _tables(path: Path) -> bytes:
    """The tables of one case as files in folders, in one archive."""
    from voicelog.exports.parquet import write_parquet
    from voicelog.many.tables import tables_of

    made = tables_of([(1, path)], check=True)
    if made.left_out:
        raise CaseFileError("This case cannot be read into tables.", "See `voicelog audit`.")
    archive = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(archive, "w") as packed:
        out = Path(folder) / "tables"
        write_parquet(made.tables, out)
        for file in sorted(out.rglob("*.parquet")):
            packed.write(file, file.relative_to(out))
    return archive.getvalue()
