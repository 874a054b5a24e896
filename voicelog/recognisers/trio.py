"""Three listeners: one adapted to callouts proposes, the grammar listener and a free-text one vouch or doubt.

Where the adapted listener wrote no callout, the free-text one may propose, and the adapted one votes on that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.parser import parse
from voicelog.parse.written import spoken
from voicelog.recognisers import decoys, pair, second, sphinx, whisper
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import (
    LATE,
    AdaptedOpinion,
    Availability,
    Fit,
    Hypothesis,
    Listener,
    SecondOpinion,
    Utterance,
    Word,
)
from voicelog.recognisers.free import FreeListener
from voicelog.recognisers.meanings import flags_of, in_words, same_meaning
from voicelog.recognisers.models import called
from voicelog.recognisers.moonshine import MoonshineListener
from voicelog.recognisers.proposals import drugs_like
from voicelog.recognisers.readings import own_callouts
from voicelog.recognisers.whisper import WhisperListener, WhisperSettings
from voicelog.recognisers.written import IN_DIGITS, IN_WORDS, Style, candidates, sentence, written

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SETTINGS = WhisperSettings(beam=4, readings=4, windows_s=(6.0, 8.0, 10.0, 15.0), padding_s=2.0)
"""How the adapted model is run: what else it may have written is a rival of what it wrote."""
STYLES = (*IN_DIGITS, IN_WORDS)
"""Ways in which the other free-text listener may write a reading."""
MOST_NEAR = 4
"""Drugs that sound like what was written, among the decoys."""
FAR_BELOW = 14.0
"""By how much (natural logarithm of the odds) a rival must lie below the reading for it not to matter by how much."""
FAR_AHEAD = 6.0
"""The same of the reading's lead over decoys: more than any that is asked for."""
Words = tuple[str, ...]


def is_available() -> Availability:
    """Whether all three can run here, an adapted model among them. Never raises, never downloads."""
    found = whisper.adapted_models()
    if not found:
        return Availability(False, "no model adapted to callouts", "see models/README.md")
    parts = [whisper.is_available(found[0]), sphinx.is_available(), second.is_available()]
    missing = [part for part in parts if not part.ready]
    if missing:
        return missing[0]
    votes = "; ".join(part.detail for part in parts[1:])
    return Availability(True, f"model {called(found[0], whisper.BUNDLE)} proposes; two vote: {votes}")


def open(grammar: Grammar, patience_s: float | None = None) -> TrioListener:
    """Open all three.

    Args:
        grammar: what may be said.
        patience_s: seconds to wait for the judgement at the end of an utterance; None to wait as long as it takes.

    Raises:
        RecogniserError: one of them cannot run here, or the grammar has a word that cannot be heard.
    """
    ready = is_available()
    if not ready.ready:
        raise RecogniserError(f"the trio cannot listen: {ready.detail}", ready.hint)
    adapted = whisper.open(grammar, whisper.adapted_models()[0], SETTINGS)
    try:
        other = second.open(grammar)
    except RecogniserError:
        adapted.close()
        raise
    try:
        again = Again(grammar)
    except RecogniserError:
        adapted.close()
        other.close()
        raise
    return TrioListener(adapted, other, again, grammar, patience_s)


@dataclass(frozen=True)
class _Judgement:
    """What is made of one utterance."""

    early: Future[Hypothesis | None]
    """The adapted listener's own reading; None where it wrote no callout."""
    made: Future[Utterance]
    """The whole judgement."""


