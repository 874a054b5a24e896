"""One case under way: utterances go in, and what they mean is checked, talked over and entered before it is said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.dialogue.machine import close, context_of, step
from voicelog.dialogue.state import DialogueState, Heard, Step
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.recognisers.base import Hypothesis, Utterance, Word

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.audio.clock import SampleClock
    from voicelog.audio.endpoint import Endpointer
    from voicelog.casefile.store import CaseFile
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


class Session:
    """Takes utterances in order and enters what they mean; every step is on the disk before it is returned."""

    def __init__(self, grammar: Grammar, case: CaseFile, listener: str) -> None:
        self.grammar = grammar
        self.case = case
        self.listener = listener
        self.state = DialogueState()
        self._heard = 0

    def hear(self, utterance: Utterance, at: datetime, span: Span | None = None) -> list[EntryDraft]:
        """Enter one utterance and all that follows from it, in one transaction.

        Args:
            utterance: what was heard; word times already on the recording's clock.
            at: when it began, aware.
            span: its audio, None for typed words.

        Returns:
            The entries made, in order.

        Raises:
            CaseFileError: the case file refuses; nothing of the utterance was entered and the dialogue is unchanged.
        """
        number = self._heard + 1
        name = f"U{number}"
        result = parse(utterance.best.words, self.grammar, context_of(self.state))
        if span and span.cut:
            result = _torn(result)
        outcome = step(self.state, Heard(name, at, result), self.grammar.drugs)
        body = {
            "id": name,
            "start": span.start if span else None,
            "end": span.end if span else None,
            "clip": clip_hash(span.flac) if span else None,
            "listener": self.listener,
            "alternatives": [_alternative(hypothesis) for hypothesis in utterance.alternatives],
        }
        drafts = [EntryDraft("utterance", body, at), *_drafts(outcome, at)]
        self.case.append(drafts, [span.flac] if span else [])
        self.state, self._heard = outcome.state, number
        return drafts

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


def _torn(result: ParseResult) -> ParseResult:
    """What may be made of an utterance that begins or ends in the middle of speech.

    It may have lost a digit or a unit at its edge, so nothing of it stands unasked; nor is a command obeyed, for the
    words that are missing may have been "do not".
    """
    if result.commands:
        return ParseResult("not_understood", result.words, reason="cut off in the middle of speech")
    return replace(result, drafts=tuple(replace(d, flags=(*d.flags, "cut_off")) for d in result.drafts))


def _drafts(outcome: Step, at: datetime) -> list[EntryDraft]:
    return [EntryDraft(entry.type, dict(entry.body), at) for entry in outcome.enter]


def _alternative(hypothesis: Hypothesis) -> dict[str, Any]:
    def exact(value: float | None, places: str) -> Decimal | None:
        return None if value is None else Decimal(value).quantize(Decimal(places))

    return {
        "words": [
            {
                "text": word.text,
                "start": exact(word.start, "0.001"),
                "end": exact(word.end, "0.001"),
                "confidence": exact(word.confidence, "0.0001"),
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

    pieces: list[NDArray[np.int16]] = []
    start = 0
    torn = False
    for block in _speech(blocks, endpointer):
        if block.first:
            pieces, start = [], block.start_sample
        pieces.append(block.samples)
        listener.feed(block.samples)
        if not block.last:
            continue
        audio = np.concatenate(pieces)
        offset = float(clock.seconds(start))
        span = Span(clock.seconds(start), clock.seconds(block.end_sample), encode_flac(audio), torn or block.cut)
        torn = block.cut
        yield _moved(listener.finish(), offset), clock.at(start), span


def _speech(blocks: Iterable[NDArray[np.int16]], endpointer: Endpointer) -> Iterator[Any]:
    for block in blocks:
        yield from endpointer.feed(block)
    yield from endpointer.flush()


def _moved(utterance: Utterance, offset: float) -> Utterance:
    """The utterance with its word times on the recording's clock instead of its own."""

    def moved(word: Word) -> Word:
        if word.start is None or word.end is None:
            return word
        return replace(word, start=word.start + offset, end=word.end + offset)

    return Utterance(
        tuple(replace(hyp, words=tuple(moved(word) for word in hyp.words)) for hyp in utterance.alternatives)
    )
