"""What two independent listeners agree on: accepted, asked about field by field, or taken for no callout at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from voicelog.events import Medication, VitalSign, event_fields
from voicelog.grammar.model import Grammar
from voicelog.parse.differences import NAMES, asked_about, differing, digits_of, says_no_more, thing_of
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, Draft, ParseResult, Question
from voicelog.parse.three import ALONE, TURNING, judged_by_three
from voicelog.parse.unheard import unheard_by_three
from voicelog.parse.written import joined, numbers_in, unvouched
from voicelog.parse.written import spoken as as_spoken
from voicelog.recognisers.base import LATE, Fit, SecondOpinion, Utterance, Word

DOUBT = "heard_unclearly"
"""Flag of an entry that the second listener neither vouched for nor spoke against."""
BEHIND = "second_listener_late"
"""Flag of an entry that the second listener has not heard yet."""
HARD_TO_HEAR = "hard_to_hear"
"""Flag of what was heard in bad sound."""
_NUMBERS = (
    *("value", "systolic", "diastolic", "dose", "volume_ml", "total", "eye", "verbal", "motor", "left_mm", "right_mm"),
    *("flow_lpm", "energy_j", "gauge", "age", "weight_kg", "concentration", "stated_time"),
)
"""Fields that are spoken as numbers."""
_WHOLE = frozenset({"blood_pressure", "heart_rate", "respiratory_rate", "oxygen_saturation", "end_tidal_co2"})
"""Vital signs that are said without a point."""
_MENDED = frozenset({"label_repaired", "words_left_over"})
_POORER = _MENDED | {"implausible"}
"""Flags of a rival that does not make sense by itself."""
_BETWEEN = frozenset({"point", "hundred", "thousand", "and", "<garbage>"})
"""Words that may stand in a bare number."""
_EMPTY = Context()


@dataclass(frozen=True)
class AgreementSettings:
    """How much agreement is enough; chosen on the tuning voices of tests/bench/recognition."""

    fits: float = 2.2
    """Most that a reading may fit worse than the second listener's own text and still be what was said (natural
    logarithm of probability a token)."""
    fits_by_name: float = 1.2
    """The same for what is known by a name alone, such as a drug or a finding: another name may fit nearly as well."""
    near: float = 3.0
    """Most that it may fit worse and still be worth a question; beyond, something else was said."""
    lead: float = 4.0
    """Least lead of a reading over each change of one number that sounds alike, as natural logarithm of the odds: both
    listeners have taken "fourteen" for "forty", with a lead between 3 and 4."""
    lead_by_name: float = 1.5
    """The same over another drug, route or finding."""
    kept: float = 0.12
    """What each power of ten is worth, as such a lead, by which the reading may be put back and is still what the first
    listener hears."""
    kept_name: int = 8
    """Least power of ten by which a reading with a drug must be kept over every rival for its name to be sure."""
    lost: float = 6.0
    """What is taken off a lead over a rival that the first listener hears rather than the reading."""
    alone: float = -1.0
    """Least score of the second listener's own text for an entry that the first one did not understand."""


SETTINGS = AgreementSettings()


def judged(
    result: ParseResult,
    utterance: Utterance,
    grammar: Grammar,
    context: Context = _EMPTY,
    noisy: bool = False,
    settings: AgreementSettings = SETTINGS,
) -> ParseResult:
    """The result as far as the second listener vouches for it; the result itself when there is none.

    No value is ever changed: an entry is kept, flagged, or made a question with everything else kept as understood.
    What only the second listener understood is entered flagged, so that it waits for a spoken confirm.

    Args:
        result: what the first listener's words mean.
        utterance: those words, and the second opinion on them.
        grammar: what may be said.
        context: as the result was parsed with.
        noisy: whether the sound was measured as noisy.
        settings: how much agreement is enough.
    """
    second = utterance.second
    if second is None:
        return result
    if second.refusal == LATE:
        return _doubtful(result)
    if second.adapted is not None:
        return judged_by_three(result, utterance, grammar, context, noisy)
    if second.unlike_adapted:
        return unheard_by_three(result, utterance, context)
    view = _View(second, grammar, context, settings)
    if result.outcome == "not_understood":
        turned = TURNING & set(_texts(result.words))
        return (None if turned else view.alone()) or result
    if view.gap is None or view.gap > settings.near:
        heard = second.refusal or f"the second listener heard {_text(second)!r}"
        return view.alone() or ParseResult("not_understood", result.words, reason=heard)
    if (result.commands or result.questions) and not view.bears_out(result):
        reason = f"{_spoken(result)!r} fits nowhere in what the second listener heard, {_text(second)!r}"
        return ParseResult("not_understood", result.words, reason=reason)
    if result.commands:
        return result
    verdicts = [view.on(place, draft, len(result.drafts)) for place, draft in enumerate(result.drafts)]
    kept = tuple(verdict for verdict in verdicts if isinstance(verdict, Draft))
    questions = tuple(verdict for verdict in verdicts if isinstance(verdict, Question))
    if not questions:
        return replace(result, drafts=kept)
    # Without the words, so that an answer is never read as their continuation: "fifty", asked about, then "five".
    return ParseResult("ambiguous", (), kept, questions=(*questions, *result.questions))


