"""Judges what became of a callout against its truth, and what came of talk that is not for the log; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .callouts import Callout, Fields

Outcome = Literal["exact", "asked", "partly", "rejected", "wrong"]
OUTCOMES: tuple[Outcome, ...] = ("exact", "asked", "partly", "rejected", "wrong")

NUMBERS = frozenset(
    "value systolic diastolic dose volume_ml concentration total eye verbal motor left_mm right_mm flow_lpm energy_j"
    " gauge age weight_kg stated_time".split()
)
"""Fields whose value was spoken as a number."""
_NAMES = {"vital_sign": "sign", "medication": "drug", "assessment": "finding", "procedure": "procedure"}


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
    """What one utterance led to."""

    words: str = ""
    """The recogniser's first reading."""
    events: tuple[Entered, ...] = ()
    commands: tuple[str, ...] = ()
    """Commands obeyed."""
    decisions: tuple[str, ...] = ()
    """What was decided by voice about earlier entries: confirmed, rejected, amended."""
    question: bool = False
    """Whether a question was asked."""


@dataclass(frozen=True)
class Score:
    """The judgement of one callout."""

    outcome: Outcome
    """exact: all of it entered as said, unflagged. asked: a question, or entered flagged. partly: some of its events
    entered as said, the rest missed. rejected: nothing entered. wrong: an unflagged entry, or a decision, that differs
    from the truth."""
    drug_wrong: bool = False
    """A wrong drug, dose, unit or route was entered and read back for a confirm, flagged or not."""
    name_error: bool = False
    """An entry, flagged or not, names a drug that was not said."""
    number_error: bool = False
    """An entry, flagged or not, has a number that was not said."""


def score(callout: Callout, heard: Heard) -> Score:
    """Judge what a callout led to."""
    missing = list(callout.events)
    wrong: list[Entered] = []
    for entered in heard.events:
        if entered.fields in missing:
            missing.remove(entered.fields)
        else:
            wrong.append(entered)
    undecided = list(callout.decisions)
    false_decision = False
    for decision in heard.decisions:
        if decision in undecided:
            undecided.remove(decision)
        else:
            false_decision = True
    nearest = [(entered, _nearest(entered.fields, missing)) for entered in wrong]
    return Score(
        _outcome(heard, bool(missing or undecided or not _obeyed(callout, heard)), wrong, false_decision),
        drug_wrong=any(entered.is_drug for entered in wrong),
        name_error=any(entered.is_drug and _name(entered.fields) != _name(truth) for entered, truth in nearest),
        number_error=any(_number_differs(entered.fields, truth) for entered, truth in nearest),
    )


def _outcome(heard: Heard, lacking: bool, wrong: Sequence[Entered], false_decision: bool) -> Outcome:
    if false_decision or any(not entered.flags for entered in wrong):
        return "wrong"
    if heard.question or any(entered.flags for entered in heard.events):
        return "asked"
    if not lacking:
        return "exact"
    return "partly" if heard.events or heard.decisions else "rejected"


def _obeyed(callout: Callout, heard: Heard) -> bool:
    return callout.commands == heard.commands


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
