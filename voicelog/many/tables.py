"""Cases as rows of the tables of ``columns``, in the form of Apache Arrow; by way of the real fold."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.casefile.chain import Entry
from voicelog.casefile.state import RecordedEvent
from voicelog.casefile.store import CaseFile
from voicelog.errors import UsageError, VoicelogError
from voicelog.events import event_fields
from voicelog.exports.source import CaseRecord, ExportError, entry_of, happened, record_of, retracted
from voicelog.many.columns import ORIGIN, TABLES, Kind
from voicelog.many.copies import CaseAt
from voicelog.many.folder import look
from voicelog.many.reading import OF_TABLE, rows_of
from voicelog.views.labels import written

if TYPE_CHECKING:
    import pyarrow as pa

_TYPES = "'case_opened', 'event', 'decision', 'case_closed', 'review_opened', 'signed_off', 'review_undone'"
_ENTRIES = f"""SELECT seq, at, type, body, previous, hash, {OF_TABLE} FROM entries
    WHERE type IN ({_TYPES}{{more}}) OR seq = 1 OR seq = (SELECT max(seq) FROM entries) ORDER BY seq"""
_KINDS = {table: {column.name: column.kind for column in columns} for table, columns in TABLES.items()}
_PLACES, _DIGITS = 9, 29
"""Of a DECIMAL(38, 9): behind the point and before it."""
_MOST_COUNT = 2**63
Row = dict[str, Any]
Change = Callable[[CaseRecord], CaseRecord]


@dataclass
class Made:
    """What a run of files becomes."""

    tables: dict[tuple[str, str], pa.Table] = field(default_factory=dict)
    """Table name and month of the case's opening, such as ``2026-11``, to rows."""
    cases: dict[int, CaseAt] = field(default_factory=dict)
    """Number of each case in them to where it was read."""
    left_out: list[str] = field(default_factory=list)
    """Files that are not, with why, a line each."""
    findings: list[str] = field(default_factory=list)
    """What is wrong with the hash chains of those that are, or doubtful about them, a line each."""


def tables_of(
    paths: Sequence[tuple[int, Path]],
    *,
    check: bool = False,
    change: Change | None = None,
    only: Collection[str] = tuple(TABLES),
) -> Made:
    """The rows of each file; no file stops the rest.

    Args:
        paths: the files, each with its number.
        check: also check every hash chain, which takes longer.
        change: made of each case before it becomes rows.
        only: the tables to make; what no other needs is then not read.
    """
    made = Made()
    rows: dict[tuple[str, str], list[Row]] = {}
    for number, path in paths:
        try:
            record, problems = _checked(path) if check else (_read(path, heard="utterances" in only), None)
            made.findings += [f"{path}: {problem}" for problem in problems or ()]
            changed = change(record) if change else record
            of_case = list(_rows(changed, problems, number))
        except VoicelogError as error:
            made.left_out.append(f"{path}: {error.message}")
            continue
        month = f"{changed.entries[0].at:%Y-%m}"
        for table, row in of_case:
            if table in only:
                rows.setdefault((table, month), []).append(row)
        origin = record.origin
        made.cases[number] = CaseAt(str(path), origin.case_id, origin.entries, origin.head)
    made.tables = {(table, month): arrow_table(table, found) for (table, month), found in rows.items()}
    return made


def arrow_table(name: str, rows: Sequence[Row]) -> pa.Table:
    """Rows as an Arrow table with the types of its columns.

    Raises:
        UsageError: pyarrow is not installed.
    """
    try:
        import pyarrow as pa
    except ImportError as error:
        raise UsageError("tables of many cases need pyarrow", "Install it: pip install 'voicelog[query]'") from error
    types = {
        "text": pa.string(),
        "texts": pa.list_(pa.string()),
        "truth": pa.bool_(),
        "count": pa.int64(),
        "number": pa.decimal128(_PLACES + _DIGITS, _PLACES),
        "time": pa.timestamp("us", tz="UTC"),
    }
    columns = TABLES[name]
    schema = pa.schema([pa.field(one.name, types[one.kind], metadata={"meaning": one.meaning}) for one in columns])
    arrays = [pa.array([row.get(one.name) for row in rows], types[one.kind]) for one in columns]
    return pa.table(arrays, schema=schema)


