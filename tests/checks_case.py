"""Invented cases for the tests of checks, clocks and scores: entries at minutes of a simulated clock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, Literal

from voicelog.casefile.state import CaseState, RecordedEvent
from voicelog.checks.finding import Finding
from voicelog.checks.protocol import load_protocol
from voicelog.checks.survey import findings_for
from voicelog.dialogue.times import moment_of
from voicelog.events import Event, event_from, placed_in_time
from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of

T0 = datetime(2026, 11, 25, 10, 30, tzinfo=UTC)
PROTOCOL = load_protocol()
GRAMMAR = load_grammar()
DRUGS = GRAMMAR.drugs
UNITS = {
    "heart_rate": "/min",
    "respiratory_rate": "/min",
    "oxygen_saturation": "%",
    "end_tidal_co2": "mm[Hg]",
    "blood_glucose": "mg/dL",
    "temperature": "Cel",
    "pain_score": "{score}",
}
Timed = tuple[float, Event]


def minute(number: float) -> datetime:
    return T0 + timedelta(minutes=number)


def vital(sign: str, value: float | str, unit: str | None = None, **fields: Any) -> Event:
    said = {"kind": "vital_sign", "sign": sign, "value": Decimal(str(value)), "unit": unit or UNITS[sign]}
    return event_from(said | fields)


def pressure(systolic: int, diastolic: int | None = None, **fields: Any) -> Event:
    said = {"kind": "vital_sign", "sign": "blood_pressure", "systolic": systolic, "diastolic": diastolic}
    return event_from(said | {"unit": "mm[Hg]"} | fields)


def drug(name: str, dose: float | str | None = None, unit: str | None = None, **fields: Any) -> Event:
    amount = None if dose is None else Decimal(str(dose))
    if "volume_ml" in fields:
        fields["volume_ml"] = Decimal(str(fields["volume_ml"]))
    return event_from({"kind": "medication", "drug": name, "dose": amount, "unit": unit} | fields)


def exam(finding: str, **fields: Any) -> Event:
    return event_from({"kind": "assessment", "finding": finding} | fields)


def act(procedure: str, action: str = "done", **fields: Any) -> Event:
    return event_from({"kind": "procedure", "procedure": procedure, "action": action} | fields)


def patient(**fields: Any) -> Event:
    return event_from({"kind": "patient"} | fields)


def milestone(name: str, **fields: Any) -> Event:
    return event_from({"kind": "milestone", "milestone": name} | fields)


def entry(
    number: int,
    event: Event,
    at: datetime,
    *,
    flags: Sequence[str] = (),
    status: Literal["proposed", "rejected", "amended"] = "proposed",
    amends: str | None = None,
) -> RecordedEvent:
    """An entry heard at a moment, placed in time as the dialogue does it."""
    happened = moment_of(event.stated_time, at) if event.stated_time else at
    placed = placed_in_time(event, at, happened)
    return RecordedEvent(f"E{number}", placed, status, tuple(flags), None, amends, f"U{number}", number, bool(flags))


def state_of(*said: Timed) -> CaseState:
    """A case of entries E1, E2 ... at minutes after T0."""
    return CaseState(events=tuple(entry(n, event, minute(at)) for n, (at, event) in enumerate(said, start=1)))


def found(*said: Timed) -> list[Finding]:
    """What each entry raises as it comes in, one after the other."""
    events = state_of(*said).events
    raised: list[Finding] = []
    for count, one in enumerate(events):
        now = one.event.heard_at
        assert now is not None
        raised += findings_for(one, CaseState(events=events[:count]), PROTOCOL, DRUGS, now)
    return raised


def checks(*said: Timed) -> list[str]:
    """The ids of what was found, in order."""
    return [finding.check for finding in found(*said)]


def callouts(*lines: tuple[float, str]) -> list[Timed]:
    """Typed callouts as events, through grammar and parser."""
    said: list[Timed] = []
    for at, text in lines:
        result = parse(words_of(text), GRAMMAR)
        assert result.outcome == "events", (text, result.reason or result.questions)
        said += [(at, draft.event) for draft in result.drafts]
    return said
