"""A case in a few words, read fast: when, what for, which drugs, what is open; the chain is not checked here.

Only the entries it needs are read, without the models of the events; ``tests/test_list.py`` holds it to the fold.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Literal

from voicelog.errors import CaseFileError
from voicelog.many.folder import look
from voicelog.many.reading import OF_TABLE, rows_of

FileState = Literal["closed", "open", "damaged", "foreign"]
"""``open``: the case was never closed; ``foreign``: no case file, or none that this voicelog can read."""

_ENTRIES = f"""SELECT type, body, seq, at, hash, {OF_TABLE} FROM entries
    WHERE type IN ('event', 'decision', 'review_opened', 'review_undone', 'signed_off')
    OR seq = 1 OR seq = (SELECT max(seq) FROM entries) ORDER BY seq"""
STATUSES = ("proposed", "confirmed", "unconfirmed", "rejected", "amended")
"""As in ``casefile.state``, which would bring in the models of the events."""
_GONE = ("rejected", "amended")
# The scanner itself, without the checks for blanks that canonical JSON does not have: half the time.
_scan: Callable[[str, int], tuple[Any, int]] = json.JSONDecoder().scan_once  # type: ignore[attr-defined]
_MOST_DIGITS = 30
# Nine in ten entries say little that a list shows; in canonical JSON it stands at a known place, where no text can
# fake it, as a quote inside a text has a backslash before it. What does not fit is read as JSON.
_TEXT = r'"([^"\\]*)"'
_UTTERANCE = rf'"utterance":(?:null|{_TEXT})\}}'
_DECISION = re.compile(rf'\{{"basis":{_TEXT},"event":{_TEXT},"status":{_TEXT},{_UTTERANCE}').fullmatch
_END_OF_EVENT = re.compile(rf'\],"id":{_TEXT},"needs_confirm":(true|false),{_UTTERANCE}').fullmatch


@dataclass(frozen=True)
class BriefDrug:
    """One dose that stands."""

    drug: str
    """Generic name."""
    dose: Decimal | None
    """As given; None where none was said."""
    unit: str | None
    """UCUM."""
    route: str | None
    """As in the record."""
    status: str
    """``confirmed``, ``unconfirmed`` or ``proposed``."""


@dataclass(frozen=True)
class BriefSignOff:
    """That a reviewer vouches for the case."""

    by: str
    """The reviewer's name, as given."""
    at: datetime
    """When."""


@dataclass(frozen=True)
class Brief:
    """One file of a folder."""

    path: str
    """As it was found."""
    state: FileState
    """What the file is."""
    note: str = ""
    """What is wrong with it, one line; '' when it was read."""
    opened_at: datetime | None = None
    """When its first entry was made."""
    last_at: datetime | None = None
    """When its last entry was made."""
    problems: tuple[str, ...] = ()
    """The complaints that stand, each once."""
    drugs: tuple[BriefDrug, ...] = ()
    """The drugs given that stand, in order of entry."""
    unconfirmed: int = 0
    """Entries that wait for a confirm or never got one."""
    entries: int = 0
    """How many entries the file has."""
    case_id: str = ""
    """The hash of the first of them."""
    head: str = ""
    """The hash of the last of them."""
    signed_off: BriefSignOff | None = None
    """Who signed the case off; None where nobody did, or it was undone."""

    @property
    def is_case(self) -> bool:
        """Whether its entries were read."""
        return self.state in ("closed", "open")

    @property
    def open_items(self) -> int:
        """What still needs a person: as in ``voicelog show``."""
        return self.unconfirmed + (self.state == "open")


def briefs(paths: Sequence[Path]) -> list[Brief]:
    """The brief of each file; no file stops the rest."""
    return [read_brief(path) for path in paths]


