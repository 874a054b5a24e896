"""The confirm/correct state machine: pure; an utterance and the state in, the next state and what to enter and say out.

Drugs and flagged entries stand only after a spoken confirm and are ``unconfirmed`` until then; silence never confirms.
Other entries stand once they were read back and the next callout did not correct them. Nothing is ever changed: each
decision and each correction is a new entry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from voicelog.checks.protocol import Protocol
from voicelog.dialogue.corrections import Replacement, answerable, merged
from voicelog.dialogue.entering import named
from voicelog.dialogue.second_look import due_clocks
from voicelog.dialogue.state import DialogueState, Enter, Heard, Standing, Step
from voicelog.dialogue.turn import END, Turn
from voicelog.dialogue.wording import question_text
from voicelog.events import Medication
from voicelog.grammar.model import Drug
from voicelog.parse.result import Context


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
    turn = Turn(state, heard, drugs, protocol)
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
    return question is not None and question.about == END and state.last_said == question_text(question)


def echoed(state: DialogueState, heard: Heard) -> Step:
    """Enter that voicelog heard itself; what was asked and offered before is so still."""
    words = " ".join(word.text for word in heard.result.words)
    body = {"reason": heard.result.reason, "words": words, "utterance": heard.utterance}
    return Step(state, (Enter("not_understood", body),))


def remind(state: DialogueState, entries: Sequence[Standing]) -> Step:
    """Say once more what waits, and let the next bare confirm bind to it."""
    turn = Turn(state, None)
    turn.speak(f"Waiting for confirm: {named(entries)}. Confirm?", entries)
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
    turn = Turn(state, None)
    entries = [entry for entry in state.standing if entry.group == group and flag in entry.flags]
    if agreed:
        for entry in entries:
            turn.vouch(entry, flag)
    elif entries:
        turn.speak(f"{named(entries).capitalize()}: not sure. Confirm, or correct it.", entries)
        turn.offer(entries)
    return turn.finish()


def close(state: DialogueState) -> Step:
    """The end of the case: what stands uncorrected is settled; what waits stays unconfirmed and is named."""
    turn = Turn(state, None)
    turn.settle_standing()
    waiting = state.waiting
    for entry in waiting:
        turn.decide(entry, "unconfirmed", "never confirmed")
    if waiting:
        turn.speak(f"Not confirmed: {named(waiting)}.", waiting)
    return turn.finish()
