"""What the supervisor's page shows of a case, as plain data: what was said, what it became, and both linked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from voicelog.casefile.chain import Entry
from voicelog.casefile.closing import recorded_until
from voicelog.casefile.schema import REVIEW_OPENED
from voicelog.casefile.state import CaseState, RecordedEvent, RecordedUtterance, fold
from voicelog.checks.audit import AuditFinding, audit
from voicelog.checks.protocol import Protocol
from voicelog.grammar.model import Drug
from voicelog.views.labels import written
from voicelog.views.review_fields import FieldView, by_utterance, fields_of, places_of
from voicelog.views.review_normal import NormalRanges, normal_ranges
from voicelog.views.review_talk import Turn, told_in_review, turns_by_utterance
from voicelog.views.screen import printable


@dataclass(frozen=True)
class WordView:
    """One word as heard."""

    text: str
    """The word."""
    fields: tuple[str, ...]
    """The fields that it became, such as ``E5.dose``; none for a word that became no value."""


@dataclass(frozen=True)
class EventView:
    """One entry of the record."""

    recorded: RecordedEvent
    """What is recorded, and where it stands."""
    text: str
    """The entry on one line."""
    at: datetime | None
    """When it happened."""
    fields: tuple[FieldView, ...]
    """Its fields, in the order of the event's own."""
    history: tuple[Turn, ...]
    """Every decision on it, and every comment, in order."""
    corrected_by: str
    """The entry that corrects it; '' for none."""


@dataclass(frozen=True)
class UtteranceView:
    """One stretch of speech and what came of it."""

    id: str
    """Such as ``U5``."""
    at: datetime
    """When it began."""
    start: Decimal | None
    """Seconds on the recording; None for typed words."""
    end: Decimal | None
    """Seconds on the recording; None for typed words."""
    clip: str
    """The hash of its audio; '' where there is none."""
    words: tuple[WordView, ...]
    """The best reading."""
    runners_up: tuple[str, ...]
    """The other readings, best first."""
    second: str
    """What the second listener heard, or why it heard nothing; '' where there was none."""
    faults: tuple[str, ...]
    """What made it hard to hear."""
    events: tuple[str, ...]
    """The entries that came of it."""
    turns: tuple[Turn, ...]
    """How the dialogue went on it."""

    @property
    def outcome(self) -> str:
        """``entry``, ``command``, ``question``, ``not understood`` or ``nothing``."""
        kinds = {turn.kind for turn in self.turns}
        if self.events:
            return "entry"
        for kind in ("question", "command", "not_understood"):
            if kind in kinds:
                return kind.replace("_", " ")
        return "nothing"


@dataclass(frozen=True)
class GapView:
    """A stretch in which voicelog was deaf."""

    at: datetime
    """When it began."""
    seconds: Decimal | None
    """How long; None where the end is not known."""
    reason: str
    """Why."""


@dataclass(frozen=True)
class ReviewModel:
    """All that the page shows of a case."""

    name: str
    """The name of the case file."""
    head: str
    """The hash of its last entry: what a judgement was made on."""
    state: CaseState
    """What its entries fold to."""
    began: datetime
    """The time of its first entry."""
    ended: datetime
    """The latest time of the record, reviews left out."""
    utterances: tuple[UtteranceView, ...]
    """Everything heard, in order."""
    events: tuple[EventView, ...]
    """Everything ever entered, in order of entry."""
    gaps: tuple[GapView, ...]
    """When it was deaf."""
    review: tuple[Turn, ...]
    """What reviewers did, in order."""
    findings: tuple[AuditFinding, ...]
    """What the audit finds."""
    delays: tuple[Decimal, ...]
    """Seconds from the end of an utterance that became an entry to the sound of its read-back, where both are known."""
    normal: NormalRanges
    """What the vitals are shown against."""


