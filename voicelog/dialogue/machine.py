"""The confirm/correct state machine: pure; an utterance and the state in, the next state and what to enter and say out.

Drugs and flagged entries stand only after a spoken confirm and are ``unconfirmed`` until then; silence never confirms.
Other entries stand once they were read back and the next callout did not correct them. Nothing is ever changed: each
decision and each correction is a new entry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from voicelog.checks.finding import Finding
from voicelog.checks.protocol import Protocol
from voicelog.dialogue.corrections import Replacement, answerable, find_correction, merged
from voicelog.dialogue.second_look import SecondLook, due_clocks, look_again
from voicelog.dialogue.state import DialogueState, Enter, Heard, Standing, Step
from voicelog.dialogue.times import moment_of
from voicelog.dialogue.together import clash, commands_of, opens_with
from voicelog.dialogue.wording import needs_confirm, question_text, read_back, spoken
from voicelog.events import Event, Medication, placed_in_time
from voicelog.grammar.model import Drug
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.result import Context, Draft, ParseResult, Question

_LISTEN_AGAIN = {"fits nowhere", "too much", "cut off", "while I spoke", "one listener only"}
_END = "end_case"
_ALONE = Question("value", "Not clear. Say it again, one thing at a time.")


def _is_number(word: str) -> bool:
    return word in NUMBER_WORDS or word[0].isdigit()


def context_of(state: DialogueState) -> Context:
    """What the case so far lets the next callout leave out."""
    drugs = [entry.event.drug for entry in state.standing if isinstance(entry.event, Medication)]
    known = Context(drugs[-1] if drugs else None, state.correcting)
    if state.question is None or state.last_said != question_text(state.question):
        # Something else was said since: a number or a unit alone need not be the answer any more.
        return known
    return replace(known, unfinished=state.unfinished, asks_for=answerable(state.question))


def step(state: DialogueState, heard: Heard, drugs: Mapping[str, Drug], protocol: Protocol | None = None) -> Step:
    """What one utterance does to the dialogue.

    Args:
        state: the dialogue so far.
        heard: the parsed utterance.
        drugs: the formulary, by generic name.
        protocol: the rules of the checks over the whole case; None for none.
    """
    result = merged(state.question, heard.result, drugs)
    turn = _Turn(state, heard, drugs, protocol)
    if asked_to_end(state) and turn.end(result):
        return turn.finish()
    match result.outcome:
        case "not_understood":
            turn.not_understood(result)
        case "ambiguous" if result.commands:
            turn.unclear_command(result, drugs)
        case "ambiguous":
            turn.settle_standing()
            turn.ask(result)
        case "command":
            turn.command(result, drugs)
        case "events":
            turn.settle_standing()
            turn.record([Replacement(draft) for draft in result.drafts])
    return turn.finish()


def asked_to_end(state: DialogueState) -> bool:
    """Whether the next confirm ends the case: nothing else was said since it was asked."""
    question = state.question
    return question is not None and question.about == _END and state.last_said == question_text(question)


def echoed(state: DialogueState, heard: Heard) -> Step:
    """Enter that voicelog heard itself; what was asked and offered before is so still."""
    words = " ".join(word.text for word in heard.result.words)
    body = {"reason": heard.result.reason, "words": words, "utterance": heard.utterance}
    return Step(state, (Enter("not_understood", body),))


def remind(state: DialogueState, entries: Sequence[Standing]) -> Step:
    """Say once more what waits, and let the next bare confirm bind to it."""
    turn = _Turn(state, None)
    turn.speak(f"Waiting for confirm: {_named(entries)}. Confirm?", entries)
    turn.offer(entries)
    return turn.finish()


def announce(state: DialogueState, protocol: Protocol, at: datetime) -> Step:
    """Say which clocks have fallen due, each once; a question or an offer stays open."""
    clocks = [c for c in due_clocks(state.standing, protocol, at) if c.aloud and c.key not in state.told]
    if not clocks:
        return Step(state)
    text = " ".join(f"{clock.for_ear[:1].upper()}{clock.for_ear[1:]}." for clock in clocks)
    told = state.told | {clock.key for clock in clocks}
    return Step(replace(state, told=told), (Enter("read_back", {"text": text, "events": []}),), (text,))


def settle_late(state: DialogueState, group: str, flag: str, agreed: bool) -> Step:
    """The second listener has heard an utterance that was entered without it.

    Args:
        state: the dialogue so far.
        group: the utterance.
        flag: what its entries were flagged with for want of the second listener.
        agreed: whether it bears them out; drugs and entries with other flags wait for a spoken confirm all the same.
    """
    turn = _Turn(state, None)
    entries = [entry for entry in state.standing if entry.group == group and flag in entry.flags]
    if agreed:
        for entry in entries:
            turn.vouch(entry, flag)
    elif entries:
        turn.speak(f"{_named(entries).capitalize()}: not sure. Confirm, or correct it.", entries)
        turn.offer(entries)
    return turn.finish()


def close(state: DialogueState) -> Step:
    """The end of the case: what stands uncorrected is settled; what waits stays unconfirmed and is named."""
    turn = _Turn(state, None)
    turn.settle_standing()
    waiting = state.waiting
    for entry in waiting:
        turn.decide(entry, "unconfirmed", "never confirmed")
    if waiting:
        turn.speak(f"Not confirmed: {_named(waiting)}.", waiting)
    return turn.finish()


class _Turn:
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

    def not_understood(self, result: ParseResult) -> None:
        words = " ".join(word.text for word in result.words)
        body = {"reason": result.reason, "words": words, "utterance": self.utterance}
        self.entries.append(Enter("not_understood", body))
        # This may have been a missed callout: a confirm right after it must not bind to an older entry unheard.
        self.state = replace(self.state, offered=())
        if result.words and all(_is_number(word.text) for word in result.words):
            self.doubt_newest()
            return
        # Talk is left alone; only what comes close to a callout, or answers voicelog, is asked for again.
        if self.state.correcting or any(mark in result.reason for mark in _LISTEN_AGAIN):
            self.speak("Say again.")

    def doubt_newest(self) -> None:
        """A number alone may be the rest of the callout before it, as in "one hundred", a pause, "twenty"."""
        newest = self.state.standing[-1] if self.state.standing else None
        if newest is None or newest.group != self.state.latest:
            self.speak("Say again.")
            return
        if not newest.waits:
            self.decide(newest, "unconfirmed", "a number alone came after it")
            self._change(newest, waits=True, settled=True)
        self.speak(f"{spoken(newest.event).capitalize()}, and then a number. Confirm, or correct it.", [newest])
        self.offer([newest])

    def ask(self, result: ParseResult) -> None:
        """Enter what is clear, and ask about the rest."""
        if result.drafts:
            self.record([Replacement(draft) for draft in result.drafts])
        # "correction ..." that can be read two ways: its repetition is still a correction.
        self.put(result.questions[0], correcting=self.state.correcting or opens_with(result, "correction"))
        if not result.drafts:
            self.state = replace(self.state, unfinished=result.words)

    def put(self, question: Question, *, correcting: bool = False) -> None:
        """Ask. What waited for a confirm must be read back once more before one counts."""
        text = question_text(question)
        self.entries.append(Enter("question", {"text": text, "about": question.about, "utterance": self.utterance}))
        self.said.append(text)
        self.state = replace(
            self.state, last_said=text, question=question, unfinished=(), correcting=correcting, offered=()
        )

    def unclear_command(self, result: ParseResult, drugs: Mapping[str, Drug]) -> None:
        """A command with something unclear in the same breath: parts of a correction are taken, nothing else is."""
        for name in result.commands:
            self.entries.append(Enter("command", {"command": name, "utterance": self.utterance}))
        if set(result.commands) == {"correction"} and opens_with(result, "correction"):
            self.correct(result, drugs)
        else:
            self.put(_ALONE)

    def command(self, result: ParseResult, drugs: Mapping[str, Drug]) -> None:
        for name in result.commands:
            self.entries.append(Enter("command", {"command": name, "utterance": self.utterance}))
        alone = len(result.commands) == 1 and not (result.drafts or result.fragment)
        question = clash(result) if alone or _END not in result.commands else _ALONE
        if question:
            self.put(question)
            return
        commands = commands_of(result)
        for name in commands:
            match name:
                case "confirm":
                    self.confirm(result.named_drug, result.fragment.get("concentration"))
                case "correction":
                    self.correct(result, drugs)
                case "take_back":
                    self.take_back()
                case "say_again":
                    self.speak(self.state.last_said or "Nothing to say again.")
                case "what_is_due":
                    self.say_what_is_due()
                case "end_case":
                    self.ask_to_end()
        if result.drafts and "correction" not in commands:
            self.settle_standing()
            self.record([Replacement(draft) for draft in result.drafts])

    def ask_to_end(self) -> None:
        """Name what was never confirmed and ask; nothing but a confirm right after it ends the case."""
        self.settle_standing()
        waiting = self.state.waiting
        never = f" Not confirmed: {_named(waiting)}." if waiting else ""
        self.put(Question(_END, f"End the case?{never} Say confirm."))

    def end(self, result: ParseResult) -> bool:
        """Take the answer to the question whether to end; True when nothing else is to be done with it."""
        if result.outcome == "command" and not (result.drafts or result.fragment):
            if result.commands == ("confirm",) and result.named_drug is None:
                self.entries.append(Enter("command", {"command": "confirm", "utterance": self.utterance}))
                self.speak("Case ended.")
                self.state = replace(self.state, question=None, ended=True)
                return True
            if result.commands in {("take_back",), ("say_again",)}:
                # "Scratch that" means the question, not the newest entry; said again, it is still the question.
                return False
        self.state = replace(self.state, question=None)
        return False

    def confirm(self, drug: str | None, concentration: str | None) -> None:
        """Bind a confirm to the drug it names, else to what was read back last and waits.

        When something else was asked or taken back since that read-back, it is read back again first.
        """
        self.settle_standing()
        waiting = [entry for entry in self.state.waiting if drug is None or _is_of(entry.event, drug, concentration)]
        if not waiting:
            self.speak(f"No {drug} waits for confirm." if drug else "Nothing waits for confirm.")
            self.state = replace(self.state, correcting=False)
            return
        newest = [entry for entry in waiting if entry.group == waiting[-1].group]
        named = newest if drug else self._still_offered()
        if self.state.correcting or not named:
            self.speak(f"Waiting for confirm: {_named(newest)}. Confirm?", newest)
            self.offer(newest)
            self.state = replace(self.state, correcting=False, question=None)
            return
        for entry in named:
            self.decide(entry, "confirmed", "spoken confirm")
            self._change(entry, waits=False, settled=True)
        text = f"Confirmed: {_named(named)}."
        if self.state.waiting:
            text += f" Still waiting: {_named(self.state.waiting)}."
        self.speak(text, named)
        self._offer_newest()

    def _offer_newest(self) -> None:
        waiting = self.state.waiting
        self.offer([entry for entry in waiting if entry.group == waiting[-1].group])

    def correct(self, result: ParseResult, drugs: Mapping[str, Drug]) -> None:
        found = find_correction(self.state.standing, result, drugs)
        if isinstance(found, Question):
            self.put(found, correcting=True)
            self.state = replace(self.state, question=None)
        else:
            self.record(found)

    def take_back(self) -> None:
        """Take back what came last: the question under way, else the newest entry."""
        if self.state.correcting or self.state.question:
            what = "Correction" if self.state.correcting else "Question"
            self.state = replace(self.state, correcting=False, question=None, offered=())
            self.speak(f"{what} dropped. Nothing is changed.")
            return
        if not self.state.standing:
            self.speak("Nothing to take back.")
            return
        entry = self.state.standing[-1]
        self.decide(entry, "rejected", "taken back")
        standing = self.state.standing[:-1]
        text = f"Taken back: {spoken(entry.event)}."
        offer = []
        if entry.amends:
            old = replace(entry.amends, settled=True)
            self.decide(old, "unconfirmed" if old.waits else "confirmed", f"correction {entry.id} taken back")
            standing = (*standing, old)
            text += f" It stands as {spoken(old.event)}."
            if old.waits:
                text += " Confirm?"
                offer = [old]
        self.state = replace(self.state, standing=standing)
        self.speak(text, [entry])
        self.offer(offer)

    def say_what_is_due(self) -> None:
        waiting = self.state.waiting
        said = [f"Waiting for confirm: {_named(waiting)}."] if waiting else []
        if self.protocol and self.heard:
            clocks = due_clocks(self.state.standing, self.protocol, self.heard.at)
            said += [f"{clock.for_ear[:1].upper()}{clock.for_ear[1:]}." for clock in clocks]
        self.speak(" ".join(said) or "Nothing is due.", waiting)
        if waiting:
            self._offer_newest()


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


def _named(entries: Sequence[Standing]) -> str:
    return "; ".join(spoken(entry.event) for entry in entries)


def _is_of(event: Event, drug: str, concentration: str | None) -> bool:
    return isinstance(event, Medication) and event.drug == drug and concentration in (None, event.concentration)


def _placed(event: Event, heard_at: datetime, corrected: Standing | None) -> Event:
    """The event in time: as stated; else, when it corrects another, when that one happened; else when it was heard."""
    if event.stated_time:
        return placed_in_time(event, heard_at, moment_of(event.stated_time, heard_at))
    return placed_in_time(event, heard_at, (corrected and corrected.event.occurred_at) or heard_at)
