"""A case in a few words, read fast: when, what for, which drugs, what is open; the chain is not checked here.

Only the entries it needs are read, without the models of the events; ``tests/test_many_brief.py`` holds it to the fold.
"""

from __future__ import annotations

import json
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

_ENTRIES = f"""SELECT type, body, seq, at, hash, {OF_TABLE} FROM entries WHERE type IN ('event', 'decision')
    OR seq = 1 OR seq = (SELECT max(seq) FROM entries) ORDER BY seq"""
STATUSES = ("proposed", "confirmed", "unconfirmed", "rejected", "amended")
"""As in ``casefile.state``, which would bring in the models of the events."""
_GONE = ("rejected", "amended")
# The scanner itself, without the checks for blanks that canonical JSON does not have: half the time.
_scan: Callable[[str, int], tuple[Any, int]] = json.JSONDecoder().scan_once  # type: ignore[attr-defined]
_MOST_DIGITS = 30


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
    head: str = ""
    """The hash of the last of them."""

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
        return Brief(str(path), "foreign", f"{error.message} {error.hint}")
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
    said: dict[str, dict[str, Any]] = {}
    status: dict[str, str] = {}
    for kind, text, *_ in rows:
        if kind == "event":
            body = _object(text)
            said[body["id"]] = body["event"]
            status[body["id"]] = "unconfirmed" if body["needs_confirm"] else "proposed"
        elif kind == "decision":
            body = _object(text)
            if body["event"] not in status:
                raise ValueError("a decision about no event")
            status[body["event"]] = body["status"]
    if not set(status.values()) <= set(STATUSES):
        raise ValueError("no such status")
    standing = {name: event for name, event in said.items() if status[name] not in _GONE}
    first_kind, _, first_seq, first_at, *_ = rows[0]
    last_kind, _, count, last_at, head, _ = rows[-1]
    if (first_kind, first_seq) != ("case_opened", 1):
        raise ValueError("it does not begin with its opening")
    return Brief(
        path=path,
        state="closed" if last_kind == "case_closed" else "open",
        opened_at=_moment(first_at),
        last_at=_moment(last_at),
        problems=tuple(dict.fromkeys(str(event["complaint"]) for event in standing.values() if event.get("complaint"))),
        drugs=tuple(
            BriefDrug(
                str(event["drug"]), _decimal(event["dose"]), _text(event["unit"]), _text(event["route"]), status[name]
            )
            for name, event in standing.items()
            if event["kind"] == "medication" and event["action"] == "given"
        ),
        unconfirmed=sum(status[name] == "unconfirmed" for name in standing),
        entries=int(count),
        head=str(head),
    )


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
