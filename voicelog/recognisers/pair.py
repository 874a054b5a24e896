"""Two independent listeners: one kept to the grammar proposes, with its times; the other vouches or doubts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.recognisers import sphinx, vosk, whisper
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import Availability, Fit, Hypothesis, Listener, SecondOpinion, Utterance, Word
from voicelog.recognisers.proposals import drugs_like, proposals, templates
from voicelog.recognisers.sphinx import GARBAGE
from voicelog.recognisers.whisper import WhisperListener
from voicelog.recognisers.written import candidates, written

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def is_available() -> Availability:
    """Whether a grammar listener and the second listener can run here. Never raises, never downloads."""
    second = whisper.is_available()
    if not second.ready:
        return second
    first = sphinx.is_available()
    if first.ready and vosk.is_available().ready:
        first = vosk.is_available()
    detail = f"{first.detail}, with {second.detail}" if first.ready else first.detail
    return Availability(first.ready, detail, first.hint)


def open(grammar: Grammar) -> PairListener:
    """Open both listeners; vosk proposes where an English model is found, sphinx otherwise.

    Raises:
        RecogniserError: one of the two cannot run here, or the grammar has a word it cannot hear.
    """
    ready = is_available()
    if not ready.ready:
        raise RecogniserError(f"the pair needs a second listener: {ready.detail}", ready.hint)
    second = whisper.open(grammar)
    try:
        first = vosk.open(grammar) if vosk.is_available().ready else sphinx.open(grammar)
        again = Again(grammar)
    except RecogniserError:
        second.close()
        raise
    return PairListener(first, second, again, grammar)


class PairListener(Listener):
    """A grammar listener whose readings come with a second opinion."""

    name = "pair"

    def __init__(self, first: Listener, second: WhisperListener, again: Again, grammar: Grammar) -> None:
        self._first = first
        self._second = second
        self._again = again
        self._grammar = grammar
        self._blocks: list[NDArray[np.int16]] = []
        self._beside = ThreadPoolExecutor(1)
        self._guess: tuple[bytes, Utterance, Utterance | None] | None = None
        """The sound that a guess was made for, what the second listener wrote, and all of it, if the first could."""
        self.options = {
            "engine": f"{first.options['engine']} with {second.options['engine']}",
            "first": first.name,
            **{f"first_{name}": value for name, value in first.options.items()},
            **{f"second_{name}": value for name, value in second.options.items()},
        }

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        self._blocks.append(block.copy())
        self._first.feed(block)

    def guess(self, tail: NDArray[np.int16]) -> Utterance | None:
        """Listen to what will be the utterance, should it end here."""
        import numpy as np

        audio = np.concatenate((*self._blocks, tail))
        early = self._beside.submit(self._first.guess, tail)
        free = self._written(audio)
        heard = early.result()
        made = None if heard is None else self._judged(audio, heard, free)
        self._guess = audio.tobytes(), free, made
        return made

    def finish(self) -> Utterance:
        """End the utterance; a reading that the sound bears out, with the second opinion on it.

        The second listener's text says what to listen for again; what is heard then comes before the first listener's
        own reading.
        """
        import numpy as np

        blocks, self._blocks = self._blocks, []
        audio = np.concatenate(blocks) if blocks else np.zeros(0, dtype=np.int16)
        guess, self._guess = self._guess, None
        if guess and guess[0] != audio.tobytes():
            guess = None
        later = self._beside.submit(self._first.finish)
        free = guess[1] if guess else self._written(audio)
        heard = later.result()
        if not len(audio):
            return heard
        return guess[2] if guess and guess[2] else self._judged(audio, heard, free)

    def _written(self, audio: NDArray[np.int16]) -> Utterance:
        """What the second listener makes of the sound; why it has no text, if so, stays in its ``refusal``."""
        self._second.feed(audio)
        return self._second.finish()

    def _judged(self, audio: NDArray[np.int16], heard: Utterance, free: Utterance) -> Utterance:
        bent = [row.words for row in proposals(free.best.words, self._grammar)]
        proposed = [self._again.spoken(row) for row in (*bent, *templates(free.best.words, self._grammar))]
        again = self._again.heard(audio, list(dict.fromkeys(row for row in proposed if row)))
        readings = [*([Hypothesis(again)] if again and GARBAGE not in _texts(again) else []), *heard.alternatives]
        near = drugs_like(free.best.words, self._grammar)
        readings, fits = self._fits(
            audio, near, list({reading.text: reading for reading in reversed(readings)}.values())
        )
        confidence = free.best.confidence
        score = math.log(confidence) if confidence else None
        return Utterance(tuple(readings), SecondOpinion(free.best.words, self._second.refusal, score, fits))

    def _fits(
        self, audio: NDArray[np.int16], near: list[str], readings: list[Hypothesis]
    ) -> tuple[list[Hypothesis], tuple[Fit, ...]]:
        """The readings, the one that fits the sound best first; and how well all fit that it may be taken for."""
        said = [tuple(text for text in _texts(reading.words) if text != GARBAGE) for reading in readings]
        known = self._scored(audio, [row for row in said if row])
        order = sorted(range(len(readings)), key=lambda n: -known[said[n]].score if said[n] else math.inf)
        if not known or not said[order[0]]:
            return readings, ()
        rows = [row for row in candidates(said[order[0]], self._grammar, near) if row not in known]
        known |= self._scored(audio, rows)
        first = known.pop(said[order[0]])
        return [readings[n] for n in order], (first, *known.values())

    def _scored(self, audio: NDArray[np.int16], rows: list[tuple[str, ...]]) -> dict[tuple[str, ...], Fit]:
        """Every row with the better score of the ways to write it."""
        texts = [(row, text) for row in rows for text in {written(row), written(row, apart=True)}]
        scores = self._second.score(audio, [text for _, text in texts])
        best: dict[tuple[str, ...], Fit] = {}
        for (row, text), score in zip(texts, scores, strict=True):
            if row not in best or score > best[row].score:
                best[row] = Fit(row, text, score)
        return best

    def close(self) -> None:
        """Free both engines."""
        self._beside.shutdown()
        self._first.close()
        self._second.close()
        self._again.close()


def _texts(words: Iterable[Word]) -> list[str]:
    return [word.text for word in words]