def _doubtful(result: ParseResult) -> ParseResult:
    """What one listener heard while the other has fallen behind: shown at once, settled later; no command is obeyed."""
    if result.commands:
        return ParseResult("not_understood", result.words, reason="a command heard by one listener only")
    return replace(result, marks=(*result.marks, BEHIND))


def answered(question: Question | None, result: ParseResult, utterance: Utterance, noisy: bool = False) -> ParseResult:
    """The result, or the entry that a bare number makes of an open question about a value.

    Only a number that was offered answers, from either listener: it chooses between values that were both heard. Two
    that heard different ones choose nothing; of three, what only one of the free-text ones heard waits for a confirm.
    So does any that was heard in noise: what was asked about sounds alike, and two may hear the same wrong one again.
    """
    if result.outcome != "not_understood" or question is None or question.about not in _NUMBERS:
        return result
    second = utterance.second or SecondOpinion()
    numbers = [_bare_number(words) for words in (utterance.best.words, second.words)]
    heard = {number for number in numbers if number}
    chosen = [reading for reading in question.readings if digits_of(reading, question.about) in heard]
    if len(heard) != 1 or len(chosen) != 1:
        return result
    marks: tuple[str, ...] = (ALONE,) if second.unlike_adapted and "" in numbers else ()
    marks += (HARD_TO_HEAR,) if noisy and utterance.second else ()
    return ParseResult("events", utterance.best.words, chosen[0], marks=marks)


def _bare_number(words: Sequence[Word]) -> str:
    """The digits of a number alone, '' for anything else."""
    texts = _texts(words)
    bare = all(numbers_in([word]) or word in _BETWEEN for word in texts)
    return "".join(numbers_in(texts)) if bare else ""