def review_model(
    name: str, entries: Sequence[Entry], protocol: Protocol, drugs: Mapping[str, Drug], problems: Iterable[str] = ()
) -> ReviewModel:
    """The page of a case with at least one entry.

    Args:
        name: of the case file.
        entries: all of them, in order.
        protocol: the rules that the audit goes by.
        drugs: the formulary, by generic name.
        problems: what is wrong with the file.

    Raises:
        CaseFileError: an entry is malformed.
    """
    state = fold(entries)
    ended = recorded_until(entries)
    heard = {utterance.id: utterance for utterance in state.utterances}
    by_id = {one.id: one for one in state.events}
    reviewed = next((entry.seq for entry in entries if entry.type == REVIEW_OPENED), len(entries))
    fields = {
        one.id: tuple(fields_of(one, by_id.get(one.amends or "") if one.seq > reviewed else None, heard))
        for one in state.events
    }
    words = by_utterance(field for some in fields.values() for field in some)
    turns = turns_by_utterance(entries)
    came: dict[str, list[str]] = {}
    for one in state.events:
        came.setdefault(one.utterance or "", []).append(one.id)
    bodies = {entry.body["id"]: entry for entry in entries if entry.type == "utterance"}
    utterances = tuple(
        _utterance(one, bodies[one.id], words.get(one.id, []), came.get(one.id, []), turns.get(one.id, ()))
        for one in state.utterances
    )
    corrected = {one.amends: one.id for one in state.events if one.amends}
    history = told_in_review(entries)
    events = tuple(
        EventView(
            one,
            written(one.event),
            one.event.occurred_at or one.event.heard_at,
            fields[one.id],
            history.get(one.id, ()),
            corrected.get(one.id, ""),
        )
        for one in state.events
    )
    return ReviewModel(
        name=printable(name),
        head=entries[-1].hash,
        state=state,
        began=entries[0].at,
        ended=ended,
        utterances=utterances,
        events=events,
        gaps=tuple(_gap(entry) for entry in entries if entry.type == "gap"),
        review=history.get("", ()),
        findings=audit(entries, state, protocol, drugs, problems, ended),
        delays=tuple(_delays(entries, state)),
        normal=normal_ranges(state, protocol),
    )


def _utterance(
    recorded: RecordedUtterance, entry: Entry, fields: list[FieldView], events: list[str], turns: tuple[Turn, ...]
) -> UtteranceView:
    best = recorded.alternatives[0] if recorded.alternatives else ()
    linked: list[list[str]] = [[] for _ in best]
    for field in fields:
        for place in places_of(recorded, field):
            linked[place].append(field.key)
    return UtteranceView(
        id=printable(recorded.id),
        at=entry.at,
        start=recorded.start,
        end=recorded.end,
        clip=recorded.clip or "",
        words=tuple(WordView(printable(word.text), tuple(keys)) for word, keys in zip(best, linked, strict=True)),
        runners_up=tuple(
            printable(" ".join(word.text for word in reading)) or "(nothing)" for reading in recorded.alternatives[1:]
        ),
        second=_second(entry.body.get("second")),
        faults=tuple(printable(str(fault).replace("_", " ")) for fault in entry.body.get("faults") or ()),
        events=tuple(events),
        turns=turns,
    )


_VOTES = ("any other number", "led_by_number"), ("any other name", "led_by_name")
"""What the free-text listener was shown beside the reading of the adapted one, and where its preference stands."""


def _second(body: Any) -> str:
    if not isinstance(body, dict):
        return ""
    words = " ".join(str(word) for word in body.get("words") or ())
    heard = printable(words or f"nothing ({body.get('refusal') or 'no words'})")
    adapted = body.get("adapted")
    if not isinstance(adapted, dict):
        return heard
    wrote = printable(" ".join(str(word) for word in adapted.get("words") or ()))
    same = {True: "the grammar listener heard the same", None: "another wrote the same by itself"}
    with_it = same.get(adapted.get("borne_out", False), "the grammar listener did not hear the same")
    votes = [f"{lead} over {what}" for what, key in _VOTES if (lead := adapted.get(key)) is not None]
    vote = f"; set beside others it leads by {' and '.join(map(str, votes))}" if votes else ""
    proposed = f"the other one proposed: {wrote}" if body.get("unlike_adapted") else f"adapted listener: {wrote}"
    third = f"; asked in doubt, a third wrote: {' '.join(map(str, adapted['third']))}" if adapted.get("third") else ""
    return f"{heard}; {proposed}; {with_it}{printable(vote + third)}"


def _gap(entry: Entry) -> GapView:
    start, end = entry.body.get("start"), entry.body.get("end")
    seconds = Decimal(end) - Decimal(start) if isinstance(start, str) and isinstance(end, str) else None
    return GapView(entry.at, seconds, printable(str(entry.body["reason"])))


def _delays(entries: Sequence[Entry], state: CaseState) -> Iterable[Decimal]:
    """Only a live session notes when a read-back sounded; the first one behind an entry's utterance is its own."""
    became = {event.utterance for event in state.events}
    ends = sorted({one.end for one in state.utterances if one.end is not None and one.id in became})
    sounded = sorted(Decimal(entry.body["start"]) for entry in entries if entry.type == "spoken")
    for place, end in enumerate(ends):
        before = ends[place + 1] if place + 1 < len(ends) else None
        first = next((moment for moment in sounded if moment >= end), None)
        if first is not None and (before is None or first < before):
            yield first - end
