"""What a reviewer may enter behind a closed case: pure, from the state to the entries of one review."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from voicelog.casefile.chain import Entry, EntryDraft
from voicelog.casefile.review import add_review
from voicelog.casefile.schema import REVIEW_OPENED
from voicelog.casefile.state import CaseState, RecordedEvent, RecordedUtterance, fold
from voicelog.casefile.store import CaseFile
from voicelog.errors import OvertakenError, ReviewError
from voicelog.events import Event, event_fields
from voicelog.grammar.model import Drug
from voicelog.parse.drafts import completed
from voicelog.parse.result import Draft, Question
from voicelog.reviewing.amending import amended_event

LONGEST_NAME, LONGEST_TEXT = 100, 2000


@dataclass(frozen=True)
class Reviewer:
    """Who judges, and when."""

    name: str
    """As given; never blank."""
    at: datetime
    """Now, aware."""

    def __post_init__(self) -> None:
        if not self.name.strip() or len(self.name) > LONGEST_NAME:
            raise ReviewError("A reviewer has a name.", f"Give a name of at most {LONGEST_NAME} signs.")

    def entry(self, kind: str, **body: object) -> EntryDraft:
        """An entry that says who made it."""
        return EntryDraft(kind, {**body, "by": self.name}, self.at)

    def decision(self, event: str, status: str, basis: str) -> EntryDraft:
        """A decision on an entry of the record."""
        return self.entry("decision", event=event, status=status, basis=basis, utterance=None)


Judgement = Callable[[Sequence[Entry], CaseState, Reviewer], list[EntryDraft]]
"""Makes the entries of one review, or raises ReviewError."""


def judge(case: CaseFile, seen: str, by: Reviewer, purpose: str, judgement: Judgement) -> list[Entry]:
    """Enter one judgement on what the reviewer saw, and on nothing else.

    Args:
        case: open for writing, so that nobody else writes between the look at its head and the entering.
        seen: the head that the reviewer's page showed.
        by: the reviewer.
        purpose: of the review, such as ``accept``.
        judgement: what is judged.

    Raises:
        OvertakenError: the case has another head by now.
        ReviewError: the judgement cannot stand, or the case is signed off.
        CaseFileError: as for ``add_review``, or the file is not as it was written.
    """
    entries = list(case.entries())
    if not entries or entries[-1].hash != seen:
        raise OvertakenError("The case was changed meanwhile; nothing was entered.", "Look at it again, then decide.")
    state = fold(entries)
    if state.signed_off and purpose != "undo":
        raise ReviewError(f"The case is signed off by {state.signed_off.by}.", "Undo the sign-off first.")
    if case.problems():
        raise ReviewError("The file is not as it was written, so nothing was entered.", "See `voicelog audit`.")
    return add_review(case, purpose, judgement(entries, state, by), by.at)


def accept(name: str) -> Judgement:
    """The entry is right as it stands."""

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        _standing(state, name)
        return [by.decision(name, "confirmed", f"accepted in review by {by.name}")]

    return made


def enter_in_error(name: str, reason: str) -> Judgement:
    """The entry should not be there; it stays in the file as rejected."""

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        _standing(state, name)
        return [by.decision(name, "rejected", f"entered in error, by {by.name}: {_reason(reason)}")]

    return made


def amend(name: str, changes: Mapping[str, str], reason: str, drugs: Mapping[str, Drug]) -> Judgement:
    """Some fields of an entry are wrong: a new entry points at the old one, which is kept.

    Args:
        name: the entry.
        changes: field name to its new text; '' for a field that was not said.
        reason: why.
        drugs: the formulary: no drug, unit or route is entered that it does not list.
    """

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        old, why = _standing(state, name), _reason(reason)
        event = amended_event(old.event, changes, drugs)
        checked = completed(event_fields(event), event.evidence, drugs)
        _refuse_impossible(event, checked)
        # Whoever writes a value is no surer than whoever says it: what would be asked about aloud stays visible.
        flags = checked.flags if isinstance(checked, Draft) else ("incomplete",)
        new = f"E{len(state.events) + 1}"
        return [
            _event(by, new, Draft(event, flags), old.utterance, old.id, why),
            by.decision(old.id, "amended", f"corrected by {new}, in review by {by.name}: {why}"),
            by.decision(new, "confirmed", f"amended in review by {by.name}"),
        ]

    return made


def _refuse_impossible(event: Event, checked: Draft | Question) -> None:
    """A part that was never said may stay away, which is flagged; a value that cannot be, such as an eye score of 9, or
    that speaks against another one, is not entered."""
    if not isinstance(checked, Question):
        return
    if checked.about == "value" or getattr(event, checked.about, None) is not None:
        why = checked.text.removesuffix(" Say again.")
        raise ReviewError(f"This cannot be right: {why}", "Write all values that belong together.")


def add_missed(utterance: str, callouts: Sequence[Draft], reason: str) -> Judgement:
    """An utterance held callouts of which no entry was made; each keeps the flags that it would have had."""

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        heard, why = _heard(state, utterance), _reason(reason)
        if not callouts:
            raise ReviewError("There is nothing to enter.", "Write the callout as it was said.")
        drafts: list[EntryDraft] = []
        for number, draft in enumerate(callouts, start=len(state.events) + 1):
            drafts.append(_event(by, f"E{number}", draft, heard.id, None, why))
            drafts.append(by.decision(f"E{number}", "confirmed", f"added in review by {by.name}: {why}"))
        return drafts

    return made


def comment(about: str, text: str) -> Judgement:
    """A remark on an entry or an utterance, or with '' on the whole case."""

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        known = {one.id for one in state.events} | {one.id for one in state.utterances} | {""}
        if about not in known:
            raise ReviewError(f"There is no {about} in the case.", "Choose one that the page shows.")
        return [by.entry("review_comment", about=about, text=_reason(text))]

    return made


def sign_off() -> Judgement:
    """The reviewer vouches for the case; from then on only this can be undone."""
    return lambda entries, state, by: [by.entry("signed_off")]


def undo(review: int) -> Judgement:
    """Take back what one review entered: its entries are rejected, what it decided stands as before it.

    Args:
        review: the entry that opened it.
    """

    def made(entries: Sequence[Entry], state: CaseState, by: Reviewer) -> list[EntryDraft]:
        inside, later = _parts(entries, review, state.undone)
        if review in state.undone:
            raise ReviewError("That is undone already.", "Look at the page again.")
        if any(entry.type == "review_undone" for entry in inside):
            raise ReviewError("An undoing is not undone.", "Judge again instead.")
        if state.signed_off and state.signed_off.review != review:
            raise ReviewError(f"The case is signed off by {state.signed_off.by}.", "Undo the sign-off first.")
        touched = [entry.body["event"] for entry in inside if entry.type == "decision"]
        for entry in later:
            if entry.type in ("decision", "event") and {entry.body.get("event"), entry.body.get("amends")} & {*touched}:
                raise ReviewError("An entry of it was judged again since.", "Undo the later judgement first.")
        before = {one.id: one for one in fold(entries[: review - 1]).events}
        basis = f"undone in review by {by.name}"
        drafts = [by.entry("review_undone", review=review)]
        for name in dict.fromkeys(touched):
            # "proposed" is no decision; it is what stands only until one is made.
            status = before[name].status if name in before else "rejected"
            drafts.append(by.decision(name, "unconfirmed" if status == "proposed" else status, basis))
        return drafts

    return made


def reviews(entries: Sequence[Entry], state: CaseState) -> list[tuple[Entry, str, bool]]:
    """Every judgement: the entry that opened it, who made it, and whether it can be undone."""
    found = []
    for place, entry in enumerate(entries[:-1]):
        if entry.type == REVIEW_OPENED and entry.body["purpose"] in PURPOSES:
            by = str(entries[place + 1].body.get("by") or "")
            found.append((entry, by, entry.seq not in state.undone and entry.body["purpose"] != "undo"))
    return found


PURPOSES = ("accept", "amend", "add", "error", "comment", "sign-off", "undo")
"""What a review by a person may be for."""


def _parts(entries: Sequence[Entry], review: int, undone: Collection[int]) -> tuple[Sequence[Entry], Sequence[Entry]]:
    """The entries inside a review, and those behind it that count: what was undone left no trace in the state."""
    if not 0 < review <= len(entries) or entries[review - 1].type != REVIEW_OPENED:
        raise ReviewError(f"Entry {review} opens no review.", "Look at the page again.")
    if entries[review - 1].body["purpose"] not in PURPOSES:
        raise ReviewError(f"What entry {review} opened cannot be undone.", "")
    passed: set[int] = set()
    opened, purpose = 0, ""
    for entry in entries:
        if entry.type == REVIEW_OPENED:
            opened, purpose = entry.seq, entry.body["purpose"]
        if opened in undone or purpose == "undo":
            passed.add(entry.seq)
    end = next(place for place in range(review, len(entries)) if entries[place].type == "case_closed")
    return entries[review:end], [entry for entry in entries[end:] if entry.seq not in passed]


def _standing(state: CaseState, name: str) -> RecordedEvent:
    found = next((one for one in state.events if one.id == name), None)
    if found is None or found.status in ("amended", "rejected"):
        raise ReviewError(f"{name} does not stand in the record.", "Only an entry that stands can be judged.")
    return found


def _heard(state: CaseState, name: str) -> RecordedUtterance:
    found = next((one for one in state.utterances if one.id == name), None)
    if found is None:
        raise ReviewError(f"There is no utterance {name} in the case.", "Choose one that the page shows.")
    return found


def _event(by: Reviewer, name: str, draft: Draft, utterance: str | None, amends: str | None, reason: str) -> EntryDraft:
    return by.entry(
        "event",
        id=name,
        event=draft.event.model_dump(),
        flags=list(draft.flags),
        needs_confirm=True,
        utterance=utterance,
        amends=amends,
        reason=reason,
    )


def _reason(text: str) -> str:
    if not text.strip() or len(text) > LONGEST_TEXT:
        raise ReviewError("This needs a few words: why, or what.", f"Write at most {LONGEST_TEXT} signs.")
    return text.strip()