@dataclass(frozen=True)
class _View:
    """The second listener's view of one utterance."""

    second: SecondOpinion
    grammar: Grammar
    context: Context
    settings: AgreementSettings

    @property
    def gap(self) -> float | None:
        """How much worse the reading fits than the second listener's own text; None when one of them is missing."""
        fits = self.second.fits
        return self.second.score - fits[0].score if fits and self.second.score is not None else None

    def alone(self) -> ParseResult | None:
        """What the second listener's own text means, flagged; None unless it is a callout and surely heard."""
        if self.second.score is None or self.second.score < self.settings.alone:
            return None
        words = as_spoken(self.second.words)
        own = parse(words, self.grammar, replace(self.context, unfinished=(), asks_for=""))
        if own.outcome != "events" or not own.drafts or _MENDED & set(own.flags):
            return None
        return replace(own, drafts=tuple(replace(d, flags=(*d.flags, ALONE)) for d in own.drafts))

    def bears_out(self, result: ParseResult) -> bool:
        """Whether a command, or what a question keeps for its answer, may be taken as heard."""
        numbers = numbers_in(_texts(result.words))
        sure = self.gap is not None and self.gap <= self.settings.fits
        return sure and not unvouched(numbers, _texts(self.second.words)) and not (numbers and self._close())

    def on(self, place: int, draft: Draft, of: int) -> Draft | Question:
        """The draft, flagged where it is not vouched for, or what to ask."""
        rival = self._rival(place, draft, of)
        if rival is not None:
            return asked_about(draft, rival)
        texts = _texts(self.second.words)
        said = _said(draft)
        whole = isinstance(draft.event, VitalSign) and draft.event.sign in _WHOLE
        absent = unvouched([number for _, number in said], texts, whole=whole)
        missing = [name for name, number in said if number in absent]
        if missing:
            other = self._own(draft)
            if other or numbers_in(texts) or isinstance(draft.event, Medication):
                return asked_about(draft, other, missing[0])
            return replace(draft, flags=(*draft.flags, DOUBT))
        chosen = said and not self.second.forced and self._sure_of_name(draft)
        enough = self.settings.fits if chosen else self.settings.fits_by_name
        if self._reads_otherwise(draft):
            return replace(draft, flags=(*draft.flags, DOUBT))
        if self.gap is not None and self.gap <= enough:
            return draft
        if isinstance(draft.event, VitalSign):
            return replace(draft, flags=(*draft.flags, DOUBT))
        return asked_about(draft, None, NAMES.get(draft.event.kind, "drug"))

    def _sure_of_name(self, draft: Draft) -> bool:
        """Whether its name needs no better fit: a vital sign's, and a drug's that is heard beside every rival."""
        if isinstance(draft.event, VitalSign):
            return True
        kept = [fit.kept for fit in self.second.fits[1:] if fit.kept is not None]
        return isinstance(draft.event, Medication) and bool(kept) and min(kept) >= self.settings.kept_name

    def _reads_otherwise(self, draft: Draft) -> bool:
        """Whether the second listener's own text is a callout, or turns one around, that does not say this."""
        texts = _texts(self.second.words)
        if TURNING & set(texts) and not TURNING & {word for row in self.second.fits[:1] for word in row.words}:
            return True
        own = parse([Word(text) for text in joined(_texts(as_spoken(self.second.words)))], self.grammar, self.context)
        if own.outcome != "events" or _POORER & set(own.flags):
            return False
        return not any(says_no_more(other.event, draft.event) for other in own.drafts)

    def _close(self) -> list[tuple[float, float, Fit]]:
        """What the reading does not lead by enough, likeliest first: its lead by both listeners, and by the second."""
        reading, *others = self.second.fits
        tokens = len(reading.text.split()) + 1
        leads = [((reading.score - fit.score) * tokens, fit) for fit in others]
        both = [(lead + self._worth(fit.kept), lead, fit) for lead, fit in leads]
        return sorted((row for row in both if row[0] < self.settings.lead or row[1] < 0), key=lambda row: row[:2])

    def _worth(self, kept: int | None) -> float:
        """What the first listener's preference adds to the lead over a rival."""
        if kept is None:
            return 0.0
        return kept * self.settings.kept if kept >= 0 else -self.settings.lost

    def _rival(self, place: int, draft: Draft, of: int) -> Draft | None:
        """The most likely reading with another value here, where the draft does not lead it by enough.

        What the second listener hears better than the draft is one however sure the first listener is.
        """
        for both, lead, fit in self._close():
            drafts = self._read(fit)
            if len(drafts) != of or says_no_more(drafts[place].event, draft.event):
                continue  # it only says less, such as the same dose without its route
            if lead > 0 and _POORER & set(drafts[place].flags) - set(draft.flags):
                continue
            by_number = differing(draft.event, drafts[place].event)[0] in _NUMBERS
            if lead < 0 or both < (self.settings.lead if by_number else self.settings.lead_by_name):
                return drafts[place]
        return None

    def _read(self, fit: Fit) -> tuple[Draft, ...]:
        return parse([Word(word) for word in fit.words], self.grammar, self.context).drafts

    def _own(self, draft: Draft) -> Draft | None:
        """What the second listener's own text says about the same thing, if it says something else."""
        own = parse(as_spoken(self.second.words), self.grammar, self.context).drafts
        alike = [other for other in own if thing_of(other.event) == thing_of(draft.event)]
        return alike[0] if len(alike) == 1 and event_fields(alike[0].event) != event_fields(draft.event) else None


def _texts(words: Sequence[Word]) -> list[str]:
    return [word.text for word in words]


def _spoken(result: ParseResult) -> str:
    return " ".join(_texts(result.words))


def _text(second: SecondOpinion) -> str:
    return " ".join(_texts(second.words))


def _said(draft: Draft) -> list[tuple[str, str]]:
    """The draft's fields that were spoken as numbers, and those numbers, in the order said where times tell it."""
    evidence = draft.event.evidence
    spoken = [name for name in _NUMBERS if name in evidence]
    spoken.sort(key=lambda name: evidence[name].start or 0)
    return [(name, number) for name in spoken for number in numbers_in(evidence[name].words.split())]
