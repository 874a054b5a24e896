"""Cases for the tests of reports: the shipped samples as their records say they end, and cases told in typed words."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from checks_case import GRAMMAR, PROTOCOL, T0

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.dialogue.times import moment_of
from voicelog.drill.samples import NAMES as NAMES
from voicelog.drill.samples import samples_dir
from voicelog.drill.script import read_script
from voicelog.events import event_from, placed_in_time
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance
from voicelog.session import Session

OPENED = {"version": "0.1.0", "grammar_hash": "ab12", "listener": {}, "source": "typed", "clock": "stated"}


@cache
def _sample_drafts(name: str) -> tuple[EntryDraft, ...]:
    start = read_script(samples_dir() / f"{name}.toml").started_at
    text = (samples_dir() / f"{name}.record.json").read_text(encoding="utf-8")
    drafts = []
    for number, row in enumerate(json.loads(text, parse_float=Decimal)["events"], start=1):
        event, heard = event_from(row["event"]), start + timedelta(seconds=float(row["said_at"]))
        happened = moment_of(event.stated_time, heard) if event.stated_time else heard
        body: dict[str, Any] = {
            "id": f"E{number}",
            "event": placed_in_time(event, heard, happened).model_dump(),
            "flags": [],
        }
        body |= {"needs_confirm": row["status"] == "unconfirmed", "utterance": None, "amends": None}
        decision = {"event": f"E{number}", "status": row["status"], "basis": "the sample's record", "utterance": None}
        drafts += [EntryDraft("event", body, heard), EntryDraft("decision", decision, heard)]
    return tuple(drafts)


def sample_file(path: Path, name: str) -> Path:
    """The closed case of a sample, its entries at the clock times of its script."""
    drafts = _sample_drafts(name)
    with CaseFile.create(path, OPENED, drafts[0].at) as case:
        case.append(drafts)
        case.close_case(drafts[-1].at)
    return path


def told_file(path: Path, *lines: tuple[float, str], close: bool = True, besides: Sequence[EntryDraft] = ()) -> Path:
    """A case told in typed words, each at a minute after T0, then other entries; closed at the last."""
    with CaseFile.create(path, OPENED, T0) as case:
        session = Session(GRAMMAR, case, "script", protocol=PROTOCOL)
        for at, text in lines:
            session.hear(Utterance((Hypothesis(words_of(text)),)), T0 + timedelta(minutes=at))
        case.append(besides)
        if close:
            session.close(T0 + timedelta(minutes=lines[-1][0]))
    return path


def state_and_end(path: Path) -> tuple[CaseState, datetime]:
    """The state of a case file, and when its last entry was made."""
    with CaseFile.open(path) as case:
        entries = list(case.entries())
    return fold(entries), max(entry.at for entry in entries)
