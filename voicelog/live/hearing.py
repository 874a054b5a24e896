"""The hearing thread: sound goes in as it comes, what was said comes out; the session never waits for it."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from voicelog.audio.endpoint import Endpointer, EndpointSettings, SpeechBlock
from voicelog.live.clock import ShiftedClock
from voicelog.live.memory import give_back
from voicelog.recognisers.base import SAMPLE_RATE, Listener, Utterance
from voicelog.session import Span, listen_to

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.audio.clock import SampleClock

MOST_BEHIND_S = 600.0
"""Sound held for the recogniser; what comes then is in the case file, but not heard."""
_TORN_S = 0.1


@dataclass(frozen=True)
class Speech:
    """One utterance as heard."""

    utterance: Utterance
    """With word times on the case's clock."""
    at: datetime
    """When it began."""
    span: Span
    """Its sound."""
    ready: float = 0.0
    """``time.monotonic()`` when it was understood, in seconds."""


@dataclass(frozen=True)
class Opinion:
    """What the second listener made of an utterance that was given out before."""

    ticket: int
    """As the utterance's own opinion had it."""
    utterance: Utterance
    """With the opinion."""


class Ear:
    """Hears a stream with holes: what stands at a hole may be torn and is marked as cut."""

    def __init__(self, listener: Listener, clock: SampleClock) -> None:
        self.speech = False
        """Whether somebody speaks."""
        self._listener, self._clock = listener, clock
        self._next: int | None = None
        self._held: tuple[int, NDArray[np.int16]] | None = None
        self._broken = False

    def hear(self, blocks: Iterator[tuple[int, NDArray[np.int16]]]) -> Iterator[Speech]:
        """What is said in the blocks, each with the case's number of its first sample; a hole is one in the numbers."""
        self._held = next(blocks, None)
        while self._held is not None:
            clock = ShiftedClock(self._clock.started_at, first=self._held[0])
            self._broken = False
            for utterance, at, span in listen_to(self._stretch(blocks), _Watched(self), self._listener, clock):
                torn = self._broken or _from_the_first(utterance, span, clock)
                yield Speech(utterance, at, replace(span, cut=span.cut or torn), time.monotonic())
            self.speech = False

    def _stretch(self, blocks: Iterator[tuple[int, NDArray[np.int16]]]) -> Iterator[NDArray[np.int16]]:
        """The samples up to the next hole, whose first block is then held."""
        assert self._held is not None
        place = self._held[0]
        while self._held is not None and self._held[0] == place:
            place += len(self._held[1])
            yield self._held[1]
            self._held = next(blocks, None)
        self._broken = True


class _Watched(Endpointer):
    """Tells whether somebody speaks."""

    def __init__(self, ear: Ear) -> None:
        super().__init__(EndpointSettings())
        self._ear = ear

    def feed(self, block: NDArray[np.int16]) -> list[SpeechBlock]:
        ready = super().feed(block)
        if ready:
            self._ear.speech = not ready[-1].last
        return ready


def _from_the_first(utterance: Utterance, span: Span, clock: ShiftedClock) -> bool:
    """Whether speech was under way already when the sound began."""
    begin = clock.seconds(0)
    starts = [word.start for word in utterance.best.words if word.start is not None]
    return span.start == begin and (not starts or starts[0] - float(begin) < _TORN_S)


class HearingThread:
    """Owns the recogniser while it runs."""

    def __init__(self, listener: Listener, clock: SampleClock) -> None:
        self.failure: Exception | None = None
        """What ended the thread before its time."""
        self.most_behind_s = 0.0
        """Most seconds of live sound that ever waited for the recogniser."""
        self._ear, self._listener = Ear(listener, clock), listener
        self._in: queue.SimpleQueue[tuple[int, NDArray[np.int16]] | None] = queue.SimpleQueue()
        self._out: queue.SimpleQueue[Speech | Opinion] = queue.SimpleQueue()
        self._given = self._taken = self._stored = 0
        self._thread = threading.Thread(target=self._run, name="hearing", daemon=True)
        self._thread.start()

    def sound(self, samples: NDArray[np.int16], start: int) -> bool:
        """Give the next samples; False when the recogniser is so far behind that they were not taken."""
        if self.behind_s - self._stored / SAMPLE_RATE > MOST_BEHIND_S:
            return False
        self._given += len(samples)
        self._in.put((start, samples))
        if self._taken >= self._stored:
            self.most_behind_s = max(self.most_behind_s, self.behind_s)
        return True

    def catch_up(self, samples: NDArray[np.int16], start: int) -> None:
        """Give stored sound, to be heard before anything else; it is always taken."""
        self._given += len(samples)
        self._stored += len(samples)
        self._in.put((start, samples))

    def finish(self, timeout_s: float) -> None:
        """The sound is over; wait until all of it was heard, at most so long."""
        self._in.put(None)
        self._thread.join(timeout_s)

    def heard(self) -> Iterator[Speech | Opinion]:
        """What was understood since the last call, in order."""
        while True:
            try:
                yield self._out.get_nowait()
            except queue.Empty:
                return

    @property
    def behind_s(self) -> float:
        """Seconds of sound that wait for the recogniser."""
        return (self._given - self._taken) / SAMPLE_RATE

    @property
    def speech(self) -> bool:
        """Whether somebody speaks."""
        return self._ear.speech

    def _run(self) -> None:
        try:
            for speech in self._ear.hear(self._blocks()):
                self._out.put(speech)
                give_back()
        except Exception as error:  # an engine may raise anything; the session tells and ends with a whole file
            self.failure = error

    def _blocks(self) -> Iterator[tuple[int, NDArray[np.int16]]]:
        while (block := self._in.get()) is not None:
            yield block
            self._taken += len(block[1])
            for ticket, utterance in self._listener.late():
                self._out.put(Opinion(ticket, utterance))
