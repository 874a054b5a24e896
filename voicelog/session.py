"""One case under way: utterances go in, and what they mean is checked, talked over and entered before it is said."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.dialogue.attention import UNADDRESSED, addressed, unaddressed
from voicelog.dialogue.echo import ECHO, OWN_VOICE, is_echo, while_speaking, without_answers
from voicelog.dialogue.hearing import doubted, notice
from voicelog.dialogue.machine import announce, close, context_of, echoed, remind, settle_late, step
from voicelog.dialogue.state import DialogueState, Heard, Standing, Step
from voicelog.events import event_fields
from voicelog.parse.agreement import BEHIND, answered, judged
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, ParseResult
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import AdaptedOpinion, Hypothesis, SecondOpinion, Utterance, Word

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.audio.clock import SampleClock
    from voicelog.audio.endpoint import Endpointer
    from voicelog.audio.quality import Fault
    from voicelog.casefile.store import CaseFile
    from voicelog.checks.protocol import Protocol
    from voicelog.grammar.model import Grammar
    from voicelog.recognisers.base import Listener


@dataclass(frozen=True)
class Span:
    """The stretch of audio an utterance was heard in."""

    start: Decimal
    """Seconds on the recording."""
    end: Decimal
    """Seconds on the recording."""
    flac: bytes
    """The audio itself."""
    cut: bool = False
    """It begins or ends in the middle of speech, so its words may be torn."""
    faults: tuple[Fault, ...] = ()
    """What makes it hard to hear, the worst first."""


class Session:
    """Takes utterances in order and enters what they mean; every step is on the disk before it is returned."""

    def __init__(
        self,
        grammar: Grammar,
        case: CaseFile,
        listener: str,
        attention: str = "",
        state: DialogueState | None = None,
        heard: int = 0,
        protocol: Protocol | None = None,
    ) -> None:
        """Begin a case, or go on with one.

        Args:
            grammar: what may be said.
            case: open for writing.
            listener: name of the recogniser.
            attention: word that a callout must begin with, '' for none.
            state: of a case that goes on, from ``restore``.
            heard: utterances that it holds already.
            protocol: the rules of the checks over the whole case; None for none.
        """
        self.grammar = grammar
        self.case = case
        self.listener = listener
        self.protocol = protocol
        self.attention = tuple(word.text for word in words_of(attention))
        self.state = state or DialogueState()
        self._heard = heard
        self._told: dict[Fault, datetime] = {}
        self._waiting: dict[int, tuple[str, tuple[Word, ...], Context, bool]] = {}
        """Utterances entered before the second listener had heard them, by the ticket of its opinion."""

    def hear(
        self, utterance: Utterance, at: datetime, span: Span | None = None, over: str = "", late: bool = False
    ) -> list[EntryDraft]:
        """Enter one utterance and all that follows from it, in one transaction.

        Args:
            utterance: what was heard; word times already on the recording's clock.
            at: when it began, aware.
            span: its audio, None for typed words.
            over: what voicelog itself said meanwhile and may have heard.
            late: it was heard well after it was said, so a command in it may be meant for what stood then.

        Returns:
            The entries made, in order.

        Raises:
            CaseFileError: the case file refuses; nothing of the utterance was entered and the dialogue is unchanged.
        """
        drafts, state = self._step(utterance, at, span, over, late)
        self.case.append(drafts, [span.flac] if span else [])
        self.state, self._heard = state, self._heard + 1
        return drafts

    def would_enter(self, utterance: Utterance, at: datetime, span: Span, over: str) -> list[EntryDraft]:
        """What ``hear`` would enter, while nothing can be recorded."""
        return self._step(utterance, at, span, over, late=False)[0]

    def _step(
        self, utterance: Utterance, at: datetime, span: Span | None, over: str, late: bool
    ) -> tuple[list[EntryDraft], DialogueState]:
        name = f"U{self._heard + 1}"
        context = without_answers(context_of(self.state)) if over or late else context_of(self.state)
        words = addressed(utterance.best.words, self.attention, self.state)
        if words is None:
            result = ParseResult("not_understood", utterance.best.words, reason=UNADDRESSED)
        else:
            noisy = span is not None and "noisy" in span.faults
            result = judged(parse(words, self.grammar, context), utterance, self.grammar, context, noisy)
            result = answered(self.state.question if context.asks_for else None, result, utterance, noisy)
            result = unaddressed(result, utterance.best.words, self.attention, self.state)
            if utterance.second and utterance.second.ticket:
                self._waiting[utterance.second.ticket] = (name, words, context, noisy)
        if span and span.cut:
            result = _torn(result)
        if span and utterance.second is None:
            result = doubted(result, span.faults)
        if late and not over and is_echo(result, self.state.last_said):
            result = ParseResult("not_understood", result.words, reason=ECHO)
        elif late and result.commands:
            result = ParseResult("not_understood", result.words, reason="a command heard too late")
        if over:
            result = while_speaking(result, over)
        heard = Heard(name, at, result)
        if result.reason in OWN_VOICE:
            outcome = echoed(self.state, heard)
        else:
            outcome = step(self.state, heard, self.grammar.drugs, self.protocol)
        body: dict[str, Any] = {
            "id": name,
            "start": span.start if span else None,
            "end": span.end if span else None,
            "clip": clip_hash(span.flac) if span else None,
            "faults": list(span.faults) if span else [],
            "listener": self.listener,
            "alternatives": [_alternative(hypothesis) for hypothesis in utterance.alternatives],
        }
        if utterance.second:
            body["second"] = _second(utterance.second)
        # Of its own voice, and of speech through it, it says nothing.
        notices = [] if over else self._notices(span, at)
        return [EntryDraft("utterance", body, at), *_drafts(outcome, at), *notices], outcome.state

    def settle(self, ticket: int, utterance: Utterance, at: datetime) -> list[EntryDraft]:
        """Settle an utterance that was entered before the second listener had heard it.

        Args:
            ticket: as the second opinion came under.
            utterance: with the second opinion.
            at: now.
        """
        name, words, context, noisy = self._waiting.pop(ticket, ("", (), None, False))
        if context is None:
            return []
        before = parse(words, self.grammar, context)
        now = judged(parse(utterance.best.words, self.grammar, context), utterance, self.grammar, context, noisy)
        agreed = now.outcome == "events" and not now.questions and _events(now) == _events(before) and not now.flags
        outcome = settle_late(self.state, name, BEHIND, agreed)
        opinion = _second(utterance.second) if utterance.second else {}
        drafts = [EntryDraft("second_opinion", {"utterance": name, "agreed": agreed, **opinion}, at)]
        drafts += _drafts(outcome, at)
        self.case.append(drafts)
        self.state = outcome.state
        return drafts

    def tick(self, at: datetime) -> list[EntryDraft]:
        """Say what has fallen due since the last time, each thing once.

        Args:
            at: now, aware.
        """
        if self.protocol is None:
            return []
        outcome = announce(self.state, self.protocol, at)
        drafts = _drafts(outcome, at)
        if drafts:
            self.case.append(drafts)
        self.state = outcome.state
        return drafts

    def remind(self, entries: Sequence[Standing], at: datetime) -> list[EntryDraft]:
        """Enter that what waits is said once more; the next bare confirm binds to it."""
        outcome = remind(self.state, entries)
        drafts = _drafts(outcome, at)
        self.case.append(drafts)
        self.state = outcome.state
        return drafts

    def _notices(self, span: Span | None, at: datetime) -> list[EntryDraft]:
        """What to say of bad sound, if anything."""
        found = notice(span.faults, at, self._told) if span else None
        if found is None:
            return []
        fault, text = found
        self._told[fault] = at
        return [EntryDraft("notice", {"fault": fault, "text": text}, at)]

    def note_gap(self, start: Decimal, end: Decimal | None, reason: str, at: datetime) -> list[EntryDraft]:
        """Enter a stretch in which nothing could be heard."""
        drafts = [EntryDraft("gap", {"start": start, "end": end, "reason": reason}, at)]
        self.case.append(drafts)
        return drafts

    def close(self, at: datetime) -> list[EntryDraft]:
        """Settle what stands, name what was never confirmed, and close the case file."""
        outcome = close(self.state)
        drafts = _drafts(outcome, at)
        if drafts:
            self.case.append(drafts)
        self.state = outcome.state
        self.case.close_case(at)
        return drafts


def _events(result: ParseResult) -> list[dict[str, Any]]:
    return [event_fields(draft.event) for draft in result.drafts]


def _torn(result: ParseResult) -> ParseResult:
    """What may be made of an utterance that begins or ends in the middle of speech.

    It may have lost a digit or a unit at its edge, so nothing of it stands unasked; nor is a command obeyed, for the
    words that are missing may have been "do not".
    """
    if result.commands:
        return ParseResult("not_understood", result.words, reason="cut off in the middle of speech")
    return replace(result, marks=(*result.marks, "cut_off"))


def _drafts(outcome: Step, at: datetime) -> list[EntryDraft]:
    return [EntryDraft(entry.type, dict(entry.body), at) for entry in outcome.enter]


def _exact(value: float | None, places: str) -> Decimal | None:
    return None if value is None else Decimal(value).quantize(Decimal(places))


def _second(second: SecondOpinion) -> dict[str, Any]:
    return {
        "words": [word.text for word in second.words],
        "refusal": second.refusal,
        "score": _exact(second.score, "0.001"),
        "fits": [
            {"words": " ".join(fit.words), "text": fit.text, "score": _exact(fit.score, "0.001")}
            | ({} if fit.kept is None else {"kept": fit.kept})
            for fit in second.fits
            if math.isfinite(fit.score)
        ],
        **({"unlike_adapted": True} if second.unlike_adapted else {}),
        **({"adapted": _adapted(second.adapted)} if second.adapted else {}),
    }


def _adapted(opinion: AdaptedOpinion) -> dict[str, Any]:
    return {
        "words": [word.text for word in opinion.words],
        "score": _exact(opinion.score, "0.001"),
        "borne_out": opinion.borne_out,
        **{
            name: _exact(lead, "0.1")
            for name, lead in (("led_by_number", opinion.led_by_number), ("led_by_name", opinion.led_by_name))
            if lead is not None
        },
        **({"third": [word.text for word in opinion.third.words]} if opinion.third else {}),
    }


def _alternative(hypothesis: Hypothesis) -> dict[str, Any]:
    return {
        "words": [
            {
                "text": word.text,
                "start": _exact(word.start, "0.001"),
                "end": _exact(word.end, "0.001"),
                "confidence": _exact(word.confidence, "0.0001"),
            }
            for word in hypothesis.words
        ]
    }


def listen_to(
    blocks: Iterable[NDArray[np.int16]], endpointer: Endpointer, listener: Listener, clock: SampleClock
) -> Iterator[tuple[Utterance, datetime, Span]]:
    """Recognise a stream of audio, utterance by utterance, as soon as each is over.

    The listener is fed while the crew still speaks, so only the end of an utterance is left to do when it is over.

    Args:
        blocks: int16 mono at 16 kHz, any length each.
        clock: turns sample numbers into times.

    Yields:
        What was heard, with word times on the stream's clock, when it began, and its audio.
    """
    import numpy as np

    from voicelog.audio.flac import encode_flac
    from voicelog.audio.quality import measure

    pieces: list[NDArray[np.int16]] = []
    start = 0
    torn = False
    for block in _speech(blocks, endpointer, listener):
        if block.first:
            pieces, start = [], block.start_sample
        pieces.append(block.samples)
        listener.feed(block.samples)
        if not block.last:
            continue
        audio = np.concatenate(pieces)
        offset = float(clock.seconds(start))
        faults = measure(audio).faults
        end = clock.seconds(block.end_sample)
        span = Span(clock.seconds(start), end, encode_flac(audio), torn or block.cut, faults)
        torn = block.cut
        yield _moved(listener.finish(), offset), clock.at(start), span


def _speech(blocks: Iterable[NDArray[np.int16]], endpointer: Endpointer, listener: Listener) -> Iterator[Any]:
    for block in blocks:
        yield from endpointer.feed(block)
        tail = endpointer.tail()
        if tail is not None:
            # The endpointer waits on, in case the crew goes on; meanwhile the recogniser can be at work.
            listener.guess(tail)
    yield from endpointer.flush()


def _moved(utterance: Utterance, offset: float) -> Utterance:
    """The utterance with its word times on the recording's clock instead of its own."""

    def moved(word: Word) -> Word:
        if word.start is None or word.end is None:
            return word
        return replace(word, start=word.start + offset, end=word.end + offset)

    alternatives = tuple(replace(hyp, words=tuple(moved(word) for word in hyp.words)) for hyp in utterance.alternatives)
    return replace(utterance, alternatives=alternatives)