class TrioListener(Listener):
    """An adapted listener whose readings come with the opinion of two others."""

    name = "trio"

    def __init__(
        self,
        adapted: WhisperListener,
        other: FreeListener,
        again: Again,
        grammar: Grammar,
        patience_s: float | None = None,
    ) -> None:
        self._adapted = adapted
        self._other = other
        self._again = again
        self._grammar = grammar
        self._patience_s = patience_s
        self._blocks: list[NDArray[np.int16]] = []
        # Sound is judged in the order in which it was said; the engines of one judgement run side by side.
        self._judging = ThreadPoolExecutor(1)
        self._side = ThreadPoolExecutor(2)
        self._guess: tuple[bytes, _Judgement] | None = None
        self._late: dict[int, Future[Utterance]] = {}
        self._tickets = 0
        self.options = {
            "engine": " with ".join(part.options["engine"] for part in (adapted, again, other)),
            **{f"adapted_{name}": value for name, value in adapted.options.items()},
            **{f"grammar_{name}": value for name, value in again.options.items()},
            **{f"second_{name}": value for name, value in other.options.items()},
        }

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        self._blocks.append(block.copy())

    def guess(self, tail: NDArray[np.int16]) -> Utterance | None:
        """Listen to what will be the utterance, should it end here; waits for it only where patience has no end."""
        import numpy as np

        audio = np.concatenate((*self._blocks, tail))
        judgement = self._judge(audio)
        self._guess = audio.tobytes(), judgement
        return judgement.made.result() if self._patience_s is None else None

    def finish(self) -> Utterance:
        """End the utterance; where the judgement takes longer than patience lasts, a callout that the adapted listener
        wrote is given alone, marked LATE; anything else is waited for.
        """
        import numpy as np

        blocks, self._blocks = self._blocks, []
        guess, self._guess = self._guess, None
        if not blocks:
            return Utterance()
        audio = np.concatenate(blocks)
        known = guess is not None and guess[0] == audio.tobytes()
        judgement = guess[1] if guess and known else self._judge(audio)
        try:
            return judgement.made.result(self._patience_s)
        except TimeoutError:
            reading = judgement.early.result()
            if reading is None:
                return judgement.made.result()
            self._tickets += 1
            self._late[self._tickets] = judgement.made
            return Utterance((reading,), SecondOpinion(refusal=LATE, ticket=self._tickets))

    def late(self) -> list[tuple[int, Utterance]]:
        """Judgements that were late and are there now."""
        there = [(ticket, made.result()) for ticket, made in self._late.items() if made.done()]
        for ticket, _ in there:
            del self._late[ticket]
        return there

    def close(self) -> None:
        """Free all engines."""
        self._judging.shutdown()
        self._side.shutdown()
        self._again.close()
        self._other.close()
        self._adapted.close()

    def _judge(self, audio: NDArray[np.int16]) -> _Judgement:
        early: Future[Hypothesis | None] = Future()
        made = self._judging.submit(self._judged, audio, early)
        # Whatever happens, nobody waits for a reading that does not come.
        made.add_done_callback(lambda _: None if early.done() else early.set_result(None))
        return _Judgement(early, made)

    def _judged(self, audio: NDArray[np.int16], early: Future[Hypothesis | None]) -> Utterance:
        free = self._side.submit(_text, self._other, audio)
        texts = [text for text in _text(self._adapted, audio).alternatives if text.confidence]
        found = [(text, row) for text in texts for row in self._rows(text)]
        if found:
            early.set_result(Hypothesis(tuple(Word(word) for word in in_words(found[0][1])), found[0][0].confidence))
            forced = found[0][0] is not texts[0]
            theirs = free.result().best, self._other.refusal
            return self._weighed(audio, found, (self._adapted, self._other), theirs, forced)
        early.set_result(None)
        # The adapted listener wrote no callout: the other one may propose, and is told to have been alone.
        other = free.result().best
        found = [(other, row) for row in self._rows(other)] if other.confidence else []
        own = (texts[0] if texts else Hypothesis(())), self._adapted.refusal
        if not found:
            # What was heard is told, though nothing is entered of it: a number alone may belong to what came before.
            plain = Hypothesis(tuple(spoken(own[0].words)), own[0].confidence)
            score = math.log(other.confidence) if other.confidence else None
            opinion = SecondOpinion(other.words, self._other.refusal, score, unlike_adapted=True)
            return Utterance((plain,) if plain.words else (), opinion)
        made = self._weighed(audio, found, (self._other, self._adapted), own, forced=False)
        return replace(made, second=replace(made.second or SecondOpinion(), unlike_adapted=True))

    def _weighed(
        self,
        audio: NDArray[np.int16],
        found: Sequence[tuple[Hypothesis, Words]],
        listeners: tuple[FreeListener, FreeListener],
        theirs: tuple[Hypothesis, str],
        forced: bool,
    ) -> Utterance:
        """The likeliest reading with what the others make of it.

        Args:
            audio: the utterance.
            found: texts that are callouts, and how the grammar listener would take them; the likeliest first.
            listeners: the free-text listener that wrote them, and the one that votes.
            theirs: what that one wrote, and why not.
            forced: whether the listener that proposes wrote something else rather than this.
        """
        proposer, voter = listeners
        (text, row), (own_text, refusal) = found[0], theirs
        reading = in_words(row)
        near = [*drugs_like(own_text.words, self._grammar), *drugs_like(text.words, self._grammar)]
        others = (in_words(another) for _, another in found[1:])
        rivals = list(dict.fromkeys((*candidates(reading, self._grammar, near), *others)))
        wrote = self._wrote(own_text, reading)
        by_grammar = self._side.submit(self._by_grammar, audio, None if wrote else row, reading, rivals[1:])
        scores, style = self._fits(voter, audio, [reading, *rivals[1:]])
        # What the other one proposes waits for a confirm in any case: the adapted model, a slow one, hears no decoys.
        asked = style if voter is self._other else None
        vote = self._side.submit(self._leads, voter, audio, reading, near[:MOST_NEAR], asked)
        # What the one that votes puts that far behind is no rival, and scoring it takes time: in 1,300 clips none such
        # came near enough by the other one to be asked about.
        far = {fit.words for fit in scores[1:] if fit.total < scores[0].total - FAR_BELOW}
        # As it was written it fits best: "half a milligram" is seldom meant as 0.5.
        also = {in_words(another): sentence(wrote_it.text) for wrote_it, another in reversed(found)}
        own = list(pair.scored(proposer, audio, [row for row in rivals if row not in far], also=also).values())
        (heard, surely), leads = by_grammar.result(), vote.result()
        plain = tuple(Word(word) for word in reading)
        borne_out = None if wrote else same_meaning(heard, plain, self._grammar)
        fits = [replace(fit, kept=surely.get(fit.words)) for fit in scores]
        # Said in other words ("one hundred and twelve" for "one twelve"), the times are bad, and a number falls apart.
        fits_well = wrote and flags_of(heard, self._grammar) == flags_of(plain, self._grammar)
        words = heard if borne_out or (fits_well and same_meaning(heard, plain, self._grammar)) else plain
        score = math.log(own_text.confidence) if own_text.confidence else None
        opinion = AdaptedOpinion(text.words, math.log(text.confidence or 1.0), tuple(own), borne_out, *leads)
        opinions = SecondOpinion(own_text.words, refusal, score, tuple(fits), forced, adapted=opinion)
        return Utterance((Hypothesis(words, text.confidence),), opinions)

    def _rows(self, text: Hypothesis) -> list[Words]:
        """The callouts or the command that a text is as it stands, as the grammar listener's engine takes them."""
        rows = own_callouts(text.words, self._grammar)
        plain = tuple(word.text for word in spoken(text.words))
        if not rows and parse([Word(word) for word in plain], self._grammar).outcome == "command":
            rows = [plain]
        return [row for row in map(self._again.spoken, rows) if row]

    def _wrote(self, text: Hypothesis, reading: Words) -> bool:
        """Whether a listener of another make wrote what means the same as the reading, which nobody had put to it."""
        if not isinstance(self._other, MoonshineListener):
            return False
        said = [Word(word) for word in reading]
        rows = [[Word(word) for word in in_words(row)] for row in self._rows(text)]
        return any(same_meaning(row, said, self._grammar) for row in rows)

    def _by_grammar(
        self, audio: NDArray[np.int16], row: Words | None, reading: Words, rivals: Sequence[Words]
    ) -> tuple[tuple[Word, ...], dict[Words, int]]:
        """What the grammar listener hears in the sentence, its values open; and how surely beside each rival.

        Without a row it only finds the times of the reading: the rest takes it longest, and where the others wrote the
        same by themselves it raises more doubts about what is right than it finds what is wrong.
        """
        if row is None:
            return self._again.placed(audio, reading), {}
        return self._again.held(audio, row), self._kept(audio, reading, rivals)

    def _fits(
        self, voter: FreeListener, audio: NDArray[np.int16], rows: Sequence[Words]
    ) -> tuple[list[Fit], Style | None]:
        """How well reading and rivals fit, by the free-text listener that votes, and how it would write the reading, if
        it is of another make.
        """
        if not isinstance(self._other, MoonshineListener):
            return list(pair.scored(voter, audio, rows).values()), None
        reading = rows[0]
        (own,) = pair.scored(voter, audio, [reading], STYLES).values()
        style = next((style for style in STYLES if written(reading, **style) == own.text), {})
        return [own, *list(pair.scored(voter, audio, rows, [style], FAR_BELOW).values())[1:]], style

    def _leads(
        self,
        voter: FreeListener,
        audio: NDArray[np.int16],
        reading: Words,
        near: Sequence[str],
        style: Style | None,
    ) -> tuple[float | None, float | None]:
        """The vote of the free-text listener among decoys, if it is independent: by how much it prefers the reading to
        other numbers, and to other names, in its place.
        """
        if style is None:
            return None, None
        groups = decoys.by_number(reading), decoys.by_name(reading, self._grammar, near)
        text = written(reading, **style)
        others = [[written(row, **style) for row in rows] for rows in groups]
        by_number, by_name = (voter.lead(audio, text, texts, FAR_AHEAD) if texts else None for texts in others)
        return by_number, by_name

    def _kept(self, audio: NDArray[np.int16], reading: Words, rivals: Sequence[Words]) -> dict[Words, int]:
        """How surely the grammar listener hears the reading beside its rivals, those by number and by name apart."""
        by_number = [row for row in rivals if NUMBER_WORDS & (set(reading) ^ set(row))]
        by_name = [row for row in rivals if row not in by_number]
        groups = [rows for rows in (by_number, by_name) if rows]
        return {row: level for rows in groups for row, level in self._again.keeps(audio, reading, rows).items()}


def _text(listener: FreeListener, audio: NDArray[np.int16]) -> Utterance:
    listener.feed(audio)
    return listener.finish()
