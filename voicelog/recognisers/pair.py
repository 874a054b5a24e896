"""Two independent listeners: one kept to the grammar proposes, with its times; the other vouches or doubts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.recognisers import sphinx, vosk, whisper
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import LATE, Availability, Fit, Hypothesis, Listener, SecondOpinion, Utterance, Word
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


def open(grammar: Grammar, patience_s: float | None = None) -> PairListener:
    """Open both listeners; vosk proposes where an English model is found, sphinx otherwise.

    Args:
        grammar: what may be said.
        patience_s: seconds to wait for the second opinion at the end of an utterance; None to wait as long as it takes.

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
    return PairListener(first, second, again, grammar, patience_s)


class PairListener(Listener):
    """A grammar listener whose readings come with a second opinion."""

    name = "pair"

    def __init__(
        self, first: Listener, second: WhisperListener, again: Again, grammar: Grammar, patience_s: float | None = None
    ) -> None:
        self._first = first
        self._second = second
        self._again = again
        self._grammar = grammar
        self._patience_s = patience_s
        self._blocks: list[NDArray[np.int16]] = []
        # Each engine has a thread of its own, in which it takes what comes in order.
        self._firsts = ThreadPoolExecutor(1)
        self._opinions = ThreadPoolExecutor(1)
        self._guess: tuple[bytes, Future[Utterance | None]] | None = None
        """The sound that was guessed to be the whole utterance, and what is made of it."""
        self._late: dict[int, Future[Utterance | None]] = {}
        self._tickets = 0
        self.options = {
            "engine": f"{first.options['engine']} with {second.options['engine']}",
            "first": first.name,
            **{f"first_{name}": value for name, value in first.options.items()},
            **{f"second_{name}": value for name, value in second.options.items()},
        }

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        own = block.copy()
        self._blocks.append(own)
        self._firsts.submit(self._first.feed, own)

    def guess(self, tail: NDArray[np.int16]) -> Utterance | None:
        """Listen to what will be the utterance, should it end here; waits for it only where patience has no end."""
        import numpy as np

        audio = np.concatenate((*self._blocks, tail))
        early = self._firsts.submit(self._first.guess, tail)
        self._guess = audio.tobytes(), self._opinions.submit(self._opinion, audio, early)
        return self._guess[1].result() if self._patience_s is None else None

    def finish(self) -> Utterance:
        """End the utterance; a reading that the sound bears out, with the second opinion on it.

        The second listener's text says what to listen for again; what is heard then comes before the first listener's
        own reading. Where the opinion takes longer than patience lasts, the first reading is given alone, marked LATE.
        """
        import numpy as np

        blocks, self._blocks = self._blocks, []
        guess, self._guess = self._guess, None
        first = self._firsts.submit(self._first.finish)
        heard = first.result()
        if not blocks:
            return heard
        audio = np.concatenate(blocks)
        known = guess is not None and guess[0] == audio.tobytes()
        opinion = guess[1] if guess and known else self._opinions.submit(self._opinion, audio, first)
        try:
            made = opinion.result(self._patience_s)
            if made is None:  # guessed without the first listener, which cannot tell before its end
                opinion = self._opinions.submit(self._opinion, audio, first)
                made = opinion.result(self._patience_s)
        except TimeoutError:
            self._tickets += 1
            self._late[self._tickets] = self._opinions.submit(lambda: opinion.result() or self._opinion(audio, first))
            return replace(heard, second=SecondOpinion(refusal=LATE, ticket=self._tickets))
        return made or heard

    def late(self) -> list[tuple[int, Utterance]]:
        """Opinions that were late and are there now."""
        there = [(ticket, opinion.result()) for ticket, opinion in self._late.items() if opinion.done()]
        for ticket, _ in there:
            del self._late[ticket]
        return [(ticket, made) for ticket, made in there if made is not None]

    def _opinion(self, audio: NDArray[np.int16], first: Future[Any]) -> Utterance | None:
        """The whole judgement, or None where the first listener cannot tell before its end."""
        self._second.feed(audio)
        free = self._second.finish()
        heard = first.result()
        return None if heard is None else self._judged(audio, heard, free)

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
        self._firsts.shutdown()
        self._opinions.shutdown()
        self._first.close()
        self._second.close()
        self._again.close()


def _texts(words: Iterable[Word]) -> list[str]:
    return [word.text for word in words]
