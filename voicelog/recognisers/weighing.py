"""What three listeners make of one reading: how well it and its rivals fit, and whether the others heard the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import NUMBER_WORDS, sound_alike, spelled_alike
from voicelog.parse.parser import parse
from voicelog.parse.written import spoken
from voicelog.recognisers import decoys, pair
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import AdaptedOpinion, Fit, Hypothesis, SecondOpinion, ThirdOpinion, Utterance, Word
from voicelog.recognisers.free import FreeListener
from voicelog.recognisers.meanings import flags_of, in_words, same_meaning
from voicelog.recognisers.moonshine import MoonshineListener
from voicelog.recognisers.proposals import drugs_like
from voicelog.recognisers.readings import own_callouts
from voicelog.recognisers.written import IN_DIGITS, IN_WORDS, Style, candidates, sentence, written

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

STYLES = (*IN_DIGITS, IN_WORDS)
"""Ways in which the other free-text listener may write a reading."""
MOST_NEAR = 4
"""Drugs that sound like what was written, among the decoys."""
FAR_BELOW = 14.0
"""By how much (natural logarithm of the odds) a rival must lie below the reading for it not to matter by how much."""
FAR_AHEAD = 6.0
"""The same of the reading's lead over decoys: more than any that is asked for."""
IN_DOUBT, IN_DOUBT_ALIKE = 7.0, 9.0
"""Leads over a rival, by both free-text listeners together, below which the third one is asked: over what sounds or is
spelled alike more is needed. The most that ``parse/thresholds.py`` asks for of what both wrote."""
Words = tuple[str, ...]


