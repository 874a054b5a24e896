"""Judges what became of a callout against its truth, and what came of talk that is not for the log; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from voicelog.drill.script import Fields

Outcome = Literal["exact", "asked", "missed", "rejected", "wrong"]
OUTCOMES: tuple[Outcome, ...] = ("exact", "asked", "missed", "rejected", "wrong")

NUMBERS = frozenset(
    "value systolic diastolic dose volume_ml concentration total eye verbal motor left_mm right_mm flow_lpm energy_j"
    " gauge age weight_kg stated_time".split()
)
"""Fields whose value was spoken as a number."""
_NAMES = {"vital_sign": "sign", "medication": "drug", "assessment": "finding", "procedure": "procedure"}

Group = Literal["drug", "dose", "unit", "route", "number", "time"]
GROUPS: dict[Group, frozenset[str]] = {
    "drug": frozenset({"drug"}),
    "dose": frozenset({"dose", "volume_ml", "concentration"}),
    "unit": frozenset({"unit"}),
    "route": frozenset({"route"}),
    "number": NUMBERS - {"dose", "volume_ml", "concentration", "stated_time"},
    "time": frozenset({"stated_time"}),
}
"""Kinds of fields whose errors are counted apart; ``unit`` and ``dose`` are those of drugs."""


@dataclass(frozen=True)
class Entered:
    """An event that the dialogue entered."""

    fields: Fields
    """As ``voicelog.events.event_fields`` gives it."""
    flags: tuple[str, ...] = ()
    """Why a spoken confirm is asked for; empty for none but the drug's own."""

    @property
    def is_drug(self) -> bool:
        """Whether it is an act with a drug."""
        return bool(self.fields["kind"] == "medication")


@dataclass(frozen=True)
class Heard:
    """What one utterance, or all that was heard of one callout, led to."""

    words: str = ""
    """The recogniser's first reading."""
    events: tuple[Entered, ...] = ()
    commands: tuple[str, ...] = ()
    """Commands obeyed."""
    decisions: tuple[str, ...] = ()
    """What was decided by voice about earlier entries: confirmed, rejected, amended."""
    question: bool = False
    """Whether a question was asked."""
    noticed: bool = True
    """Whether there was an utterance at all."""


@dataclass(frozen=True)
class Meant:
    """What a callout must lead to."""

    events: tuple[Fields, ...] = ()
    commands: tuple[str, ...] = ()
    decisions: tuple[str, ...] = ()
    flags: frozenset[str] = frozenset()
    """What is flagged also when every word is heard, such as a dose above its limit."""
    question: bool = False
    """Whether it is asked about also when every word is heard."""


@dataclass(frozen=True)
class Score:
    """The judgement of one callout."""

    outcome: Outcome
    """exact: all of it entered as said, unflagged. asked: a question, or entered flagged. missed: not noticed, or a
    part of it left out without a word. rejected: noticed, and nothing entered. wrong: an unflagged entry, or a
    decision, that differs from the truth."""
    drug_wrong: bool = False
    """A wrong drug, dose, unit or route was entered and read back for a confirm, flagged or not."""
    name_error: bool = False
    """An entry, flagged or not, names a drug that was not said."""
    number_error: bool = False
    """An entry, flagged or not, has a number that was not said."""


def judge(meant: Meant, heard: Heard) -> Score:
    """Judge what a callout led to."""
    missing, wrong = _told_apart(meant, heard)
    undecided = list(meant.decisions)
    false_decision = False
    for decision in heard.decisions:
        if decision in undecided:
            undecided.remove(decision)
        else:
            false_decision = True
    nearest = [(entered, _nearest(entered.fields, missing)) for entered in wrong]
    lacking = bool(missing or undecided or meant.commands != heard.commands)
    return Score(
        _outcome(meant, heard, lacking, wrong, false_decision),
        drug_wrong=any(entered.is_drug for entered in wrong),
        name_error=any(entered.is_drug and _name(entered.fields) != _name(truth) for entered, truth in nearest),
        number_error=any(_number_differs(entered.fields, truth) for entered, truth in nearest),
    )


