"""The way of a clip through the program: recogniser, parser, dialogue and case file, all of them the real ones."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from voicelog.audio.clock import SampleClock
from voicelog.audio.endpoint import BLOCK_SAMPLES, Endpointer, EndpointSettings
from voicelog.audio.flac import encode_flac
from voicelog.audio.quality import measure
from voicelog.casefile.store import CaseFile
from voicelog.dialogue.attention import with_attention
from voicelog.drill.judge import Heard
from voicelog.drill.typed import heard_of
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import SAMPLE_RATE, Hypothesis, Listener, Utterance
from voicelog.recognisers.registry import recogniser
from voicelog.session import Session, Span, listen_to

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.int16]

HEAD_START_S = 0.224
"""How long before the end of the silence that ends an utterance the recogniser is given all of it, see Segmenter.tail:
480 ms less 256 ms."""
_START = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
_WAITING = "epinephrine one milligram i v"
"""Stands unconfirmed while talk is heard, so that a falsely heard command does harm that can be counted."""


@dataclass(frozen=True)
class Timing:
    """How long one callout took."""

    audio_s: float
    """Length of the clip."""
    work_s: float
    """Time spent on it."""
    delay_s: float
    """From when the endpointer calls the clip over to the committed entry, blocks coming in as fast as spoken."""


class Ear:
    """One recogniser, open for the shipped grammar, with a case file in a temporary folder."""

    def __init__(self, listener: str, attention: str = "", idle: bool = False) -> None:
        self._name = listener
        self._attention = attention
        self._waiting = "" if idle else _WAITING
        self._grammar = with_attention(load_grammar(), attention) if attention else load_grammar()
        self._listener = recogniser(listener).open(self._grammar)
        self._folder = tempfile.TemporaryDirectory(prefix="voicelog-bench-")
        self._case = CaseFile.create(Path(self._folder.name) / "bench.voicelog", {"source": "benchmark"}, _START)

    def __enter__(self) -> Ear:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._listener.close()
        self._case.close()
        self._folder.cleanup()

    @property
    def options(self) -> dict[str, str]:
        """What made the results: engine, model and version."""
        return self._listener.options

    def callout(self, samples: Samples, before: str = "") -> tuple[Heard, Timing]:
        """Hear one callout; ``before`` was said in the case just before it."""
        session = self._session(before)
        audio_s = len(samples) / SAMPLE_RATE
        end = Decimal(len(samples)) / SAMPLE_RATE
        span = Span(Decimal(0), end.quantize(Decimal("0.001")), encode_flac(samples), faults=measure(samples).faults)
        work, free = 0.0, 0.0
        for first in range(0, len(samples), BLOCK_SAMPLES):
            block = samples[first : first + BLOCK_SAMPLES]
            begun = time.perf_counter()
            self._listener.feed(block)
            cost = time.perf_counter() - begun
            work += cost
            free = max(free, (first + len(block)) / SAMPLE_RATE) + cost
        begun = time.perf_counter()
        utterance = self._listener.finish()
        drafts = session.hear(utterance, _START, span)
        cost = time.perf_counter() - begun
        # The endpointer waits on when all of the sound is known; the recogniser has begun by then.
        early = type(self._listener).guess is not Listener.guess
        delay = max(0.0, free + cost - audio_s - (HEAD_START_S if early else 0.0))
        return heard_of(utterance.best.text, drafts), Timing(audio_s, work + cost, delay)

    def talk(self, samples: Samples) -> list[Heard]:
        """Hear a recording as if live, through the endpointer; each utterance meets the same fresh case."""
        blocks = (samples[first : first + BLOCK_SAMPLES] for first in range(0, len(samples), BLOCK_SAMPLES))
        found = []
        for utterance, at, span in listen_to(
            blocks, Endpointer(EndpointSettings()), self._listener, SampleClock(_START)
        ):
            drafts = self._session(self._waiting).hear(utterance, at, span)
            found.append(heard_of(utterance.best.text, drafts))
        return found

    def typed(self, text: str, before: str = "") -> Heard:
        """What typed words would lead to, without the recogniser."""
        utterance = _typed(f"{self._attention} {text}".strip())
        return heard_of(utterance.best.text, self._session(before).hear(utterance, _START))

    def _session(self, before: str) -> Session:
        session = Session(self._grammar, self._case, self._name, self._attention)
        if before:
            session.hear(_typed(f"{self._attention} {before}".strip()), _START)
        return session


def _typed(text: str) -> Utterance:
    return Utterance((Hypothesis(tuple(words_of(text))),))
