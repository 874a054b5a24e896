"""A case made anew without what could lead to the patient, after the safe harbour list of 45 CFR 164.514(b)(2)(i).

Every exporter then works on it as on any other case, so no format can hold more than another. It is a case of its own:
new hashes over a random number, a new name, and no way back that is kept anywhere. Whoever publishes it must still
judge, as (b)(2)(ii) demands, whether they know of a way to tell who the patient is.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from voicelog.casefile.chain import FIRST_PREVIOUS, Entry, EntryDraft, place
from voicelog.casefile.state import RecordedEvent
from voicelog.events import Event, Medication, Patient, Remark
from voicelog.exports.codes import UNITS
from voicelog.exports.source import CaseRecord, ExportError, record_of
from voicelog.grammar.model import Grammar
from voicelog.grammar.tree import Alternatives, Node, Optional, Sequence, Tagged

AGED = "age_90_or_more"
"""The flag of an age that was above 89 and is written as 90."""
LEFT_OUT = "(left out)"
"""What stands where a text must stand and was left out."""
_OLDEST = 89
_PER_YEAR = {"year": 1, "month": 12, "day": 365}
_BASES = re.compile(
    r"spoken confirm|stood after read-back|never confirmed|taken back|corrected by E\d+|correction E\d+ taken back"
    r"|a later entry speaks against it|a number alone came after it|the second listener agreed"
)
_FLAG = re.compile(r"[a-z][a-z0-9_]{0,60}")
_STRENGTH = re.compile(r"\d+(\.\d+)? (%|(g|mg|ug|meq|mmol|\[U\])/mL)")

SAFE_HARBOR: dict[str, tuple[str, str]] = {
    "A": ("names", "no callout has a field for one; free text and words as heard are left out"),
    "B": ("geographic subdivisions smaller than a state", "no field; free text is left out, times are in UTC"),
    "C": (
        "all elements of dates except the year; ages over 89",
        "every time of a case is moved by one offset, so that the case begins at a random microsecond of its own year"
        " (drawn evenly, kept nowhere): what is left of the date is the year and the time between entries; clock times"
        " that were spoken are left out; an age above 89 is 90, with the flag age_90_or_more",
    ),
    "D": ("telephone numbers", "no field; free text is left out"),
    "E": ("fax numbers", "no field; free text is left out"),
    "F": ("electronic mail addresses", "no field; free text is left out"),
    "G": ("social security numbers", "no field; free text is left out"),
    "H": ("medical record numbers", "no field; free text is left out"),
    "I": ("health plan beneficiary numbers", "no field; free text is left out"),
    "J": ("account numbers", "no field; free text is left out"),
    "K": ("certificate and license numbers", "no field; free text is left out"),
    "L": ("vehicle identifiers and serial numbers, license plates", "no field; --details of a unit are refused"),
    "M": ("device identifiers and serial numbers", "the listener and the source of the audio are left out"),
    "N": ("web addresses", "no field; free text is left out"),
    "O": ("internet protocol addresses", "no field; free text is left out"),
    "P": ("biometric identifiers, voice prints among them", "the audio, its hashes and its times are left out"),
    "Q": ("full-face photographs and the like", "a case holds none"),
    "R": (
        "any other unique identifying number, characteristic or code",
        "the name of the file, every hash and every name of an entry are made anew from a random number; the hash of a"
        " grammar other than the one given with the command is left out; a text that is not in the closed lists of that"
        " grammar is left out",
    ),
}
"""Letter of 45 CFR 164.514(b)(2)(i) to the identifier and what is done about it."""


def closed_terms(grammar: Grammar) -> frozenset[str]:
    """Every text that a callout can put into a field by the lists of a grammar, without the remarks."""
    found = {value for name, items in grammar.lists.items() if name != "remark_text" for value in _of_list(items.items)}
    trees = [tree for phrase in grammar.phrases for tree in phrase.say]
    trees += [tree for rule in grammar.rules.values() for tree in rule]
    found.update(constant for tree in trees for constant in _constants(tree))
    found.update(str(value) for phrase in grammar.phrases for value in phrase.event.values())
    for drug in grammar.drugs.values():
        found.update((drug.name, *drug.concentrations, *drug.named_concentrations.values()))
    return frozenset(found)


def deidentified(record: CaseRecord, terms: frozenset[str], grammar_hash: str) -> CaseRecord:
    """The case made anew.

    Args:
        record: the case.
        terms: texts that may stay, as ``closed_terms`` gives them.
        grammar_hash: of the grammar that they are of.

    Raises:
        ExportError: its times cannot be moved.
    """
    salt = secrets.token_hex(16)
    known = grammar_hash if record.origin.grammar_hash == grammar_hash else "left out"
    version = record.origin.recorded_with
    opened: dict[str, Any] = {
        "version": version if re.fullmatch(r"\d+(\.\d+){1,3}\w{0,8}", version) else "unknown",
        "grammar_hash": known,
        "listener": {},
        "source": "de-identified",
        "clock": "moved",
        "deidentified": salt,
    }
    try:
        shift = _shift(record.entries[0].at)
        drafts = [EntryDraft("case_opened", opened, _moved(record.entries[0].at, shift))]
        drafts += _drafts(record, terms, shift)
    except (OverflowError, ValueError) as error:
        raise ExportError("The times of the case cannot be moved.", "Nothing was written.") from error
    entries: list[Entry] = []
    for draft in drafts:
        entries.append(place(draft, len(entries) + 1, entries[-1].hash if entries else FIRST_PREVIOUS))
    if record.state.closed:
        body = {"count": len(entries), "head": entries[-1].hash}
        closing = EntryDraft("case_closed", body, _moved(record.entries[-1].at, shift))
        entries.append(place(closing, len(entries) + 1, entries[-1].hash))
    return record_of(f"deidentified-{salt[:12]}", entries)


def _of_list(items: Any) -> Iterator[str]:
    for values, _ in items:
        yield from (text for _, text in values)


def _constants(tree: Node) -> Iterator[str]:
    match tree:
        case Sequence(parts) | Alternatives(parts):
            for part in parts:
                yield from _constants(part)
        case Tagged(part, _, constant):
            if constant is not None:
                yield constant
            yield from _constants(part)
        case Optional(part):
            yield from _constants(part)


def _shift(begin: datetime) -> timedelta:
    """What moves a moment to a random one of its own year; as evenly drawn, it says the year and nothing more."""
    first = datetime(begin.year, 1, 1, tzinfo=UTC)
    year = datetime(begin.year + 1, 1, 1, tzinfo=UTC) - first
    return first + timedelta(microseconds=secrets.randbelow(year // timedelta(microseconds=1))) - begin


def _moved(moment: datetime, shift: timedelta) -> datetime:
    return moment.astimezone(UTC) + shift


def _drafts(record: CaseRecord, terms: frozenset[str], shift: timedelta) -> Iterator[EntryDraft]:
    """Events and decisions, each at its place in time."""
    names = {recorded.id: f"E{number}" for number, recorded in enumerate(record.state.events, start=1)}
    by_seq = {recorded.seq: recorded for recorded in record.state.events}
    for entry in record.entries:
        at = _moved(entry.at, shift)
        if entry.type == "event":
            yield EntryDraft("event", _event_body(by_seq[entry.seq], names, terms, shift), at)
        elif entry.type == "decision":
            body = {"event": names[entry.body["event"]], "status": entry.body["status"], "utterance": None}
            yield EntryDraft("decision", {**body, "basis": _basis(entry.body["basis"], names)}, at)


def _event_body(
    recorded: RecordedEvent, names: Mapping[str, str], terms: frozenset[str], shift: timedelta
) -> dict[str, Any]:
    event, aged = _cleaned(recorded.event, terms, shift)
    flags = [flag for flag in recorded.flags if _FLAG.fullmatch(flag)]
    return {
        "id": names[recorded.id],
        "event": event.model_dump(),
        "flags": [*flags, AGED] if aged else flags,
        "needs_confirm": recorded.needs_confirm,
        "utterance": None,
        "amends": names[recorded.amends] if recorded.amends else None,
    }


def _cleaned(event: Event, terms: frozenset[str], shift: timedelta) -> tuple[Event, bool]:
    """The event without what could tell who it is about, and whether its age was above 89."""
    times = {name: getattr(event, name) for name in ("occurred_at", "heard_at")}
    changed: dict[str, Any] = {name: moment and _moved(moment, shift) for name, moment in times.items()}
    changed |= {"stated_time": None, "evidence": {}}
    closed = {"kind", "sign", "finding", "procedure", "milestone", "action", "text", *changed}
    for name, value in event:
        if name not in closed and isinstance(value, str) and not _is_listed(name, value, terms):
            changed[name] = None
    if isinstance(event, Remark):
        changed["text"] = LEFT_OUT
    if isinstance(event, Medication) and changed.get("drug", event.drug) is None:
        changed["drug"] = LEFT_OUT
    aged = isinstance(event, Patient) and event.age is not None and _years(event) > _OLDEST
    if aged:
        changed |= {"age": _OLDEST + 1, "age_unit": "year"}
    return event.model_copy(update=changed), aged


def _is_listed(name: str, value: str, terms: frozenset[str]) -> bool:
    if name == "unit":
        return value in UNITS
    if name == "concentration":
        return _STRENGTH.fullmatch(value) is not None
    return value in terms or all(part in terms for part in re.split(r", | and ", value))


def _years(event: Patient) -> float:
    return (event.age or 0) // _PER_YEAR[event.age_unit or "year"]


def _basis(text: str, names: Mapping[str, str]) -> str:
    """Why a decision was made, if it is one of the reasons that voicelog gives; entries under their new names."""
    if not _BASES.fullmatch(text):
        return LEFT_OUT
    return re.sub(r"E\d+", lambda found: names.get(found[0], LEFT_OUT), text)
