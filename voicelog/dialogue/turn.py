"""What each outcome of an utterance does: a turn of the dialogue."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from voicelog.dialogue.corrections import Replacement, find_correction
from voicelog.dialogue.entering import Entering, named
from voicelog.dialogue.second_look import due_clocks
from voicelog.dialogue.state import Enter
from voicelog.dialogue.together import clash, commands_of, opens_with
from voicelog.dialogue.wording import spoken
from voicelog.events import Event, Medication
from voicelog.grammar.model import Drug
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.result import ParseResult, Question

_LISTEN_AGAIN = {"fits nowhere", "too much", "cut off", "while I spoke", "one listener only"}
END = "end_case"
"""The command, and the question it asks."""
_ALONE = Question("value", "Not clear. Say it again, one thing at a time.")


def _is_number(word: str) -> bool:
    return word in NUMBER_WORDS or word[0].isdigit()


class Turn(Entering):
    """One utterance, or the end, and what it leads to."""

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
        question = clash(result) if alone or END not in result.commands else _ALONE
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
                case "start_pacing" | "stop_pacing":
                    self.pace(on=name == "start_pacing")
                case "end_case":
                    self.ask_to_end()
        if result.drafts and "correction" not in commands:
            self.settle_standing()
            self.record([Replacement(draft) for draft in result.drafts])

    def pace(self, *, on: bool) -> None:
        self.state = replace(self.state, pacing=on)
        self.speak("Pacing on, while ventilation goes on." if on else "Pacing off.")

    def ask_to_end(self) -> None:
        """Name what was never confirmed and ask; nothing but a confirm right after it ends the case."""
        self.settle_standing()
        waiting = self.state.waiting
        never = f" Not confirmed: {named(waiting)}." if waiting else ""
        self.put(Question(END, f"End the case?{never} Say confirm."))

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
        meant = newest if drug else self._still_offered()
        if self.state.correcting or not meant:
            self.speak(f"Waiting for confirm: {named(newest)}. Confirm?", newest)
            self.offer(newest)
            self.state = replace(self.state, correcting=False, question=None)
            return
        for entry in meant:
            self.decide(entry, "confirmed", "spoken confirm")
            self._change(entry, waits=False, settled=True)
        text = f"Confirmed: {named(meant)}."
        if self.state.waiting:
            text += f" Still waiting: {named(self.state.waiting)}."
        self.speak(text, meant)
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
        said = [f"Waiting for confirm: {named(waiting)}."] if waiting else []
        if self.protocol and self.heard:
            clocks = due_clocks(self.state.standing, self.protocol, self.heard.at)
            said += [f"{clock.for_ear[:1].upper()}{clock.for_ear[1:]}." for clock in clocks]
        self.speak(" ".join(said) or "Nothing is due.", waiting)
        if waiting:
            self._offer_newest()


def _is_of(event: Event, drug: str, concentration: str | None) -> bool:
    return isinstance(event, Medication) and event.drug == drug and concentration in (None, event.concentration)