def _read(path: Path, *, heard: bool) -> CaseRecord:
    """A case with the entries that the tables need, and with its utterances only if ``heard``.

    Raises:
        VoicelogError: it is no case file or cannot be read; says nothing of what the entries hold.
    """
    try:
        found = look(path)
        why = found.foreign or found.damage
        if why:
            raise ExportError(why)
        rows = rows_of(path, found, _ENTRIES.format(more=", 'utterance'" if heard else ""))
        entries = [_entry(row[:-1]) for row in rows]
    except OSError as error:
        raise ExportError(f"cannot be read: {error.strerror}") from error
    except sqlite3.Error as error:
        raise ExportError(" ".join(f"cannot be read: {error}".split())) from error
    except (AttributeError, RecursionError, StopIteration, TypeError, ValueError) as error:
        raise ExportError("its entries are not as voicelog writes them") from error
    record = record_of(path.name, entries)
    return replace(record, origin=replace(record.origin, entries=entries[-1].seq))


def _entry(row: tuple[Any, ...]) -> Entry:
    import json

    seq, at, kind, body, previous, digest = row
    moment, fields = datetime.fromisoformat(at), json.loads(body)
    if moment.utcoffset() is None or not isinstance(fields, dict) or not isinstance(digest, str):
        raise ValueError("an entry is not as voicelog writes it")
    return Entry(seq, moment, kind, fields, previous, digest)


def _checked(path: Path) -> tuple[CaseRecord, list[str]]:
    with CaseFile.open(path) as case:
        problems = case.problems()
        return record_of(path.name, list(case.entries())), problems


def _rows(record: CaseRecord, problems: list[str] | None, number: int) -> Iterator[tuple[str, Row]]:
    origin = record.origin
    values = (
        *(number, origin.case, origin.case_id, origin.head),
        *(origin.grammar_hash, origin.recorded_with, origin.exported_with),
    )
    # In every table alike, so looked at once.
    shared = _fitting("cases", dict(zip((column.name for column in ORIGIN), values, strict=True)))
    first, last = record.entries[0], record.entries[-1]
    events, signed = record.state.events, record.state.signed_off
    case = {
        "opened_at": first.at,
        "last_at": last.at,
        "utc_offset_min": _offset(first.at),
        "closed": record.state.closed,
        "signed_off_by": signed.by if signed else None,
        "signed_off_at": signed.at if signed else None,
        "entries": origin.entries,
        "events": len(events),
        "unconfirmed": sum(one.status == "unconfirmed" for one in events),
        "problems": None if problems is None else len(problems),
    }
    yield "cases", shared | _fitting("cases", case)
    for recorded in events:
        yield "events", shared | _fitting("events", _event(record, recorded))
    for heard in record.state.utterances:
        best = heard.alternatives[0] if heard.alternatives else ()
        row = {
            "utterance": heard.id,
            "entry": heard.seq,
            "entered_at": record.by_seq[heard.seq].at,
            "start_s": heard.start,
            "end_s": heard.end,
            "listener": heard.listener,
            "words": " ".join(word.text for word in best),
            "readings": len(heard.alternatives),
            "clip_sha256": heard.clip,
        }
        yield "utterances", shared | _fitting("utterances", row)
    for entry in record.entries:
        if entry.type == "decision":
            said = {name: entry.body[name] for name in ("event", "status", "basis", "utterance")}
            row = _fitting("decisions", said | {"entry": entry.seq, "decided_at": entry.at})
            yield "decisions", shared | row


def _event(record: CaseRecord, recorded: RecordedEvent) -> Row:
    entry, moment = entry_of(record, recorded), happened(record, recorded)
    return {
        "event": recorded.id,
        "entry": entry.seq,
        "entry_hash": entry.hash,
        "status": recorded.status,
        "standing": not retracted(recorded),
        "basis": recorded.basis,
        "flags": list(recorded.flags),
        "needs_confirm": recorded.needs_confirm,
        "amends": recorded.amends,
        "happened_at": moment,
        "utc_offset_min": _offset(moment),
        "entered_at": entry.at,
        "utterance": recorded.utterance,
        "summary": written(recorded.event),
        **event_fields(recorded.event),
    }


def _offset(moment: datetime) -> int:
    return (moment.utcoffset() or timedelta(0)) // timedelta(minutes=1)


def _fitting(table: str, row: Row) -> Row:
    """The row, if every value fits its column exactly.

    Raises:
        ExportError: one does not; says which column, and nothing of the value.
    """
    kinds = _KINDS[table]
    for name, value in row.items():
        if value is None:
            continue
        kind = kinds[name]
        if not _fits(kind, value):
            raise ExportError(f"the column {name} of {table} cannot hold a value of it exactly")
        if kind == "time":
            row[name] = value.astimezone(UTC)
    return row


def _fits(kind: Kind, value: Any) -> bool:
    match kind:
        case "text":
            return isinstance(value, str)
        case "count":
            return bool(abs(value) < _MOST_COUNT)
        case "number":
            number = Decimal(value)
            return number.normalize().as_tuple().exponent >= -_PLACES and number.adjusted() < _DIGITS  # type: ignore[operator]
        case _:
            return True
