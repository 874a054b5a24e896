"""Reads the tables of callouts under ``data/callouts``: what is said, and the one thing it means.

A row is ``spoken<TAB>expected``. ``expected`` is a list of events divided by ``;``, each with exactly the fields that
must be set: ``heart_rate 88``, ``blood_pressure 90/50`` (``90/p`` by palpation), ``given epinephrine 0.3mg im
site="left thigh"``, ``oxygen started flow_lpm=15``, ``patient age=54``. ``!flag`` names a flag; a row must name every
flag. ``? about field=value`` is a question with what it keeps, ``= command drug`` a spoken command, ``-`` no entry.
"""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

from voicelog.events import Finding, MilestoneName, ProcedureName, Sign

DATA = Path(__file__).parent / "data"
UNITS = {"blood_pressure": "mm[Hg]", "heart_rate": "/min", "respiratory_rate": "/min", "oxygen_saturation": "%",
         "pain_score": "{score}"}  # fmt: skip
ROUTES = {
    "im": "intramuscular", "iv": "intravenous", "io": "intraosseous", "in": "intranasal", "po": "oral",
    "sl": "sublingual", "sq": "subcutaneous", "neb": "nebulized", "inh": "inhaled", "pr": "rectal", "td": "transdermal",
}  # fmt: skip
SHORT = {"time": "stated_time", "conc": "concentration", "vol": "volume_ml"}
ACTIONS = ("given", "prepared", "wasted", "not_given")
TEXT_FIELDS = {"stated_time", "concentration"}


@dataclass(frozen=True)
class Row:
    """One line of a table."""

    where: str
    """File and line, for the test's name."""
    spoken: str
    events: tuple[dict[str, Any], ...] = ()
    flags: frozenset[str] = frozenset()
    asks: str = ""
    """What the question is about; empty when nothing is asked."""
    understood: dict[str, Any] = field(default_factory=dict)
    command: str = ""
    named_drug: str | None = None

    @property
    def outcome(self) -> str:
        """The outcome that the row asks for."""
        if self.asks:
            return "ambiguous"
        if self.command:
            return "command"
        return "events" if self.events else "not_understood"


def callout_rows() -> list[Row]:
    """Every row of every table, in order."""
    return [row for path in sorted((DATA / "callouts").glob("*.tsv")) for row in _table(path)]


def talk_lines() -> list[str]:
    """Every line of talk."""
    lines = (DATA / "talk.txt").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def _table(path: Path) -> list[Row]:
    rows = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        if line and not line.startswith("#"):
            spoken, expected = line.split("\t")
            rows.append(_row(f"{path.stem}:{number}", spoken, expected))
    return rows


def _row(where: str, spoken: str, expected: str) -> Row:
    events: list[dict[str, Any]] = []
    found: dict[str, Any] = {}
    flags: set[str] = set()
    for part in expected.split("; "):
        words = shlex.split(part)
        flags |= {word[1:] for word in words if word.startswith("!")}
        words = [word for word in words if not word.startswith("!")]
        match words[0]:
            case "-":
                pass
            case "?":
                found |= {"asks": words[1], "understood": dict(_pair(word) for word in words[2:])}
            case "=":
                found |= {"command": words[1], "named_drug": words[2] if len(words) > 2 else None}
            case _:
                events.append(_event(words))
    return Row(where, spoken, tuple(events), frozenset(flags), **found)


def _event(words: list[str]) -> dict[str, Any]:
    head, rest = words[0], words[1:]
    fields = dict(_pair(word) for word in rest if "=" in word)
    bare = [word for word in rest if "=" not in word]
    if head in get_args(Sign):
        fields |= {"kind": "vital_sign", "sign": head} | _measured(head, bare[0])
        if head in UNITS:
            fields["unit"] = UNITS[head]
    elif head in ACTIONS:
        fields |= {"kind": "medication", "action": head, "drug": bare[0].replace("_", " ")}
        for word in bare[1:]:
            fields |= {"route": ROUTES[word]} if word in ROUTES else _dose(word)
    elif head in get_args(ProcedureName):
        fields |= {"kind": "procedure", "procedure": head, "action": bare[0]}
    elif head in get_args(Finding):
        fields |= {"kind": "assessment", "finding": head}
    elif head in get_args(MilestoneName):
        fields |= {"kind": "milestone", "milestone": head}
    else:
        fields["kind"] = head
    return fields


def _measured(sign: str, text: str) -> dict[str, Any]:
    if sign != "blood_pressure":
        return {"value": Decimal(text)}
    systolic, diastolic = text.split("/")
    if diastolic == "p":
        return {"systolic": int(systolic), "palpated": True}
    return {"systolic": int(systolic), "diastolic": int(diastolic)}


def _dose(text: str) -> dict[str, Any]:
    found = re.fullmatch(r"([\d.]+)(.+)", text)
    if not found:
        raise ValueError(f"{text!r} is not a dose such as 0.3mg")
    return {"dose": Decimal(found.group(1)), "unit": found.group(2)}


def _pair(word: str) -> tuple[str, Any]:
    name, text = word.split("=", 1)
    name = SHORT.get(name, name)
    if text in {"true", "false"}:
        return name, text == "true"
    if name not in TEXT_FIELDS and re.fullmatch(r"\d+(\.\d+)?", text):
        return name, Decimal(text)
    return name, text.replace("_", " ") if name == "drug" else text
