"""Small cases for the export tests: talked through in typed words, made from events, or from the samples' records."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from datetime import timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dialogue_talk import START, Talk, grammar

from voicelog.audio.flac import encode_flac
from voicelog.casefile.chain import FIRST_PREVIOUS, Entry, EntryDraft, place
from voicelog.casefile.store import CaseFile
from voicelog.drill.samples import NAMES
from voicelog.events import Event, placed_in_time
from voicelog.exports.source import CaseRecord, record_of
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance, Word
from voicelog.session import Session, Span

SAMPLES = NAMES
STATUSES = ("confirmed", "unconfirmed", "proposed", "rejected", "amended")
OPENED = {"version": "0.1.0", "grammar_hash": "ab12", "listener": {}, "source": "typed", "clock": "stated"}
CALLOUTS = (
    "midazolam five milligrams i m",
    "confirm",
    "correction two milligrams",
    "pulse ninety strong and regular",
    "naloxone two milligrams intranasal",
)
"""Two drugs: one confirmed and then corrected without a confirm, one never confirmed; a pulse that stood."""


@cache
def rxnorm() -> dict[str, str]:
    """The codes of the shipped formulary."""
    return {name: drug.rxnorm for name, drug in grammar().drugs.items() if drug.rxnorm}


def chained(drafts: Sequence[EntryDraft]) -> list[Entry]:
    """The drafts as entries behind an opening entry."""
    entries = [place(EntryDraft("case_opened", OPENED, START), 1, FIRST_PREVIOUS)]
    for draft in drafts:
        entries.append(place(draft, len(entries) + 1, entries[-1].hash))
    return entries


def talked(*texts: str) -> CaseRecord:
    """A case talked through in typed words and settled."""
    talk = Talk(*texts)
    talk.close()
    return record_of("talk.voicelog", chained([EntryDraft(entry.type, entry.body, entry.at) for entry in talk.entries]))


def case_of(*said: tuple[Event, str, Sequence[str]]) -> CaseRecord:
    """A case of events, each with its status and its flags."""
    return record_of("events.voicelog", chained(list(_drafts(said))))


def _drafts(said: Sequence[tuple[Event, str, Sequence[str]]]) -> Iterator[EntryDraft]:
    for number, (event, status, flags) in enumerate(said, start=1):
        at = START + timedelta(seconds=10 * number)
        body: dict[str, Any] = {"id": f"E{number}", "event": event.model_dump(), "flags": list(flags)}
        body |= {"needs_confirm": status == "unconfirmed", "utterance": None, "amends": None}
        yield EntryDraft("event", body, at)
        if status != "proposed":
            decision = {"event": f"E{number}", "status": status, "basis": "as the test says", "utterance": None}
            yield EntryDraft("decision", decision, at)


@cache
def sample(name: str) -> CaseRecord:
    """The case that a sample's expected record describes."""
    from voicelog.events import event_from

    path = Path(__file__).parents[1] / "samples" / f"{name}.record.json"
    rows = json.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)["events"]
    said = []
    for row in rows:
        at = START + timedelta(seconds=float(row["said_at"]))
        said.append((placed_in_time(event_from(row["event"]), at, at), row["status"], ()))
    return case_of(*said)


def schemas() -> Path:
    """The folder of the official schemas: of VOICELOG_NEMSIS, else beside the checkout; skips where there is none."""
    named = os.environ.get("VOICELOG_NEMSIS")
    folder = Path(named) if named else Path(__file__).parents[2] / "shared" / "nemsis-3.5.1"
    for place_of in (folder, folder / "xsd"):
        if (place_of / "EMSDataSet_v3.xsd").is_file():
            return place_of
    pytest.skip("the NEMSIS 3.5.1 schemas are not here: name their folder in VOICELOG_NEMSIS")


def recorded_case(path: Path, *texts: str, close: bool = True) -> Path:
    """A case file with audio, made by a session; the same audio for every utterance of one length."""
    with CaseFile.create(path, OPENED, START) as case:
        session = Session(grammar(), case, "script")
        for number, text in enumerate(texts, start=1):
            words = [Word(word.text, n / 2, n / 2 + 0.4, 0.9) for n, word in enumerate(words_of(text))]
            start = Decimal(10 * number)
            flac = encode_flac(np.full(1600 * number, number, np.int16))
            span = Span(start, start + Decimal("1.500"), flac)
            session.hear(Utterance((Hypothesis(tuple(words)),)), START + timedelta(seconds=10 * number), span)
        if close:
            session.close(START + timedelta(minutes=5))
    return path
