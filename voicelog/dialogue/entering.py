"""Entering, deciding and saying: what every turn of the dialogue is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from voicelog.checks.finding import Finding
from voicelog.checks.protocol import Protocol
from voicelog.dialogue.corrections import Replacement
from voicelog.dialogue.second_look import SecondLook, look_again
from voicelog.dialogue.state import DialogueState, Enter, Heard, Standing, Step
from voicelog.dialogue.times import moment_of
from voicelog.dialogue.wording import needs_confirm, question_text, read_back, spoken
from voicelog.events import Event, Medication, placed_in_time
from voicelog.grammar.model import Drug
from voicelog.parse.result import Draft, Question


class Entering:
    """One step in the making: collects entries and speech around a changing state."""

    def __init__(
        self,
        state: DialogueState,
        heard: Heard | None,
        drugs: Mapping[str, Drug] | None = None,
        protocol: Protocol | None = None,
    ) -> None:
        self.state = state
        self.heard = heard
        self.drugs = drugs or {}
        self.protocol = protocol
        self.entries: list[Enter] = []
        self.said: list[str] = []

    def finish(self) -> Step:
        state = replace(self.state, latest=self.utterance or self.state.latest)
        return Step(state, tuple(self.entries), tuple(self.said))

    @property
    def utterance(self) -> str | None:
        return self.heard.utterance if self.heard else None

    def speak(self, text: str, about: Sequence[Standing] = ()) -> None:
        self.entries.append(Enter("read_back", {"text": text, "events": [entry.id for entry in about]}))
        self.said.append(text)
        self.state = replace(self.state, last_said=text)

    def decide(self, entry: Standing, status: str, basis: str) -> None:
        body = {"event": entry.id, "status": status, "basis": basis, "utterance": self.utterance}
        self.entries.append(Enter("decision", body))

    def _change(self, entry: Standing, **fields: object) -> None:
        changed = tuple(replace(e, **fields) if e.id == entry.id else e for e in self.state.standing)  # type: ignore[arg-type]
        self.state = replace(self.state, standing=changed)

    def vouch(self, entry: Standing, flag: str) -> None:
        """Let an entry stand that waited only because of a flag; any other reason to wait stays."""
        flags = tuple(one for one in entry.flags if one != flag)
        if entry.waits and not flags and not isinstance(entry.event, Medication):
            self.decide(entry, "confirmed", "the second listener agreed")
            self._change(entry, waits=False, settled=True)

    def settle_standing(self) -> None:
        """Entries that need no confirm stand once something else is said."""
        for entry in self.state.standing:
            if not entry.waits and not entry.settled:
                self.decide(entry, "confirmed", "stood after read-back")
                self._change(entry, settled=True)

    def record(self, replacements: Sequence[Replacement]) -> None:
        """Enter drafts, read them back and let them stand, each in the place of what it replaces."""
        assert self.heard is not None
        new: list[Standing] = []
        drafts: list[Draft] = []
        notes: list[str] = []
        doubted: list[str] = []
        for draft, old in ((replacement.draft, replacement.target) for replacement in replacements):
            number = self.state.entered + 1
            draft = replace(draft, flags=tuple(dict.fromkeys((*draft.flags, *self.heard.result.marks))))
            event = _placed(draft.event, self.heard.at, old)
            entry = Standing(
                f"E{number}", event, self.heard.utterance, needs_confirm(draft), False, old, tuple(draft.flags)
            )
            look = self.look_again(draft, entry, old)
            draft = look.draft
            entry = replace(entry, waits=needs_confirm(draft), flags=tuple(draft.flags))
            drafts.append(draft)
            notes += [one.for_ear for one in (*look.others, *look.notes)]
            doubted += [one.about for one in look.others]
            body = {
                "id": entry.id,
                "event": event.model_dump(),
                "flags": list(draft.flags),
                "needs_confirm": entry.waits,
                "utterance": self.heard.utterance,
                "amends": old.id if old else None,
            }
            self.entries.append(Enter("event", body))
            self.entries += [Enter("finding", _finding(one, self.heard.utterance)) for one in look.findings]
            if old:
                self.decide(old, "amended", f"corrected by {entry.id}")
            new.append(entry)
            standing = tuple(e for e in self.state.standing if old is None or e.id != old.id)
            self.state = replace(self.state, standing=(*standing, entry), entered=number)
        self.state = replace(self.state, correcting=False, question=None)
        again = self._doubt(doubted)
        self.speak(read_back(drafts, [r.target.event if r.target else None for r in replacements], notes), new)
        self.offer([*again, *(entry for entry in new if entry.waits)] or self._still_offered())

    def look_again(self, draft: Draft, entry: Standing, old: Standing | None) -> SecondLook:
        """What the checks over the whole case find about a new entry."""
        if self.protocol is None:
            return SecondLook(draft)
        besides = [standing for standing in self.state.standing if old is None or standing.id != old.id]
        return look_again(draft, entry, besides, self.protocol, self.drugs)

    def _doubt(self, names: Sequence[str]) -> list[Standing]:
        """Let older entries wait for a confirm again, because what was entered now speaks against them."""
        doubted = [entry for entry in self.state.standing if entry.id in names and not entry.waits]
        for entry in doubted:
            self.decide(entry, "unconfirmed", "a later entry speaks against it")
            self._change(entry, waits=True, settled=True)
        return [entry for entry in self.state.standing if entry.id in {one.id for one in doubted}]

    def offer(self, entries: Sequence[Standing]) -> None:
        """Let the next bare confirm bind to these entries."""
        self.state = replace(self.state, offered=tuple(entry.id for entry in entries))

    def _still_offered(self) -> list[Standing]:
        return [entry for entry in self.state.waiting if entry.id in self.state.offered]

    def put(self, question: Question, *, correcting: bool = False) -> None:
        """Ask. What waited for a confirm must be read back once more before one counts."""
        text = question_text(question)
        self.entries.append(Enter("question", {"text": text, "about": question.about, "utterance": self.utterance}))
        self.said.append(text)
        self.state = replace(
            self.state, last_said=text, question=question, unfinished=(), correcting=correcting, offered=()
        )


def _finding(finding: Finding, utterance: str) -> dict[str, Any]:
    return {
        "check": finding.check,
        "severity": finding.severity,
        "about": finding.about,
        "beside": list(finding.beside),
        "text": finding.for_eye,
        "source": finding.source,
        "utterance": utterance,
    }


def named(entries: Sequence[Standing]) -> str:
    """Entries as they are spoken of, one after another."""
    return "; ".join(spoken(entry.event) for entry in entries)


def _placed(event: Event, heard_at: datetime, corrected: Standing | None) -> Event:
    """The event in time: as stated; else, when it corrects another, when that one happened; else when it was heard."""
    if event.stated_time:
        return placed_in_time(event, heard_at, moment_of(event.stated_time, heard_at))
    return placed_in_time(event, heard_at, (corrected and corrected.event.occurred_at) or heard_at)
