"""The confirm/correct state machine: pure; an utterance and the state in, the next state and what to enter and say out.

Drugs and flagged entries stand only after a spoken confirm and are ``unconfirmed`` until then; silence never confirms.
Other entries stand once they were read back and the next callout did not correct them. Nothing is ever changed: each
decision and each correction is a new entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from voicelog.dialogue.corrections import Correction, find_correction, merged
from voicelog.dialogue.state import DialogueState, Enter, Heard, Standing, Step
from voicelog.dialogue.times import moment_of
from voicelog.dialogue.wording import needs_confirm, question_text, read_back, spoken
from voicelog.events import Event, Medication, placed_in_time
from voicelog.grammar.model import Drug
from voicelog.parse.result import Context, Draft, ParseResult, Question

_LISTEN_AGAIN = {"fits nowhere", "too much"}


def context_of(state: DialogueState) -> Context:
    """What the case so far lets the next callout leave out."""
    drugs = [entry.event.drug for entry in state.standing if isinstance(entry.event, Medication)]
    return Context(last_drug=drugs[-1] if drugs else None, expects_value=state.correcting)


def step(state: DialogueState, heard: Heard, drugs: Mapping[str, Drug]) -> Step:
    """What one utterance does to the dialogue.

    Args:
        state: the dialogue so far.
        heard: the parsed utterance.
        drugs: the formulary, by generic name.
    """
    result = merged(state.question, heard.result, drugs)
    turn = _Turn(state, heard)
    match result.outcome:
        case "not_understood":
            turn.not_understood(result)
        case "ambiguous":
            turn.settle_standing()
            turn.ask(result)
        case "command":
            turn.command(result, drugs)
        case "events":
            turn.settle_standing()
            turn.record(result.drafts)
    return turn.finish()


def close(state: DialogueState) -> Step:
    """The end of the case: what stands uncorrected is settled; what waits stays unconfirmed and is named."""
    turn = _Turn(state, None)
    turn.settle_standing()
    waiting = state.waiting
    if waiting:
        names = "; ".join(spoken(entry.event) for entry in waiting)
        turn.speak(f"Not confirmed: {names}.", [entry.id for entry in waiting])
    return turn.finish()


class _Turn:
    """One step in the making: collects entries and speech around a changing state."""

    def __init__(self, state: DialogueState, heard: Heard | None) -> None:
        self.state = state
        self.heard = heard
        self.entries: list[Enter] = []
        self.said: list[str] = []

    def finish(self) -> Step:
        return Step(self.state, tuple(self.entries), tuple(self.said))

    @property
    def utterance(self) -> str | None:
        return self.heard.utterance if self.heard else None

    def speak(self, text: str, events: list[str]) -> None:
        self.entries.append(Enter("read_back", {"text": text, "events": events}))
        self.said.append(text)
        self.state = replace(self.state, last_said=text)

    def decide(self, entry: Standing, status: str, basis: str) -> None:
        body = {"event": entry.id, "status": status, "basis": basis, "utterance": self.utterance}
        self.entries.append(Enter("decision", body))

    def _change(self, entry: Standing, **fields: object) -> None:
        changed = tuple(replace(e, **fields) if e.id == entry.id else e for e in self.state.standing)  # type: ignore[arg-type]
        self.state = replace(self.state, standing=changed)

    def settle_standing(self) -> None:
        """Entries that need no confirm stand once something else is said."""
        for entry in self.state.standing:
            if not entry.waits and not entry.settled:
                self.decide(entry, "confirmed", "stood after read-back")
                self._change(entry, settled=True)

    def record(self, drafts: tuple[Draft, ...], amends: Standing | None = None) -> None:
        """Enter drafts, read them back and let them stand; ``amends`` is replaced by the first of them."""
        assert self.heard is not None
        new: list[Standing] = []
        for draft in drafts:
            number = self.state.entered + 1
            old = amends if draft is drafts[0] else None
            event = _placed(draft.event, self.heard.at)
            entry = Standing(f"E{number}", event, self.heard.utterance, needs_confirm(draft), False, old)
            body = {
                "id": entry.id,
                "event": event.model_dump(),
                "flags": list(draft.flags),
                "needs_confirm": entry.waits,
                "utterance": self.heard.utterance,
                "amends": old.id if old else None,
            }
            self.entries.append(Enter("event", body))
            if old:
                self.decide(old, "amended", f"corrected by {entry.id}")
            new.append(entry)
            standing = tuple(e for e in self.state.standing if old is None or e.id != old.id)
            self.state = replace(self.state, standing=(*standing, entry), entered=number)
        self.state = replace(self.state, correcting=False, question=None)
        self.speak(read_back(drafts, corrected=amends is not None), [entry.id for entry in new])

    def not_understood(self, result: ParseResult) -> None:
        words = " ".join(word.text for word in result.words)
        body = {"reason": result.reason, "words": words, "utterance": self.utterance}
        self.entries.append(Enter("not_understood", body))
        # Talk is left alone; only what comes close to a callout, or answers voicelog, is asked for again.
        if self.state.correcting or any(mark in result.reason for mark in _LISTEN_AGAIN):
            self.speak("Say again.", [])

    def ask(self, result: ParseResult) -> None:
        if result.drafts:
            self.record(result.drafts)
        question = result.questions[0]
        text = question_text(question)
        self.entries.append(Enter("question", {"text": text, "about": question.about, "utterance": self.utterance}))
        self.said.append(text)
        self.state = replace(self.state, last_said=text, question=question)

    def command(self, result: ParseResult, drugs: Mapping[str, Drug]) -> None:
        drafts_used = False
        for name in result.commands:
            self.entries.append(Enter("command", {"command": name, "utterance": self.utterance}))
            match name:
                case "confirm":
                    self.confirm(result.named_drug)
                case "correction":
                    self.correct(result, drugs)
                    drafts_used = True
                case "take_back":
                    self.take_back()
                case "say_again":
                    self.speak(self.state.last_said or "Nothing to say again.", [])
                case "what_is_due":
                    self.say_what_is_due()
        if result.drafts and not drafts_used:
            self.settle_standing()
            self.record(result.drafts)

    def confirm(self, named_drug: str | None) -> None:
        """Bind a confirm: to the named drug, else to what was read back last and waits."""
        waiting = [
            entry
            for entry in self.state.waiting
            if named_drug is None or (isinstance(entry.event, Medication) and entry.event.drug == named_drug)
        ]
        self.settle_standing()
        if not waiting:
            self.speak(f"No {named_drug} waits for confirm." if named_drug else "Nothing waits for confirm.", [])
            return
        group = [entry for entry in waiting if entry.group == waiting[-1].group]
        for entry in group:
            self.decide(entry, "confirmed", "spoken confirm")
            self._change(entry, waits=False, settled=True)
        text = f"Confirmed: {'; '.join(spoken(entry.event) for entry in group)}."
        if self.state.waiting:
            text += f" Still waiting: {'; '.join(spoken(entry.event) for entry in self.state.waiting)}."
        self.speak(text, [entry.id for entry in group])

    def correct(self, result: ParseResult, drugs: Mapping[str, Drug]) -> None:
        match find_correction(self.state.standing, result, drugs):
            case Correction(target, drafts):
                self.record(drafts, amends=target)
            case Question() as question:
                text = question_text(question)
                body = {"text": text, "about": question.about, "utterance": self.utterance}
                self.entries.append(Enter("question", body))
                self.said.append(text)
                self.state = replace(self.state, last_said=text, correcting=True)

    def take_back(self) -> None:
        if not self.state.standing:
            self.speak("Nothing to take back.", [])
            return
        entry = self.state.standing[-1]
        self.decide(entry, "rejected", "taken back")
        standing = self.state.standing[:-1]
        text = f"Taken back: {spoken(entry.event)}."
        if entry.amends:
            old = replace(entry.amends, settled=True)
            self.decide(old, "unconfirmed" if old.waits else "confirmed", f"correction {entry.id} taken back")
            standing = (*standing, old)
            text += f" It stands as {spoken(old.event)}."
        self.state = replace(self.state, standing=standing, correcting=False, question=None)
        self.speak(text, [entry.id])

    def say_what_is_due(self) -> None:
        waiting = self.state.waiting
        if waiting:
            names = "; ".join(spoken(entry.event) for entry in waiting)
            self.speak(f"Waiting for confirm: {names}.", [entry.id for entry in waiting])
        else:
            self.speak("Nothing is due.", [])


def _placed(event: Event, heard_at: datetime) -> Event:
    occurred = moment_of(event.stated_time, heard_at) if event.stated_time else heard_at
    return placed_in_time(event, heard_at, occurred)