def read_brief(path: Path) -> Brief:
    """One file, whatever it is."""
    try:
        found = look(path)
        if found.foreign or found.damage:
            return Brief(str(path), "foreign" if found.foreign else "damaged", found.foreign or found.damage)
        return _brief(str(path), rows_of(path, found, _ENTRIES))
    except OSError as error:
        return Brief(str(path), "foreign", f"cannot be read: {error.strerror}")
    except sqlite3.Error as error:
        return Brief(str(path), "damaged", " ".join(f"cannot be read: {error}".split()))
    except CaseFileError as error:
        return Brief(str(path), "foreign", error.message)
    # What the entries hold is not said: it may be the patient's.
    except (
        ArithmeticError,
        AttributeError,
        LookupError,
        RecursionError,
        StopIteration,
        TypeError,
        ValueError,
    ):
        return Brief(str(path), "damaged", "its entries are not as voicelog writes them")


def _brief(path: str, rows: Sequence[tuple[Any, ...]]) -> Brief:
    said: dict[str, dict[str, Any] | None] = {}
    status: dict[str, str] = {}
    signed: BriefSignOff | None = None
    review = 0
    for kind, text, seq, at, *_ in rows:
        if kind == "event":
            name, waits, event = _said(text)
            said[name] = event
            status[name] = "unconfirmed" if waits else "proposed"
        elif kind == "decision":
            name, decided = _decided(text)
            if name not in status:
                raise ValueError("a decision about no event")
            status[name] = decided
        elif kind == "review_opened":
            review = seq
        elif kind == "signed_off":
            signed, signed_in = BriefSignOff(str(_object(text)["by"]), _moment(at)), review
        elif kind == "review_undone" and signed and _object(text)["review"] == signed_in:
            signed = None
    if not set(status.values()) <= set(STATUSES):
        raise ValueError("no such status")
    standing = {name: event for name, event in said.items() if status[name] not in _GONE}
    told = {name: event for name, event in standing.items() if event}
    first_kind, _, first_seq, first_at, *_ = rows[0]
    last_kind, _, count, last_at, head, _ = rows[-1]
    if (first_kind, first_seq) != ("case_opened", 1):
        raise ValueError("it does not begin with its opening")
    complaints = (str(event["complaint"]) for event in told.values() if event.get("complaint"))
    return Brief(
        path=path,
        state="closed" if last_kind == "case_closed" else "open",
        opened_at=_moment(first_at),
        last_at=_moment(last_at),
        problems=tuple(dict.fromkeys(complaints)),
        drugs=tuple(
            BriefDrug(
                str(event["drug"]), _decimal(event["dose"]), _text(event["unit"]), _text(event["route"]), status[name]
            )
            for name, event in told.items()
            if event["kind"] == "medication" and event["action"] == "given"
        ),
        unconfirmed=sum(status[name] == "unconfirmed" for name in standing),
        entries=int(count),
        case_id=str(rows[0][4]),
        head=str(head),
        signed_off=signed,
    )


def _said(text: str) -> tuple[str, bool, dict[str, Any] | None]:
    """The name of an event, whether it needs a confirm, and what it says; None where a list shows nothing of it."""
    if '"kind":"medication"' not in text and '"kind":"patient"' not in text:
        found = _END_OF_EVENT(text, max(text.rfind('],"id":"'), 0))
        if found:
            return found[1], found[2] == "true", None
    body = _object(text)
    return body["id"], body["needs_confirm"], body["event"]


def _decided(text: str) -> tuple[str, str]:
    """The event that a decision is about, and what it then is."""
    if found := _DECISION(text):
        return found[2], found[3]
    body = _object(text)
    return body["event"], body["status"]


def _object(text: str) -> dict[str, Any]:
    found, end = _scan(text, 0)
    if end != len(text) or not isinstance(found, dict):
        raise ValueError("a body is not one JSON object")
    return found


def _decimal(text: str | None) -> Decimal | None:
    if text is None:
        return None
    try:
        number = Decimal(text)
    except InvalidOperation as error:
        raise ValueError("a dose is not a number") from error
    # Written out, a number of a great exponent would fill the memory.
    if not number.is_finite() or abs(number.adjusted()) > _MOST_DIGITS:
        raise ValueError("a dose is not a number that can be written")
    return number


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.utcoffset() is None:
        raise ValueError("a time has no offset")
    return moment


def _text(value: object) -> str | None:
    return None if value is None else str(value)