def _told_apart(meant: Meant, heard: Heard) -> tuple[list[Fields], list[Entered]]:
    """The events that are missing, and the entries that are none of those meant."""
    missing = list(meant.events)
    wrong: list[Entered] = []
    for entered in heard.events:
        if entered.fields in missing:
            missing.remove(entered.fields)
        else:
            wrong.append(entered)
    return missing, wrong


def _outcome(meant: Meant, heard: Heard, lacking: bool, wrong: Sequence[Entered], false_decision: bool) -> Outcome:
    if false_decision or any(not entered.flags for entered in wrong):
        return "wrong"
    flagged = any(set(entered.flags) - meant.flags for entered in heard.events)
    if wrong or flagged or (heard.question and not meant.question):
        return "asked"
    if not lacking:
        return "exact"
    if heard.question:
        return "asked"
    return "missed" if heard.events or heard.decisions or not heard.noticed else "rejected"


def _name(fields: Fields) -> object:
    return fields.get(_NAMES.get(fields.get("kind", ""), "kind"))


def _nearest(fields: Fields, truths: Sequence[Fields]) -> Fields:
    """The truth of the same kind that shares most with what was entered; empty when there is none."""
    alike = [truth for truth in truths if truth["kind"] == fields["kind"]]
    return max(alike, key=lambda truth: len(truth.items() & fields.items()), default={})


def _number_differs(fields: Fields, truth: Fields) -> bool:
    """Whether a number entered is another one than was said, for the same sign or drug; a name error is none."""
    if not truth or _name(fields) != _name(truth):
        return False
    return any(name in truth and fields[name] != truth[name] for name in fields.keys() & NUMBERS)


@dataclass(frozen=True)
class FieldScore:
    """What became of one value that was said."""

    group: Group
    said: str
    """The value, as text."""
    entered: str | None
    """What was entered for it, None for nothing."""

    @property
    def wrong(self) -> bool:
        """Whether another value was entered, flagged or not."""
        return self.entered is not None and self.entered != self.said


def field_scores(meant: Meant, heard: Heard) -> tuple[FieldScore, ...]:
    """What became of each drug, dose, unit, route, number and time that was said; each value said counts once."""
    _, wrong = _told_apart(meant, heard)
    right = [entered.fields for entered in heard.events]
    found: list[FieldScore] = []
    for truth in meant.events:
        if truth in right:
            right.remove(truth)
            taken: Fields | None = truth
        else:
            alike = [one for one in wrong if one.fields["kind"] == truth["kind"]]
            best = max(alike, key=lambda one: len(one.fields.items() & truth.items()), default=None)
            if best is not None:
                wrong.remove(best)
            taken = best.fields if best else None
        found += _fields_of(truth, taken)
    return tuple(found)


def _fields_of(truth: Fields, taken: Fields | None) -> list[FieldScore]:
    drug_only = {"dose", "unit"}
    found = []
    for group, names in GROUPS.items():
        if group in drug_only and truth["kind"] != "medication":
            continue
        for name in sorted(names & truth.keys()):
            entered = None if taken is None or name not in taken else _text(taken[name])
            found.append(FieldScore(group, _text(truth[name]), entered))
    return found


def _text(value: object) -> str:
    return format(value.normalize(), "f") if isinstance(value, Decimal) else str(value)


@dataclass(frozen=True)
class FalseEntries:
    """What came of a stretch of talk that is not for the log."""

    seconds: float
    """Length of the recording."""
    events: int = 0
    """Events entered, flagged or not, and decisions made by a command that nobody gave."""
    drugs: int = 0
    """Events of drugs among them."""
    unflagged: int = 0
    """Those entered with no flag, and the decisions."""
    questions: int = 0
    """Utterances answered with a question."""


def false_entries(seconds: float, heard: Sequence[Heard]) -> FalseEntries:
    """Count what talk led to; all of it is false."""
    events = [entered for one in heard for entered in one.events]
    decisions = sum(len(one.decisions) for one in heard)
    return FalseEntries(
        seconds,
        len(events) + decisions,
        sum(entered.is_drug for entered in events),
        sum(not entered.flags for entered in events) + decisions,
        sum(one.question for one in heard),
    )
