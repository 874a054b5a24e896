"""What three listeners agree on, where the one adapted to callouts proposes: accepted, flagged or asked about.

The adapted listener's text is right far more often than the others', but it alone can write a drug that nobody said.
So a reading of its own stands by itself only where one of the other two bears it out: the grammar listener hears the
same values with all of them open, or the free-text listener wrote its numbers, or that one prefers it to others of the
same shape. A number or name that another one may have sounded like is asked about, however sure it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from voicelog.events import Medication, event_fields
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import sound_alike
from voicelog.parse.differences import NAMES, asked_about, differing, says_no_more, thing_of
from voicelog.parse.leads import enough_over, leads
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, Draft, ParseResult, Question
from voicelog.parse.thresholds import SETTINGS, ThreeSettings
from voicelog.parse.written import CLOCK_DIGITS, joined, numbers_in, unvouched
from voicelog.parse.written import spoken as as_spoken
from voicelog.recognisers.base import AdaptedOpinion, Fit, SecondOpinion, Utterance, Word

ALONE = "heard_by_one_listener"
"""Flag of an entry that no other listener bears out."""
TURNING = frozenset("no not never none without denies denied".split())
"""Words that turn a callout around."""
_BESIDE = ("rhythm", "quality", "oxygen")
"""What a vital sign has beside its number."""
_POORER = frozenset({"label_repaired", "words_left_over", "implausible"})
"""Flags of another reading that does not make sense by itself."""


def judged_by_three(
    result: ParseResult,
    utterance: Utterance,
    grammar: Grammar,
    context: Context,
    noisy: bool = False,
    settings: ThreeSettings = SETTINGS,
) -> ParseResult:
    """The result as far as the others bear it out; no value is ever changed.

    Args:
        result: what the adapted listener's words mean.
        utterance: those words, with the opinion of the free-text listener and, in ``adapted``, its own.
        grammar: what may be said.
        context: as the result was parsed with.
        noisy: whether the sound was measured as noisy.
        settings: how much agreement is enough.
    """
    second = utterance.second
    if second is None or second.adapted is None or result.outcome == "not_understood":
        return result
    view = _View(second, second.adapted, grammar, context, noisy, settings)
    texts = [word.text for word in result.words]
    wrote = view.wrote(result)
    valued = bool(numbers_in(texts) or result.fragment or result.drafts)
    # A word or two that much talk sounds like, and it settles or takes back what stands: both must have written it.
    plain = bool(result.commands) and not valued and result.named_drug is None
    heard = wrote or (not plain and view.bears_out(texts))
    if (result.commands or result.questions) and (not heard or (valued and view.may_have_other_values(texts, wrote))):
        reason = f"{' '.join(texts)!r} is borne out by no other listener"
        return ParseResult("not_understood", result.words, reason=reason)
    if second.unlike_adapted and (result.commands or view.heard_otherwise()):
        return view.refused(result)
    if result.commands:
        return result
    # Only entries are borne out by a third: what a correction puts in their place is to be as sure as ever.
    view = replace(view, by_third=view.third_wrote(result))
    verdicts = [view.on(place, draft, len(result.drafts), wrote) for place, draft in enumerate(result.drafts)]
    kept = tuple(verdict for verdict in verdicts if isinstance(verdict, Draft))
    questions = tuple(verdict for verdict in verdicts if isinstance(verdict, Question))
    # The one that votes is sure of other words: "where is the nasal airway". Values are asked about one by one.
    alone = bool(kept) and all(ALONE in draft.flags for draft in kept)
    if kept and not questions and (alone or not (wrote or numbers_in(texts))) and view.heard_otherwise():
        return view.refused(result)
    # Nor is a callout without a number or a drug that is doubtful and that nobody else wrote, unless more was heard.
    bare = not numbers_in(texts) and not any(isinstance(draft.event, Medication) for draft in result.drafts)
    if bare and alone and not (questions or wrote or view.by_third or view.more_was_heard(texts)):
        return ParseResult("not_understood", result.words, reason=f"{' '.join(texts)!r}: one listener only")
    if not questions:
        return replace(result, drafts=kept)
    return ParseResult("ambiguous", (), kept, questions=(*questions, *result.questions))


@dataclass(frozen=True)
class _View:
    second: SecondOpinion
    adapted: AdaptedOpinion
    grammar: Grammar
    context: Context
    noisy: bool
    settings: ThreeSettings
    by_third: bool = False
    """Whether a further adapted listener wrote the reading by itself."""

    def bears_out(self, texts: Sequence[str]) -> bool:
        """Whether another listener has heard a reading too: its values, or its numbers and as good a fit.

        What the adapted listener thought only second best, its likeliest text being no callout, needs both.
        """
        if self.second.forced:
            return bool(self.adapted.borne_out) and (self._vouched(texts) or self._leans())
        return bool(self.adapted.borne_out) or self._vouched(texts) or self._leans()

    def heard_otherwise(self) -> bool:
        """Whether the listener that votes is sure of other words: much talk sounds like some callout."""
        score = self.second.score
        return score is not None and score >= self.settings.sure_of_other and self._gap() >= self.settings.other

    def refused(self, result: ParseResult) -> ParseResult:
        """No callout, but what the listener that votes heard."""
        name = "adapted" if self.second.unlike_adapted else "other"
        heard = " ".join(word.text for word in self.second.words) or self.second.refusal
        return ParseResult("not_understood", result.words, reason=f"the {name} listener heard {heard!r}")

    def wrote(self, result: ParseResult) -> bool:
        """Whether the free-text listener's own words, which nobody had put to it, mean just the same.

        Where a value is in them it must share no weights with the adapted listener, and so have led among decoys; a
        number by as much as bears it out without that, for both have written "sixty five" for "fifty five".
        """
        if not self._is(self._own(), result) or not self._led_by(self.settings.leans_by_number, 0.0):
            return False
        values = numbers_in([word.text for word in result.words]) or result.fragment or result.named_drug
        named = values or any(isinstance(draft.event, Medication) for draft in result.drafts)
        return not named or (self.adapted.led_by_number, self.adapted.led_by_name) != (None, None)

    def third_wrote(self, result: ParseResult) -> bool:
        """Whether the further listener's own words mean just the same, and the one that votes leans to it too."""
        third = self.adapted.third
        if third is None or not self._is(self._own(third.words), result):
            return False
        by_name = 0.0 if self._is(self._own(), result) else self.settings.leans_by_name
        # In noise two have written "sixty five" for "fifty five" while the one that votes hardly preferred it.
        return self._led_by(self.settings.leans_by_number if self.noisy else 0.0, by_name)

    def _led_by(self, by_number: float, by_name: float) -> bool:
        """Whether the one that votes prefers the reading to its decoys by that much, where there were any."""
        leads = (self.adapted.led_by_number, by_number), (self.adapted.led_by_name, by_name)
        return all(lead is None or lead >= least for lead, least in leads)

    def _own(self, words: Sequence[Word] | None = None) -> ParseResult:
        texts = joined([word.text for word in as_spoken(self.second.words if words is None else words)])
        return parse([Word(text) for text in texts], self.grammar)

    def _is(self, own: ParseResult, result: ParseResult) -> bool:
        sound = own.outcome in {"events", "command"} and not _POORER & set(own.flags)
        return sound and _meaning(own) == _meaning(result)

    def may_have_other_values(self, texts: Sequence[str], wrote: bool) -> bool:
        """Whether a command, a correction above all, may have been said with another number or name.

        Letters that look alike are not enough here: "intranasal" looks like "intramuscular".
        """
        least = self._least(bool(numbers_in(texts)), wrote)
        heard = wrote or self.adapted.borne_out or self._leans()
        return not heard or any(lead < self._over(fit, least) for lead, fit in self._leads())

    def _picked(self) -> bool:
        """Whether the free-text listener, if it is of another make, surely heard all values of the reading."""
        return self._prefers(self.settings.picked_by_number, self.settings.picked_by_name)

    def _clearly_written(self) -> bool:
        """Whether what that listener wrote leads all decoys clearly, or a listener of another make needed none for it.

        No other opinion is asked where such a one wrote the same; one that shares weights must not vouch so easily.
        """
        led = self.adapted.led_by_number, self.adapted.led_by_name
        return self._picked() or (led == (None, None) and self.adapted.borne_out is None)

    def _leans(self) -> bool:
        """Whether it heard them rather than any others."""
        return self._prefers(self.settings.leans_by_number, self.settings.leans_by_name)

    def _prefers(self, by_number: float, by_name: float) -> bool:
        leads = (self.adapted.led_by_number, by_number), (self.adapted.led_by_name, by_name)
        there = [(lead, least) for lead, least in leads if lead is not None]
        return bool(there) and all(lead >= least for lead, least in there) and self._gap() <= self.settings.strange

    def _vouched(self, texts: Sequence[str]) -> bool:
        """Whether the free-text listener heard it: wrote its numbers, and words that fit as well or look alike."""
        written = [word.text for word in self.second.words]
        numbers = numbers_in(texts)
        # With a digit more than was said it wrote another number: "1 2 0 0" is no 120.
        if not written or unvouched(numbers, written) or _digits(numbers_in(written)) > _digits(numbers):
            return False
        return self._gap() <= self.settings.fits or self._likeness() >= self.settings.alike

    def _likeness(self) -> float:
        """How alike the letters are of what the free-text listener wrote and of the reading as it would write it."""
        from rapidfuzz import fuzz

        own = "".join(sign for word in self.second.words for sign in word.text if sign.isalnum())
        text = "".join(sign for sign in self.adapted.fits[0].text.lower() if sign.isalnum())
        return float(fuzz.ratio(own, text))

    def on(self, place: int, draft: Draft, of: int, wrote: bool) -> Draft | Question:
        """The draft, flagged where it is not borne out, or what to ask."""
        rival = self._rival(place, draft, of, wrote)
        if rival is not None:
            return asked_about(draft, rival)
        other = self._otherwise(draft)
        if other is not None:
            return asked_about(draft, other)
        agreed = wrote or self.by_third
        clearly = agreed and self._clearly_written()
        least = self.settings.sure_of_written if clearly else self.settings.sure
        fits = max([self.adapted.score, *(fit.score for fit in self.adapted.fits[:1])])
        # A number written digit by digit fits badly as one, and was not put together by chance if the other wrote it.
        sure = fits >= least and (clearly or self._own_gap() <= self.settings.own)
        words = [word for row in self.adapted.fits[:1] for word in row.words]
        # A drug needs a listener that had other names to choose from, and shares no weights with the adapted one.
        named = agreed or self.adapted.borne_out or self._leans() or not isinstance(draft.event, Medication)
        heard = not self.second.unlike_adapted and (agreed or (self.bears_out(words) and self._in_words(draft)))
        if sure and named and heard and not self._turned(words) and (wrote or not self.more_was_heard(words)):
            return draft
        if isinstance(draft.event, Medication) and not sure:
            return asked_about(draft, None, NAMES.get(draft.event.kind, "drug"))
        return replace(draft, flags=(*draft.flags, ALONE))

    def _in_words(self, draft: Draft) -> bool:
        """Whether another listener has heard the words beside the number too: "weak", "regular", "on room air"."""
        said = [draft.event.evidence[name].words for name in _BESIDE if name in draft.event.evidence]
        written = {word.text for word in self.second.words}
        return bool(self.adapted.borne_out) or all(written >= set(words.split()) for words in said)

    def _gap(self) -> float:
        """How much worse the reading fits the free-text listener than its own text."""
        if self.second.score is None or not self.second.fits:
            return float("inf")
        return self.second.score - self.second.fits[0].score

    def _own_gap(self) -> float:
        """The same of the adapted listener."""
        return self.adapted.score - self.adapted.fits[0].score if self.adapted.fits else float("inf")

    def _turned(self, words: Sequence[str]) -> bool:
        """Whether the free-text listener heard a word that turns the callout around, and the reading has none."""
        return bool(TURNING & {word.text for word in self.second.words}) and not TURNING & set(words)

    def more_was_heard(self, words: Sequence[str]) -> bool:
        """Whether the free-text listener wrote more numbers than the reading has, or a clock time that it lacks."""
        own, said = joined([word.text for word in as_spoken(self.second.words)]), numbers_in(words)
        numbers = numbers_in(own)
        times = [number for number in numbers if len(number) >= CLOCK_DIGITS]
        return len(numbers) > len(said) or bool(set(times) - set(said))

    def _leads(self) -> list[tuple[float, Fit]]:
        return leads(self.second, self.by_third, self.noisy, self.settings)

    def _over(self, fit: Fit, least: float) -> float:
        words = self.adapted.fits[0].words
        return max(least, enough_over(words, fit.words, self.by_third, self.noisy, self.settings))

    def _rival(self, place: int, draft: Draft, of: int, wrote: bool) -> Draft | None:
        """The likeliest reading with another value here, where the draft does not lead it by enough."""
        by_two = {fit.words: lead for lead, fit in leads(self.second, False, self.noisy, self.settings)}
        for lead, fit in self._leads():
            drafts = self._read(fit.words)
            if len(drafts) != of or says_no_more(drafts[place].event, draft.event):
                continue
            if lead > 0 and _POORER & set(drafts[place].flags) - set(draft.flags):
                continue
            name = differing(draft.event, drafts[place].event)[0]
            by_number = bool(numbers_in([str(getattr(draft.event, name, ""))]))
            least = self._least(by_number, wrote)
            if by_number and isinstance(draft.event, Medication):
                alike = sound_alike(self.adapted.fits[0].words, fit.words)
                least = max(least, self.settings.dose_alike if alike else self.settings.dose_of_written)
                lead = min(lead, by_two[fit.words]) if alike else lead
            if lead < self._over(fit, least):
                return drafts[place]
        return None

    def _least(self, by_number: bool, wrote: bool) -> float:
        """The lead that is enough."""
        if wrote or self.by_third:
            return self.settings.lead_of_written
        words = [word for row in self.adapted.fits[:1] for word in row.words]
        clear = self.adapted.score >= self.settings.clear
        if clear and (self._picked() or (self.adapted.borne_out and self._vouched(words))):
            return self.settings.lead_of_all
        return self.settings.lead if by_number else self.settings.lead_by_name

    def _otherwise(self, draft: Draft) -> Draft | None:
        """What the free-text listener wrote about the same thing, if it is a plain callout with other values."""
        own = self._own()
        alike = [other for other in own.drafts if thing_of(other.event) == thing_of(draft.event)]
        if own.outcome != "events" or _POORER & set(own.flags) or len(alike) != 1:
            return None
        if says_no_more(alike[0].event, draft.event) or (self.by_third and self._led(own)):
            return None
        return alike[0]

    def _led(self, own: ParseResult) -> bool:
        """Whether the reading leads what the free-text listener wrote by enough for that to have been a slip."""
        said = _meaning(own)
        leads = [lead for lead, fit in self._leads() if _meaning(self._result(fit.words)) == said]
        return bool(leads) and min(leads) >= self.settings.lead

    def _read(self, words: Sequence[str]) -> tuple[Draft, ...]:
        return self._result(words).drafts

    def _result(self, words: Sequence[str]) -> ParseResult:
        return parse([Word(word) for word in words], self.grammar, self.context)


def _meaning(result: ParseResult) -> tuple[object, ...]:
    """What a result enters or does, to be compared."""
    events = [event_fields(draft.event) for draft in result.drafts]
    fragment = sorted((name, str(value)) for name, value in result.fragment.items())
    return result.outcome, events, result.commands, result.named_drug, fragment


def _digits(numbers: Sequence[str]) -> int:
    return sum(sign.isdigit() for number in numbers for sign in number)
