"""The tables that many cases become, column by column, with what each holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "texts", "truth", "count", "number", "time"]
"""``number`` is DECIMAL(38, 9), exact; ``time`` is an instant with zone, in UTC; ``texts`` a list."""


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    name: str
    """As SQL names it."""
    kind: Kind
    """What it holds."""
    meaning: str
    """One line."""


def _fields(kind: Kind, *names: str, of: str) -> tuple[Column, ...]:
    return tuple(Column(name, kind, f"field of {of}; null where not said") for name in names)


ORIGIN = (
    Column("case_no", "count", "number of the case in this reading: what joins the tables, and nothing else"),
    Column("case_file", "text", "name of the case file"),
    Column("case_id", "text", "hash of the first entry; two replays of one recording may share it"),
    Column("head_hash", "text", "hash of the last entry"),
    Column("grammar_hash", "text", "grammar it was heard with"),
    Column("recorded_with", "text", "version of voicelog that recorded it"),
    Column("exported_with", "text", "version of voicelog that made the table"),
)
"""Columns of every table: which case, head, grammar and version made a row."""
TABLES: dict[str, tuple[Column, ...]] = {
    "cases": (
        *ORIGIN,
        Column("opened_at", "time", "when the first entry was made"),
        Column("last_at", "time", "when the last entry was made"),
        Column("utc_offset_min", "count", "offset of opened_at from UTC as recorded, minutes"),
        Column("closed", "truth", "whether the case was closed"),
        Column("signed_off_by", "text", "the reviewer who signed the case off, as given; null where nobody did"),
        Column("signed_off_at", "time", "when that was"),
        Column("entries", "count", "entries of the file"),
        Column("events", "count", "events ever recorded"),
        Column("unconfirmed", "count", "standing events that were never confirmed"),
        Column("problems", "count", "findings on the hash chain; null where it was not checked"),
    ),
    "events": (
        *ORIGIN,
        Column("event", "text", "name of the event in its case, such as E3"),
        Column("entry", "count", "place of the entry that recorded it"),
        Column("entry_hash", "text", "hash of that entry"),
        Column("kind", "text", "vital_sign, medication, assessment, procedure, patient, milestone or remark"),
        Column("status", "text", "proposed, confirmed, unconfirmed, rejected or amended"),
        Column("standing", "truth", "neither rejected nor amended"),
        Column("basis", "text", "why it has its status"),
        Column("flags", "texts", "what the checks found"),
        Column("needs_confirm", "truth", "whether it stands only after a spoken confirm"),
        Column("amends", "text", "the event it corrects"),
        Column("happened_at", "time", "as stated or heard, else when entered; a stated time is in whole minutes"),
        Column("utc_offset_min", "count", "offset of happened_at from UTC as recorded, minutes"),
        Column("entered_at", "time", "when the entry was made"),
        Column("utterance", "text", "the utterance it came from"),
        Column("summary", "text", "all of it in words"),
        *_fields("text", "stated_time", of="every kind"),
        *_fields("text", "sign", of="vital_sign"),
        *_fields("number", "value", of="vital_sign"),
        *_fields("text", "unit", of="vital_sign (UCUM) or medication"),
        *_fields("count", "systolic", "diastolic", of="vital_sign"),
        *_fields("truth", "palpated", of="vital_sign"),
        *_fields("text", "rhythm", "quality", "oxygen", of="vital_sign"),
        *_fields("text", "drug", "action", of="medication; action also of procedure"),
        *_fields("number", "dose", "volume_ml", of="medication"),
        *_fields("text", "concentration", "route", "site", of="medication; site also of procedure"),
        *_fields("text", "lot", "expiry", "checked_by", "witness", of="medication"),
        *_fields("text", "finding", "level", of="assessment"),
        *_fields("count", "total", "eye", "verbal", "motor", of="assessment"),
        *_fields("number", "left_mm", "right_mm", of="assessment"),
        *_fields("truth", "equal", "reactive", of="assessment"),
        *_fields("text", "appearance", "sound", "side", "description", of="assessment; appearance also of medication"),
        *_fields("text", "procedure", of="procedure"),
        *_fields("number", "flow_lpm", of="procedure"),
        *_fields("text", "device", of="procedure"),
        *_fields("count", "energy_j", "gauge", of="procedure"),
        *_fields("count", "age", of="patient"),
        *_fields("text", "age_unit", "sex", of="patient"),
        *_fields("number", "weight_kg", of="patient"),
        *_fields("text", "complaint", "allergy", "history", of="patient"),
        *_fields("truth", "pregnant", of="patient"),
        *_fields("text", "milestone", of="milestone"),
        *_fields("text", "text", of="remark"),
    ),
    "utterances": (
        *ORIGIN,
        Column("utterance", "text", "name of the utterance in its case, such as U3"),
        Column("entry", "count", "place of the entry that recorded it"),
        Column("entered_at", "time", "when the entry was made"),
        Column("start_s", "number", "seconds on the recording"),
        Column("end_s", "number", "seconds on the recording"),
        Column("listener", "text", "the recogniser that heard it"),
        Column("words", "text", "its best reading"),
        Column("readings", "count", "how many readings it has"),
        Column("clip_sha256", "text", "hash of its audio"),
    ),
    "decisions": (
        *ORIGIN,
        Column("entry", "count", "place of the entry that recorded it"),
        Column("decided_at", "time", "when the entry was made"),
        Column("event", "text", "the event decided on"),
        Column("status", "text", "what it then was"),
        Column("basis", "text", "why"),
        Column("utterance", "text", "the words that decided; null where none did"),
    ),
}
"""Table to its columns, in order."""
VIEWS = {
    "drugs": "SELECT * FROM events WHERE kind = 'medication'",
    "vitals": "SELECT * FROM events WHERE kind = 'vital_sign'",
}
"""Views over the tables, with the columns of events."""
VIEWS_OF = dict.fromkeys(VIEWS, "events")
"""View to the table that it is over."""
