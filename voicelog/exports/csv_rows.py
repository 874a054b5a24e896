"""A case as CSV: one row an event, the same columns always, safe and right to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from decimal import Decimal
from typing import Any

from voicelog.casefile.state import RecordedEvent, RecordedUtterance
from voicelog.events import event_fields
from voicelog.exports.source import CaseRecord, entry_of, happened
from voicelog.views.labels import written

ABOUT_EVENT = ("event", "status", "basis", "flags", "needs_confirm", "amends", "happened", "summary")
"""Columns of every event: its name, where it stands and why, what was doubted, when it happened, all of it in words."""
FIELDS = (
    *("kind", "stated_time", "sign", "value", "unit", "systolic", "diastolic", "palpated", "rhythm", "quality"),
    *("oxygen", "drug", "action", "dose", "volume_ml", "concentration", "route", "site"),
    *("lot", "expiry", "checked_by", "witness"),
    *("finding", "level", "total", "eye", "verbal", "motor", "left_mm", "right_mm", "equal", "reactive", "appearance"),
    *("sound", "side", "description", "procedure", "flow_lpm", "device", "energy_j", "gauge"),
    *("age", "age_unit", "sex", "weight_kg", "complaint", "allergy", "history", "pregnant", "milestone", "text"),
)  # fmt: skip
"""Columns of the fields of events, named as the fields are; a unit stands beside the value or the dose."""
ABOUT_SOURCE = (
    *("utterance", "words", "clip_sha256", "start_seconds", "end_seconds", "entry", "entry_hash"),
    *("case", "head_hash", "grammar_hash", "recorded_with", "exported_with"),
)  # fmt: skip
"""Columns of the words and the audio an event came from, and of the case and the software."""
COLUMNS = (*ABOUT_EVENT, *FIELDS, *ABOUT_SOURCE)
"""Every column, in order."""

_BYTE_ORDER_MARK = "\ufeff"
# What a spreadsheet takes for the start of a formula; the last four are the wide forms of the first.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


_LATER_CELL = re.compile("([;|\t\r\n] *)([=+@\uff1d\uff0b\uff20-]|\uff0d)")


def csv_text(record: CaseRecord) -> str:
    """The rows with a header, lines ended by CR LF, with a byte order mark so that spreadsheets read UTF-8."""
    text = io.StringIO(newline="")
    text.write(_BYTE_ORDER_MARK)
    rows = csv.writer(text, lineterminator="\r\n")
    rows.writerow(COLUMNS)
    rows.writerows(_row(record, recorded) for recorded in record.state.events)
    return text.getvalue()


def safe_cell(value: Any) -> str:
    """A value as a cell: numbers digit for digit, yes and no for truth, and no text that could act as a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, int):
        return str(value)
    # A spreadsheet set to another separator begins a cell behind that.
    text = _LATER_CELL.sub(r"\1'\2", str(value))
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


def _row(record: CaseRecord, recorded: RecordedEvent) -> list[str]:
    cells: dict[str, Any] = {
        "event": recorded.id,
        "status": recorded.status,
        "basis": recorded.basis,
        "flags": "; ".join(recorded.flags),
        "needs_confirm": recorded.needs_confirm,
        "amends": recorded.amends,
        "happened": happened(record, recorded).isoformat(),
        "summary": written(recorded.event),
        **event_fields(recorded.event),
        **_source(record, recorded, record.heard.get(recorded.utterance or "")),
    }
    return [safe_cell(cells.get(column)) for column in COLUMNS]


def _source(record: CaseRecord, recorded: RecordedEvent, utterance: RecordedUtterance | None) -> dict[str, Any]:
    entry = entry_of(record, recorded)
    origin = record.origin
    cells: dict[str, Any] = {
        "utterance": recorded.utterance,
        "entry": entry.seq,
        "entry_hash": entry.hash,
        "case": origin.case,
        "head_hash": origin.head,
        "grammar_hash": origin.grammar_hash,
        "recorded_with": origin.recorded_with,
        "exported_with": origin.exported_with,
    }
    if utterance is not None:
        reading = utterance.alternatives[0] if utterance.alternatives else ()
        cells |= {
            "words": " ".join(word.text for word in reading),
            "clip_sha256": utterance.clip,
            "start_seconds": utterance.start,
            "end_seconds": utterance.end,
        }
    return cells
