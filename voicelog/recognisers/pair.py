"""Two independent listeners: one kept to the grammar proposes, with its times; the other vouches or doubts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.recognisers import sphinx, vosk, whisper
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import (
    LATE,
    Availability,
    Fit,
    Hypothesis,
    Listener,
    SecondOpinion,
    Utterance,
    Word,
)
from voicelog.recognisers.free import FreeListener
from voicelog.recognisers.nets import is_digits
from voicelog.recognisers.proposals import drugs_like, proposals, templates
from voicelog.recognisers.readings import lean, own_callouts, trimmed, whole
from voicelog.recognisers.sphinx import GARBAGE
from voicelog.recognisers.written import IN_DIGITS, Style, candidates, named_drugs, written

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Words = tuple[str, ...]
FEWEST_RIVALS = 5
"""Fewest proposals among which a choice of the first listener's, who must choose one, tells anything."""


def is_available() -> Availability:
    """Whether a grammar listener and the second listener can run here. Never raises, never downloads."""
    second = whisper.is_available()
    if not second.ready:
        return second
    first = grammar_listener()
    detail = f"{first.detail}, with {second.detail}" if first.ready else first.detail
    return Availability(first.ready, detail, first.hint)


def grammar_listener() -> Availability:
    """Whether a listener kept to the grammar can run here; vosk comes first where an English model is found."""
    own = vosk.is_available()
    return own if own.ready else sphinx.is_available()


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
    return PairListener(*parts(grammar, whisper.open(grammar)), grammar, patience_s)


def parts(grammar: Grammar, second: FreeListener) -> tuple[Listener, FreeListener, Again]:
    """The engines of a pair around a second listener that is open; closes that when another cannot be opened."""
    try:
        first = vosk.open(grammar) if vosk.is_available().ready else sphinx.open(grammar)
        return first, second, Again(grammar)
    except RecogniserError:
        second.close()
        raise


class PairListener(Listener):
    """A grammar listener whose readings come with a second opinion."""

    name = "pair"

    def __init__(
        self, first: Listener, second: FreeListener, again: Again, grammar: Grammar, patience_s: float | None = None
    ) -> None:
        self._first = first
        self._second = second
        self.again = again
        """The grammar listener's engine, for what is to be listened for again."""
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
        text = free.best.words
        bent = [row.words for row in proposals(text, self._grammar)]
        proposed = [self.again.spoken(row) for row in (*bent, *templates(text, self._grammar))]
        rows = list(dict.fromkeys(row for row in proposed if row))
        again = self.again.heard(audio, rows)
        heard_again = bool(again) and GARBAGE not in _texts(again)
        found = [Hypothesis(again)] if heard_again else []
        found += [*heard.alternatives, *self._held(audio, text)]
        found = self._with_lean(found)
        own = {reading.text for reading in found}
        found += self._with_lean([trimmed(reading, text) for reading in heard.alternatives])
        if not heard_again and len(rows) >= FEWEST_RIVALS:
            found += self._with_lean([Hypothesis(self.again.heard(audio, rows, closed=True))])
        readings = list({reading.text: reading for reading in reversed(found) if reading.words}.values())
        readings, fits = self._fits(audio, drugs_like(text, self._grammar), readings)
        forced = bool(readings) and readings[0].text not in own
        readings = [whole(reading, heard.best, text) for reading in readings]
        score = math.log(free.best.confidence) if free.best.confidence else None
        return Utterance(tuple(readings), SecondOpinion(text, self._second.refusal, score, fits, forced))

    def _with_lean(self, readings: Sequence[Hypothesis]) -> list[Hypothesis]:
        return [*readings, *(shorter for reading in readings for shorter in lean(reading, self._grammar))]

    def _held(self, audio: NDArray[np.int16], text: Sequence[Word]) -> list[Hypothesis]:
        """What the first listener hears for the values of what the second one wrote, where it wrote a callout.

        Only where the callout has a number or a drug: for the rest the first listener has no choice.
        """
        rows = [self.again.spoken(row) for row in own_callouts(text, self._grammar)]
        open_rows = [row for row in rows if row and (any(map(is_digits, row)) or any(named_drugs(row, self._grammar)))]
        heard = [self.again.held(audio, row) for row in open_rows]
        return [Hypothesis(words) for words in heard if words and GARBAGE not in _texts(words)]

    def _fits(
        self, audio: NDArray[np.int16], near: list[str], readings: list[Hypothesis]
    ) -> tuple[list[Hypothesis], tuple[Fit, ...]]:
        """The readings, the one that fits the sound best first; and how well all fit that it may be taken for."""
        said = [tuple(text for text in _texts(reading.words) if text != GARBAGE) for reading in readings]
        known = scored(self._second, audio, [row for row in said if row])
        order = sorted(range(len(readings)), key=lambda n: -known[said[n]].score if said[n] else math.inf)
        if not known or not said[order[0]]:
            return readings, ()
        best = said[order[0]]
        rivals = candidates(best, self._grammar, near)[1:]
        # The first listener has nothing else to do by now, and each engine has a core.
        kept = self._firsts.submit(self._kept, audio, best, rivals)
        known |= scored(self._second, audio, [row for row in rivals if row not in known])
        first = known.pop(best)
        others = [replace(fit, kept=kept.result().get(row)) for row, fit in known.items()]
        return [readings[n] for n in order], (first, *others)

    def _kept(self, audio: NDArray[np.int16], best: Words, rivals: Sequence[Words]) -> dict[Words, int]:
        """How surely the first listener hears the best reading beside its rivals, those by number and by name apart."""
        by_number = [row for row in rivals if NUMBER_WORDS & (set(best) ^ set(row))]
        by_name = [row for row in rivals if row not in by_number]
        groups = [rows for rows in (by_number, by_name) if rows]
        return {row: level for rows in groups for row, level in self.again.keeps(audio, best, rows).items()}

    def close(self) -> None:
        """Free both engines."""
        # An opinion asks the first listener too, so its thread must be the last to end.
        self._opinions.shutdown()
        self._firsts.shutdown()
        self._first.close()
        self._second.close()
        self.again.close()


def scored(
    listener: FreeListener,
    audio: NDArray[np.int16],
    rows: Sequence[Words],
    styles: Sequence[Style] = IN_DIGITS,
    beyond: float = math.inf,
    also: Mapping[Words, str] | None = None,
) -> dict[Words, Fit]:
    """Every row as it is likeliest written, with how well that fits by a free-text listener.

    What lies more than ``beyond`` below the first row may be told better than it is.

    Args:
        listener: the one that is asked.
        audio: one whole utterance, as fed.
        rows: what may have been said.
        styles: ways to write it.
        beyond: see above.
        also: one more way to write some of the rows, as the listener itself did.
    """
    own = also or {}
    ways = {row: {written(row, **style) for style in styles} | {own.get(row, "")} - {""} for row in rows}
    # A clock time is written with a colon or without.
    texts = [(row, text) for row, both in ways.items() for way in both for text in {way, way.replace(":", "")}]
    totals = listener.totals(audio, [text for _, text in texts], beyond)
    best: dict[Words, Fit] = {}
    for (row, text), (total, tokens) in zip(texts, totals, strict=True):
        fit = Fit(row, text, total / max(1, tokens), max(1, tokens))
        if row not in best or fit.total > best[row].total:
            best[row] = fit
    return best


def _texts(words: Iterable[Word]) -> list[str]:
    return [word.text for word in words]
