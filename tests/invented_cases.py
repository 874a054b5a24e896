"""Whole invented case files in numbers, for the tests and benchmarks over many cases: each a call of its own."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from voicelog.casefile.canonical import canonical_json
from voicelog.casefile.chain import ENTRY_COLUMNS, FIRST_PREVIOUS, Entry, EntryDraft, clip_hash, place
from voicelog.casefile.schema import APPLICATION_ID, GUARDS, TABLES, USER_VERSION
from voicelog.events import event_from

COMPLAINTS = ("shortness of breath", "chest pain", "seizure", "overdose", "fall", "allergic reaction")
_SIGNS = (
    ("heart_rate", "/min", 40, 170),
    ("respiratory_rate", "/min", 4, 40),
    ("oxygen_saturation", "%", 70, 100),
    ("end_tidal_co2", "mm[Hg]", 15, 80),
    ("blood_glucose", "mg/dL", 40, 400),
)
_DRUGS = (
    ("epinephrine", ("0.3", "0.5"), "mg", "intramuscular"),
    ("naloxone", ("0.4", "2"), "mg", "intranasal"),
    ("albuterol", ("2.5",), "mg", "nebulized"),
    ("midazolam", ("2", "2.5", "5"), "mg", "intravenous"),
    ("fentanyl", ("25", "50"), "ug", "intravenous"),
)
Said = list[tuple[dict[str, Any], str, bool]]
"""Fields of an event, the status it ends with, and whether it needs a confirm."""


def invented_drafts(number: int, begin: datetime | None = None) -> list[EntryDraft]:
    """The entries of invented case ``number``, always the same: 15 to 35 callouts with utterances and read-backs."""
    dice = random.Random(number)
    at = begin or datetime(2026, 1, 1, 6, tzinfo=UTC) + timedelta(minutes=97 * number)
    opened = {"version": "0.1.0", "grammar_hash": "ab12", "source": "invented", "clock": "recording"}
    drafts = [EntryDraft("case_opened", {**opened, "listener": {"engine": "sphinx"}}, at)]
    for count, (fields, status, waits) in enumerate(_said(dice), start=1):
        at += timedelta(seconds=dice.randrange(8, 50))
        drafts += _entries(count, fields, status, waits, at)
    return drafts


def _said(dice: random.Random) -> Said:
    said: Said = [
        ({"kind": "milestone", "milestone": "patient_contact"}, "confirmed", False),
        (
            {"kind": "patient", "age": dice.randrange(1, 99), "age_unit": "year", "complaint": dice.choice(COMPLAINTS)},
            "confirmed",
            False,
        ),
    ]
    if dice.random() < 0.5:
        said.append(
            ({"kind": "procedure", "procedure": "bag_valve_mask_ventilation", "action": "started"}, "confirmed", False)
        )
    for _ in range(dice.randrange(9, 26)):
        sign, unit, low, high = dice.choice(_SIGNS)
        value = Decimal(dice.randrange(low, high))
        said.append(({"kind": "vital_sign", "sign": sign, "value": value, "unit": unit}, "confirmed", False))
    for _ in range(dice.randrange(1, 5)):
        drug, doses, unit, route = dice.choice(_DRUGS)
        status = dice.choice(("confirmed", "confirmed", "confirmed", "unconfirmed", "rejected"))
        dose = Decimal(dice.choice(doses))
        fields = {"kind": "medication", "drug": drug, "dose": dose, "unit": unit, "route": route, "action": "given"}
        said.insert(dice.randrange(3, len(said) + 1), (fields, status, True))
    said.append(({"kind": "milestone", "milestone": "transferred"}, "confirmed", False))
    return said


def _entries(count: int, fields: dict[str, Any], status: str, waits: bool, at: datetime) -> Iterator[EntryDraft]:
    name, heard = f"E{count}", f"U{count}"
    words = [str(value).replace("_", " ") for value in fields.values()]
    evidence = {"kind": {"words": " ".join(words), "start": Decimal("0.1"), "end": Decimal("1.4"), "repair": None}}
    event = event_from({**fields, "occurred_at": at, "heard_at": at, "evidence": evidence})
    said = [
        {"text": text, "start": Decimal(n) / 4, "end": Decimal(n + 1) / 4, "confidence": Decimal("0.91")}
        for n, text in enumerate(" ".join(words).split())
    ]
    utterance = {"id": heard, "start": Decimal(10 * count), "end": Decimal(10 * count + 2), "listener": "sphinx"}
    yield EntryDraft("utterance", {**utterance, "clip": clip_hash(_clip(count)), "alternatives": [{"words": said}]}, at)
    body = {"id": name, "event": event.model_dump(), "flags": [], "needs_confirm": waits, "utterance": heard}
    yield EntryDraft("event", {**body, "amends": None}, at)
    yield EntryDraft("read_back", {"events": [name], "text": " ".join(words)}, at + timedelta(seconds=2))
    basis = {"confirmed": "spoken confirm", "unconfirmed": "never confirmed", "rejected": "taken back"}[status]
    decision = {"event": name, "status": status, "basis": basis, "utterance": None}
    yield EntryDraft("decision", decision, at + timedelta(seconds=5))


def _clip(count: int) -> bytes:
    """Bytes in place of a clip: nothing over many cases plays one."""
    return b"fLaC" + bytes([count % 256]) * 2000


def invented_case(path: Path, number: int, *, close: bool = True, begin: datetime | None = None) -> Path:
    """A case file as voicelog leaves it, but written in one unsynced transaction, which is much faster."""
    entries: list[Entry] = []
    drafts = invented_drafts(number, begin)
    for draft in drafts:
        entries.append(place(draft, len(entries) + 1, entries[-1].hash if entries else FIRST_PREVIOUS))
    if close:
        body = {"count": len(entries), "head": entries[-1].hash}
        entries.append(place(EntryDraft("case_closed", body, entries[-1].at), len(entries) + 1, entries[-1].hash))
    path.touch(0o600)
    clips = sorted({_clip(count) for count in range(1, sum(draft.type == "utterance" for draft in drafts) + 1)})
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {USER_VERSION}")
        for statement in (*TABLES.values(), *GUARDS.values()):
            connection.execute(statement)
        rows = [(e.seq, e.at.isoformat(), e.type, canonical_json(e.body), e.previous, e.hash) for e in entries]
        connection.executemany(f"INSERT INTO entries ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)", rows)
        for clip_id, flac in enumerate(clips, start=1):
            connection.execute("INSERT INTO clips (id, hash, flac) VALUES (?, ?, ?)", (clip_id, clip_hash(flac), flac))
        connection.execute("COMMIT")
    return path
