"""The protocol: rules with their numbers, sources and dates, read from TOML files that a medical director edits."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import ValidationError

from voicelog.checks import audit_rows, drug_rows, rows
from voicelog.checks.rows import AgeBand, Pacing, Row
from voicelog.errors import GrammarError
from voicelog.grammar.loader import MAX_FILE_BYTES, shipped_grammars
from voicelog.grammar.model import Drug, Place

FOLDER = "protocol"
"""The folder of a grammar directory that holds protocol files."""
SECTIONS: dict[str, type[Row]] = {
    "limit": rows.Limit,
    "age_band": rows.AgeBand,
    "change": rows.Change,
    "unit": rows.UnitDoubt,
    "rhythm_rate": rows.RhythmRate,
    "level_total": rows.LevelTotal,
    "moment": rows.Minutes,
    "tolerance": rows.Percent,
    "repeat": drug_rows.Repeat,
    "total": drug_rows.Total,
    "strength": drug_rows.Strength,
    "challenge": drug_rows.Challenge,
    "never_unit": drug_rows.NeverUnit,
    "thousandfold": drug_rows.Thousandfold,
    "caution": drug_rows.Caution,
    "allergy": drug_rows.Allergy,
    "per_kilogram": drug_rows.PerKilogram,
    "ventilated_before": rows.BeforeDrug,
    "resume_after": rows.ResumeAfter,
    "after_drug": rows.AfterDrug,
    "reassess": rows.Minutes,
    "unstable": rows.Unstable,
    "cycle": rows.Cycle,
    "pacing": rows.Pacing,
    "band": rows.Band,
    "score": rows.Fresh,
    "required": audit_rows.Required,
    "required_fields": audit_rows.RequiredFields,
    "required_set": audit_rows.RequiredSet,
    "required_response": audit_rows.RequiredResponse,
    "required_remainder": audit_rows.RequiredRemainder,
}
"""Section of a file -> what its rows are."""
_R = TypeVar("_R", bound=Row)


@dataclass(frozen=True)
class Protocol:
    """The rules in force, and the rows that were refused."""

    tables: Mapping[str, Mapping[str, Row]] = field(default_factory=dict)
    """Section -> name -> row."""
    digest: str = ""
    """SHA-256 over the files that were read."""
    refused: tuple[GrammarError, ...] = ()
    """Rows of local files that are wrong, with file, line and reason; the shipped row of that name is in force."""
    places: Mapping[tuple[str, str], Place] = field(default_factory=dict)
    """Section and name -> where the row in force stands."""

    def rows(self, section: str, kind: type[_R]) -> tuple[_R, ...]:
        """The rows of a section, in order of name."""
        table = self.tables.get(section, {})
        return tuple(row for _, row in sorted(table.items()) if isinstance(row, kind))

    def row(self, section: str, name: str, kind: type[_R]) -> _R | None:
        """One row, or None when the files have none of that name."""
        row = self.tables.get(section, {}).get(name)
        return row if isinstance(row, kind) else None

    def band(self, days: Decimal | None) -> AgeBand | None:
        """The age band of an age in days; None when the age is not known or in no band."""
        return None if days is None else next((b for b in self.rows("age_band", AgeBand) if b.covers(days)), None)

    def pacing(self, days: Decimal | None) -> Pacing | None:
        """The pacing row of an age in days; without an age the one of the grown, which has no upper age."""
        for row in self.rows("pacing", Pacing):
            last = None if row.below_age is None else rows.age_in_days(row.below_age)
            if days is None and last is None:
                return row
            if days is not None and rows.age_in_days(row.from_age) <= days and (last is None or days < last):
                return row
        return None


def load_protocol(*overlays: Path) -> Protocol:
    """The shipped protocol with the rows of overlay directories (``DIR/protocol/*.toml``) in place of those they name.

    A faulty row of an overlay is refused and listed; what was in force before it stays.

    Raises:
        GrammarError: a shipped file is faulty.
    """
    return read_protocol(shipped_grammars() / FOLDER, [directory / FOLDER for directory in overlays])


def read_protocol(shipped: Path, overlays: Sequence[Path] = ()) -> Protocol:
    """As `load_protocol`, from the protocol folders themselves; an overlay folder need not exist.

    Raises:
        GrammarError: a file of the shipped folder is faulty, or there is none.
    """
    tables: dict[str, dict[str, Row]] = {section: {} for section in SECTIONS}
    places: dict[tuple[str, str], Place] = {}
    digest = hashlib.sha256()
    faults = _merge(tables, places, shipped, digest)
    if faults:
        raise faults[0]
    if not any(tables.values()):
        raise GrammarError(f"no protocol files in {shipped}", "voicelog is not installed completely: install it again")
    refused = [fault for folder in overlays for fault in _merge(tables, places, folder, digest)]
    frozen = {section: MappingProxyType(named) for section, named in tables.items()}
    return Protocol(MappingProxyType(frozen), digest.hexdigest(), tuple(refused), MappingProxyType(places))


def unknown_drugs(protocol: Protocol, drugs: Mapping[str, Drug]) -> tuple[GrammarError, ...]:
    """What rows name that the formulary has not, each with its place: a rule about a misspelled drug never fires."""
    found = []
    hint = "the rule never fires; mend the name, or add the drug to a formulary file"
    for section, named in sorted(protocol.tables.items()):
        for name, row in sorted(named.items()):
            said = [getattr(row, "drug", None), *getattr(row, "drugs", ()), *getattr(row, "besides", ())]
            said += getattr(row, "if_given", ())
            wrong = [drug for drug in said if drug and drug not in drugs]
            place = protocol.places[section, name]
            found += [
                GrammarError(
                    f"[{section}.{name}] {drug!r} is not in the formulary", hint, file=place.file, line=place.line
                )
                for drug in wrong
            ]
    return tuple(found)


def _merge(
    tables: dict[str, dict[str, Row]], places: dict[tuple[str, str], Place], folder: Path, digest: hashlib._Hash
) -> list[GrammarError]:
    """Put the rows of a folder's files into the tables; what is wrong with them."""
    faults = []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
        try:
            if path.stat().st_size > MAX_FILE_BYTES:
                raise GrammarError("too large for a protocol file", "is this the right directory?", file=path)
            text = path.read_text(encoding="utf-8")
            digest.update(text.encode())
            read = tomllib.loads(text, parse_float=Decimal)
        except GrammarError as error:
            faults.append(error)
            continue
        except (OSError, UnicodeDecodeError) as error:
            faults.append(GrammarError(f"cannot be read: {error}", "check its permissions and encoding", file=path))
            continue
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"line (\d+)", str(error))
            line = int(found.group(1)) if found else len(text.splitlines())
            faults.append(GrammarError(f"not valid TOML: {error}", "mend the line shown", file=path, line=line))
            continue
        for section, named in read.items():
            faults += _take(tables, places, path, text, section, named)
    return faults


def _take(
    tables: dict[str, dict[str, Row]],
    places: dict[tuple[str, str], Place],
    path: Path,
    text: str,
    section: str,
    named: Any,
) -> list[GrammarError]:
    """Put the rows of one section into the tables; what is wrong with them."""
    kind = SECTIONS.get(section)
    if kind is None:
        hint = f"sections are {', '.join(sorted(SECTIONS))}"
        return [GrammarError(f"unknown section [{section}]", hint, file=path, line=_line_of(text, section))]
    if not isinstance(named, dict):
        hint = f"write [{section}.name]"
        return [GrammarError(f"[{section}] must hold named tables", hint, file=path, line=_line_of(text, section))]
    faults = []
    for name, table in named.items():
        try:
            if isinstance(table, dict) and "off" in table:
                tables[section].pop(_row(rows.Off, name, table).name, None)
                continue
            tables[section][name] = _row(kind, name, table)
            places[section, name] = Place(path, _line_of(text, f"{section}.{name}"))
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            why = first["msg"] if isinstance(table, dict) else "must be a table of its own"
            reason = f"[{section}.{name}] {where + ': ' if where else ''}{why}"
            keys = ", ".join(sorted(set(kind.model_fields) - {"name"}))
            line = _line_of(text, f"{section}.{name}", where.partition(".")[0])
            hint = f"the row in force before it stays in force; keys are {keys}"
            faults.append(GrammarError(reason, hint, file=path, line=line))
    return faults


def _row(kind: type[_R], name: str, table: Any) -> _R:
    """One row; its drug, allergen, sign or level is its name where the table leaves that out."""
    if not isinstance(table, dict):
        return kind.model_validate(table)
    plain = name.replace("_", " ")
    named: dict[str, str] = {key: plain for key in ("drug", "allergen") if key in kind.model_fields}
    named |= {
        key: name for key in ("sign", "level") if key in kind.model_fields and kind.model_fields[key].is_required()
    }
    return kind.model_validate({**named, **table, "name": name})


def _line_of(text: str, header: str, key: str = "") -> int:
    """The line of a table's header, or of a key in that table; 1 when neither is found."""
    lines = [line.replace('"', "") if line.lstrip().startswith("[") else line for line in text.splitlines()]
    begins = re.compile(rf"\s*\[+\s*{re.escape(header)}\b")
    start = next((number for number, line in enumerate(lines) if begins.match(line)), None)
    if start is None:
        section, _, name = header.rpartition(".")
        return _line_of(text, section, name) if section else 1
    for number in range(start + 1, len(lines)):
        if lines[number].lstrip().startswith("["):
            break
        if key and re.match(rf"\s*{re.escape(key)}\b", lines[number]):
            return number + 1
    return start + 1