@dataclass(frozen=True)
class Scales:
    """The engines on which a reading is weighed, all open; used for one utterance at a time."""

    adapted: FreeListener
    """The one that proposes."""
    other: FreeListener
    """The free-text listener that votes."""
    third: FreeListener | None
    """A smaller adapted one, asked where the two leave a doubt; it shares no weights with them."""
    again: Again
    """The grammar listener's engine."""
    grammar: Grammar
    side: ThreadPoolExecutor
    """Where engines run beside each other; two threads are enough."""

    def weighed(
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
        wrote = self._wrote(own_text, reading)
        third = self.third if proposer is self.adapted else None
        # What the one that votes wrote instead is a rival too: the third listener may settle which it was.
        asked = self.side.submit(text_of, third, audio) if third and not wrote else None
        instead = [in_words(another) for another in self.rows(own_text)] if asked else []
        near = [*drugs_like(own_text.words, self.grammar), *drugs_like(text.words, self.grammar)]
        others = (in_words(another) for _, another in found[1:])
        rivals = list(dict.fromkeys((*candidates(reading, self.grammar, near), *others, *instead)))
        scores, style = self._fits(voter, audio, [reading, *rivals[1:]])
        # What the other one proposes waits for a confirm in any case: the adapted model, a slow one, hears no decoys.
        shown = style if voter is self.other else None
        vote = self.side.submit(self._leads, voter, audio, reading, near[:MOST_NEAR], shown)
        agreed = wrote or (asked is not None and self._means(asked.result().best, reading))
        by_grammar = self.side.submit(self._by_grammar, audio, None if agreed else row, reading, rivals[1:])
        # What the one that votes puts that far behind is no rival, and scoring it takes time: in 1,300 clips none such
        # came near enough by the other one to be asked about.
        far = {fit.words for fit in scores[1:] if fit.total < scores[0].total - FAR_BELOW}
        # As it was written it fits best: "half a milligram" is seldom meant as 0.5.
        also = {in_words(another): sentence(wrote_it.text) for wrote_it, another in reversed(found)}
        own = list(pair.scored(proposer, audio, [row for row in rivals if row not in far], also=also).values())
        by_third = self._by_third(third, audio, asked, scores, own) if third else None
        (heard, surely), leads = by_grammar.result(), vote.result()
        plain = tuple(Word(word) for word in reading)
        borne_out = None if agreed else same_meaning(heard, plain, self.grammar)
        fits = [replace(fit, kept=surely.get(fit.words)) for fit in scores]
        # Said in other words ("one hundred and twelve" for "one twelve"), the times are bad, and a number falls apart.
        fits_well = agreed and flags_of(heard, self.grammar) == flags_of(plain, self.grammar)
        words = heard if borne_out or (fits_well and same_meaning(heard, plain, self.grammar)) else plain
        score = math.log(own_text.confidence) if own_text.confidence else None
        opinion = AdaptedOpinion(text.words, math.log(text.confidence or 1.0), tuple(own), borne_out, *leads, by_third)
        opinions = SecondOpinion(own_text.words, refusal, score, tuple(fits), forced, adapted=opinion)
        return Utterance((Hypothesis(words, text.confidence),), opinions)

    def rows(self, text: Hypothesis) -> list[Words]:
        """The callouts or the command that a text is as it stands, as the grammar listener's engine takes them."""
        rows = own_callouts(text.words, self.grammar)
        plain = tuple(word.text for word in spoken(text.words))
        if not rows and parse([Word(word) for word in plain], self.grammar).outcome == "command":
            rows = [plain]
        return [row for row in map(self.again.spoken, rows) if row]

    def _wrote(self, text: Hypothesis, reading: Words) -> bool:
        """Whether a listener of another make wrote what means the same as the reading, which nobody had put to it."""
        return isinstance(self.other, MoonshineListener) and self._means(text, reading)

    def _means(self, text: Hypothesis, reading: Words) -> bool:
        said = [Word(word) for word in reading]
        rows = [[Word(word) for word in in_words(row)] for row in self.rows(text)]
        return any(same_meaning(row, said, self.grammar) for row in rows)

    def _by_third(
        self,
        third: FreeListener,
        audio: NDArray[np.int16],
        asked_early: Future[Utterance] | None,
        theirs: Sequence[Fit],
        own: Sequence[Fit],
    ) -> ThirdOpinion | None:
        """What the third listener makes of it, where the one that votes wrote something else or a rival comes near.

        Args:
            third: that listener.
            audio: the utterance.
            asked_early: its text, where that was asked for already.
            theirs: reading and rivals as they fit by the one that votes.
            own: the same by the one that proposes.
        """
        votes = {fit.words: fit.total for fit in theirs}
        reading = own[0]
        leads = {fit: reading.total - fit.total + votes[reading.words] - votes[fit.words] for fit in own[1:]}
        if not asked_early and not any(lead < _least(reading.words, fit.words) for fit, lead in leads.items()):
            return None
        best = (asked_early.result() if asked_early else text_of(third, audio)).best
        if not self._means(best, reading.words):
            return ThirdOpinion(best.words)
        near = [reading, *(fit for fit, lead in leads.items() if lead < FAR_BELOW)]
        totals = third.totals(audio, [fit.text for fit in near])
        fits = [
            replace(fit, score=total / max(1, tokens), tokens=max(1, tokens))
            for fit, (total, tokens) in zip(near, totals, strict=True)
        ]
        return ThirdOpinion(best.words, tuple(fits))

    def _by_grammar(
        self, audio: NDArray[np.int16], row: Words | None, reading: Words, rivals: Sequence[Words]
    ) -> tuple[tuple[Word, ...], dict[Words, int]]:
        """What the grammar listener hears in the sentence, its values open; and how surely beside each rival.

        Without a row it only finds the times of the reading: the rest takes it longest, and where the others wrote the
        same by themselves it raises more doubts about what is right than it finds what is wrong.
        """
        if row is None:
            return self.again.placed(audio, reading), {}
        return self.again.held(audio, row), self._kept(audio, reading, rivals)

    def _fits(
        self, voter: FreeListener, audio: NDArray[np.int16], rows: Sequence[Words]
    ) -> tuple[list[Fit], Style | None]:
        """How well reading and rivals fit, by the free-text listener that votes, and how it would write the reading, if
        it is of another make.
        """
        if not isinstance(self.other, MoonshineListener):
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
        groups = decoys.by_number(reading), decoys.by_name(reading, self.grammar, near)
        text = written(reading, **style)
        others = [[written(row, **style) for row in rows] for rows in groups]
        by_number, by_name = (voter.lead(audio, text, texts, FAR_AHEAD) if texts else None for texts in others)
        return by_number, by_name

    def _kept(self, audio: NDArray[np.int16], reading: Words, rivals: Sequence[Words]) -> dict[Words, int]:
        """How surely the grammar listener hears the reading beside its rivals, those by number and by name apart."""
        by_number = [row for row in rivals if NUMBER_WORDS & (set(reading) ^ set(row))]
        by_name = [row for row in rivals if row not in by_number]
        groups = [rows for rows in (by_number, by_name) if rows]
        return {row: level for rows in groups for row, level in self.again.keeps(audio, reading, rows).items()}


def _least(reading: Words, rival: Words) -> float:
    alike = sound_alike(reading, rival) or spelled_alike(reading, rival)
    return IN_DOUBT_ALIKE if alike else IN_DOUBT


def text_of(listener: FreeListener, audio: NDArray[np.int16]) -> Utterance:
    """What a free-text listener writes of an utterance."""
    listener.feed(audio)
    return listener.finish()
