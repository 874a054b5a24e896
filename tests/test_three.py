"""What three listeners agree on: a table of cases, and that no words of the others change a value."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.events import event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.agreement import answered, judged
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, ParseResult
from voicelog.parse.three import ALONE
from voicelog.parse.tokens import words_of
from voicelog.parse.written import spoken as as_spoken
from voicelog.recognisers.base import AdaptedOpinion, Fit, Hypothesis, SecondOpinion, ThirdOpinion, Utterance, Word
from voicelog.recognisers.written import candidates, written

GRAMMAR = load_grammar()
FAR, CLOSE = 3.0, 0.05
"""How far a reading leads its rivals, natural logarithm a token."""


def fit(row: Sequence[str], score: float) -> Fit:
    """A row with its score for each part, of which it has one a written word and one for its end."""
    text = written(row)
    return Fit(tuple(row), text, score, len(text.split()) + 1)


def heard(
    said: str,
    other: str,
    *,
    borne_out: bool | None = False,
    lead: float = FAR,
    their_lead: float = 0.0,
    gap: float = 0.0,
    score: float = -0.1,
    own_gap: float = 0.0,
    led: tuple[float | None, float | None] = (None, None),
) -> Utterance:
    """What the trio gives when the adapted listener hears ``said`` and the free-text one writes ``other``."""
    words = said.split()
    rows = candidates(words, GRAMMAR)
    best = Hypothesis(tuple(Word(word) for word in words))
    own, theirs = score - own_gap, -0.3 - gap
    adapted = AdaptedOpinion(
        words_of(written(words)),
        score,
        tuple(fit(row, own - (lead if n else 0)) for n, row in enumerate(rows)),
        borne_out,
        *led,
    )
    fits = tuple(fit(row, theirs - (their_lead if n else 0)) for n, row in enumerate(rows))
    free = words_of(other)
    second = SecondOpinion(free, "" if free else "no speech", -0.3 if free else None, fits, adapted=adapted)
    return Utterance((best,), second)


def only_the_other_heard(said: str, own: str, score: float, gap: float, borne_out: bool = True) -> Utterance:
    """What the trio gives when the free-text listener proposes, and the adapted one wrote ``own``, no callout."""
    utterance = heard(said, own, borne_out=borne_out, led=(9.0, 9.0))
    assert utterance.second is not None
    fits = tuple(replace(fit, score=score - gap - 3 * bool(n)) for n, fit in enumerate(utterance.second.fits))
    return replace(utterance, second=replace(utterance.second, score=score, fits=fits, unlike_adapted=True))


def verdict(utterance: Utterance) -> ParseResult:
    return judged(parse(utterance.best.words, GRAMMAR), utterance, GRAMMAR)


@pytest.mark.parametrize(
    ("said", "other", "borne_out"),
    [
        ("heart rate one twenty four", "Hard rate 124.", False),
        ("heart rate one twenty four", "", True),
        ("ketamine fifty milligrams i v", "", True),
        ("patient contact", "Patient contact.", False),
    ],
)
def test_what_one_of_the_others_bears_out_is_accepted(said: str, other: str, borne_out: bool) -> None:
    result = verdict(heard(said, other, borne_out=borne_out))
    assert result == parse(words_of(said), GRAMMAR)
    assert (result.outcome, result.flags) == ("events", ())


@pytest.mark.parametrize(
    ("said", "other"),
    [
        ("ketamine fifty milligrams i v", ""),
        ("ketamine fifty milligrams i v", "Get a mean 50 milligrams IV"),
        ("ketamine fifty milligrams i v", "Ketamine 50 milligrams IV"),
        ("ketamine fifty milligrams i v", "Okay I mean with the million."),
        ("heart rate one twenty four", "Or trade 24 and more"),
        ("heart rate one twenty", "Heartbreak 1 2 0 0"),
    ],
)
def test_what_none_bears_out_waits_for_a_confirm(said: str, other: str) -> None:
    assert verdict(heard(said, other)).flags == (ALONE,)


@pytest.mark.parametrize(
    ("said", "other", "text"),
    [
        ("heart rate sixteen", "Heart rate 60.", "heart rate 16, or 60?"),
        ("blood pressure one eighty over seventy", "BP 180 over 17", "blood pressure 70, or 17?"),
        ("ketamine fifty milligrams i v", "Ketamine 15 milligrams IV", "ketamine 50, or 15?"),
    ],
)
def test_what_the_unadapted_listener_reads_otherwise_is_asked_about(said: str, other: str, text: str) -> None:
    (question,) = verdict(heard(said, other, borne_out=True)).questions
    assert question.text == text


def test_a_number_that_hardly_leads_what_sounds_alike_is_asked_about_though_all_agree() -> None:
    utterance = heard("heart rate sixteen", "Heart rate 16.", borne_out=True, lead=CLOSE)
    (question,) = verdict(utterance).questions
    assert question.text.startswith("heart rate 16, or ")
    # The lead of both free listeners counts together.
    assert verdict(heard("heart rate sixteen", "Heart rate 16.", borne_out=True, lead=1.0, their_lead=1.0)).drafts


@pytest.mark.parametrize(
    ("said", "question"),
    [
        ("heart rate sixteen", "heart rate 16, or 60?"),
        ("correction fifty", None),
        ("heart rate one twenty four", None),
    ],
)
@pytest.mark.parametrize(("lead", "noisy", "enough"), [(8, False, True), (8, True, False), (6, False, False)])
def test_a_number_that_sounds_alike_needs_a_larger_lead_though_both_wrote_it_and_in_noise_more(
    said: str, question: str | None, lead: float, noisy: bool, enough: bool
) -> None:
    text = written(said.split())
    each = lead / 2 / (len(text.split()) + 1)
    utterance = heard(said, text, borne_out=None, lead=each, their_lead=each, led=(9.0, None))
    plain = parse(words_of(said), GRAMMAR)
    result = judged(plain, utterance, GRAMMAR, noisy=noisy)
    if enough or said == "heart rate one twenty four":
        assert result == plain
    elif said.startswith("correction"):
        assert result.outcome == "not_understood"
    else:
        assert [one.text for one in result.questions] == [question]


@pytest.mark.parametrize(("lead", "enough"), [(8, False), (10, True)])
def test_a_letter_that_sounds_alike_needs_a_larger_lead_without_noise_too(lead: float, enough: bool) -> None:
    """Both listeners wrote "i n" for "i m" at 5 dB with a lead of 5.7."""
    said = "glucagon one milligram i n"
    text = written(said.split())
    utterance = heard(said, text, borne_out=None, lead=lead / (len(text.split()) + 1), led=(9.0, 9.0))
    assert (verdict(utterance).outcome == "events") == enough


@pytest.mark.parametrize(
    "other",
    [
        "Seizure has stopped at 1020.",
        "Seizure hash stopped at a 1020.",
        "Seizure has stopped, sats 94.",
        "Seizure stopped at 10:20, pulse 90.",
    ],
)
def test_what_lacks_a_number_that_the_other_wrote_is_flagged_or_asked_about(other: str) -> None:
    result = verdict(heard("seizure has stopped", other, borne_out=True))
    assert result.questions or result.flags == (ALONE,)
    assert verdict(heard("seizure has stopped", "Seizure has stop.", borne_out=True)).flags == ()


def test_what_the_grammar_listener_hears_instead_weighs_against_the_reading() -> None:
    utterance = heard("heart rate sixteen", "Hard rate 16.", lead=2.4)
    assert verdict(utterance).outcome == "events"
    assert utterance.second is not None
    lost = tuple(replace(fit, kept=-1) for fit in utterance.second.fits)
    assert verdict(replace(utterance, second=replace(utterance.second, fits=lost))).outcome == "ambiguous"


@pytest.mark.parametrize(("other", "borne_out"), [("Heart rate 124.", False), ("", True)])
def test_a_second_best_text_needs_both_others(other: str, borne_out: bool) -> None:
    utterance = heard("heart rate one twenty four", other, borne_out=borne_out)
    assert utterance.second is not None
    forced = replace(utterance, second=replace(utterance.second, forced=True))
    assert verdict(forced).flags == (ALONE,)
    both = heard("heart rate one twenty four", "Heart rate 124.", borne_out=True)
    assert both.second is not None
    assert verdict(replace(both, second=replace(both.second, forced=True))).flags == ()


@pytest.mark.parametrize(
    ("led", "flags"),
    [
        ((9.0, 9.0), ()),
        ((1.6, 2.6), ()),
        ((1.4, 9.0), (ALONE,)),
        ((9.0, 2.4), (ALONE,)),
        ((-1.0, 9.0), (ALONE,)),
        ((None, None), (ALONE,)),
    ],
)
def test_a_drug_misspelled_by_all_others_stands_where_one_prefers_it_to_any_other(
    led: tuple[float | None, float | None], flags: tuple[str, ...]
) -> None:
    utterance = heard("diltiazem twenty milligrams i v", "Bill shayzen, 12 mill iv", led=led)
    assert verdict(utterance).flags == flags


def test_preferred_to_any_other_is_not_enough_where_something_else_was_said() -> None:
    utterance = heard("diltiazem twenty milligrams i v", "We are going home.", led=(9.0, 9.0), gap=2.5)
    # The listener that votes is sure of its words: nothing is entered; unsure of them: it waits for a confirm.
    assert verdict(utterance).outcome == "not_understood"
    assert utterance.second is not None
    unsure = replace(utterance.second, score=-0.5)
    assert verdict(replace(utterance, second=unsure)).flags == (ALONE,)


def test_a_question_that_one_listener_takes_for_a_callout_is_refused() -> None:
    utterance = heard("nasal airway in place", "Where is the nasal airway", gap=0.9)
    assert verdict(utterance).reason == "the other listener heard 'where is the nasal airway'"


@pytest.mark.parametrize(
    "doubtful",
    [
        heard("oral airway in place", "No, all the way in place."),
        heard("dispatched", "This pad", gap=0.5, score=-0.9),
        only_the_other_heard("patient contact", "hard great once", score=-0.9, gap=0.3),
    ],
)
def test_a_doubtful_callout_without_a_value_that_nobody_else_wrote_is_asked_for_again(doubtful: Utterance) -> None:
    result = verdict(doubtful)
    assert (result.outcome, "one listener only" in result.reason) == ("not_understood", True)
    # With a number or a drug it is worth a confirm.
    assert verdict(heard("heart rate ninety", "No, all the way in place.")).flags == (ALONE,)


def test_a_sure_preference_settles_what_sounds_alike_and_a_slight_one_does_not() -> None:
    sound = {"said": "heart rate sixteen", "other": "Heart rates ick steen.", "lead": 1.2}
    assert verdict(heard(**sound, led=(3.5, None))).flags == ()  # type: ignore[arg-type]
    assert verdict(heard(**sound, led=(2.0, None))).outcome == "ambiguous"  # type: ignore[arg-type]
    unclear = heard(**sound, led=(3.5, None), score=-0.6)  # type: ignore[arg-type]
    assert verdict(unclear).outcome == "ambiguous"


def test_a_correction_that_sounds_like_another_is_not_obeyed() -> None:
    assert verdict(heard("correction fifty micrograms", "Correction 50 micrograms", borne_out=True)).commands
    close = heard("correction fifty micrograms", "Correction 50 micrograms", borne_out=True, lead=CLOSE)
    assert verdict(close).outcome == "not_understood"


@pytest.mark.parametrize("said", ["correction intramuscular", "correction fifty micrograms"])
def test_a_correction_needs_more_than_letters_that_look_alike(said: str) -> None:
    assert parse(words_of(said), GRAMMAR).commands
    assert verdict(heard(said, said)).outcome == "not_understood"
    assert verdict(heard(said, said.replace("intramuscular", "intranasal"))).outcome == "not_understood"
    assert verdict(heard(said, said, borne_out=True)).commands
    assert verdict(heard(said, said, led=(9.0, 9.0))).commands


@pytest.mark.parametrize("said", ["confirm", "correction heart rate one twenty four"])
def test_a_command_that_the_adapted_listener_did_not_hear_is_not_obeyed(said: str) -> None:
    words = said.split()
    fits = tuple(fit(row, -0.3 - 3 * bool(n)) for n, row in enumerate(candidates(words, GRAMMAR)))
    second = SecondOpinion(words_of(written(words)), "", -0.3, fits)
    alone = Utterance((Hypothesis(tuple(Word(word) for word in words)),), second)
    assert verdict(alone).commands
    assert verdict(replace(alone, second=replace(second, unlike_adapted=True))).outcome == "not_understood"


@pytest.mark.parametrize("said", ["take that back", "cancel that", "confirm", "close the case"])
def test_a_bare_command_is_obeyed_only_where_both_wrote_it(said: str) -> None:
    assert verdict(heard(said, said)).commands
    for other in ("can sell that", "take that pack", ""):
        assert verdict(heard(said, other, borne_out=True)).outcome == "not_understood"


@pytest.mark.parametrize("said", ["heart rate one twenty four", "ketamine fifty milligrams i v"])
def test_what_the_adapted_listener_did_not_write_waits_for_a_confirm_whoever_bears_it_out(said: str) -> None:
    assert verdict(only_the_other_heard(said, "hard great once", score=-0.9, gap=0.3)).flags == (ALONE,)


@pytest.mark.parametrize(
    ("score", "gap", "outcome"),
    [(-0.1, 1.2, "not_understood"), (-0.1, 0.6, "events"), (-0.6, 1.2, "events")],
)
def test_talk_that_the_adapted_listener_surely_wrote_is_no_callout(score: float, gap: float, outcome: str) -> None:
    utterance = only_the_other_heard("midazolam five milligrams", "Midazolam is enough.", score=score, gap=gap)
    result = verdict(utterance)
    assert result.outcome == outcome
    assert outcome == "events" or "midazolam is enough" in result.reason


def test_a_command_that_only_the_other_wrote_is_not_obeyed() -> None:
    said = only_the_other_heard("confirm ketamine", "come for kate", score=-0.9, gap=0.1)
    assert parse(said.best.words, GRAMMAR).commands
    assert verdict(said).outcome == "not_understood"


OF_OTHER_MAKE = (3.5, 4.5)


@pytest.mark.parametrize(
    ("said", "other"),
    [("heart rate sixteen", "Heart rate 16."), ("ketamine fifty milligrams i v", "Ketamine 50 milligrams IV")],
)
@pytest.mark.parametrize("score", [-0.1, -1.2])
def test_two_of_different_make_that_wrote_the_same_are_enough(said: str, other: str, score: float) -> None:
    sound = heard(said, other, score=score, lead=2.5, led=OF_OTHER_MAKE)
    assert verdict(sound) == parse(words_of(said), GRAMMAR)


def test_a_number_that_both_wrote_must_lead_others_too() -> None:
    """Both wrote "65" for "fifty five" at 5 dB with a lead of 8.4; the one that votes led its decoys by 0.9."""
    said = "heart rate sixty five"
    text = written(said.split())
    known = {"lead": 8.4 / (len(text.split()) + 1), "borne_out": None}
    assert verdict(heard(said, text, led=(0.9, None), **known)).outcome == "ambiguous"  # type: ignore[arg-type]
    assert verdict(heard(said, text, led=(1.6, None), **known)).outcome == "events"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "weaker",
    [
        {"other": "Ketamine 15 milligrams IV"},
        {"lead": CLOSE},
        {"lead": 1.3},
        {"score": -1.2, "led": (2.4, 9.0)},
        {"score": -1.6},
        {"led": (None, None)},
    ],
)
def test_and_not_where_the_number_is_in_doubt_or_the_sound_is(weaker: dict[str, object]) -> None:
    known = {"other": "Ketamine 50 milligrams IV", "lead": 2.5, "led": OF_OTHER_MAKE}
    result = verdict(heard("ketamine fifty milligrams i v", **{**known, **weaker}))  # type: ignore[arg-type]
    assert result.outcome == "ambiguous" or result.flags == (ALONE,)


def test_digits_written_one_by_one_fit_badly_as_a_number_and_stand_where_the_other_wrote_it() -> None:
    def flags(other: str, led: float) -> tuple[str, ...]:
        said = heard("heart rate one twenty", other, own_gap=0.8, lead=1.1, score=-0.4, led=(led, None))
        return verdict(said).flags

    assert flags("Heart rate 120.", 3.5) == ()
    assert flags("Heart rate 120.", 2.9) == (ALONE,)
    assert flags("Hard rate 120.", 3.5) == (ALONE,)


def test_what_has_no_value_stands_where_both_wrote_it_unless_hardly_anything_was_heard() -> None:
    def flags(other: str, score: float, borne_out: bool | None = None) -> tuple[str, ...]:
        return verdict(heard("no known allergies", other, score=score, borne_out=borne_out)).flags

    assert flags("No known allergies.", -1.2) == ()
    assert flags("No known allergies.", -1.6) == (ALONE,)
    assert flags("No one's allergies.", -1.2) == (ALONE,)
    # Asked further, the other listener is one that shares weights with the adapted one.
    assert flags("No known allergies.", -1.2, borne_out=False) == (ALONE,)


NOTHING_OPEN = Context()


def neither(own: str, other: str, score: float, their_score: float) -> Utterance:
    """What the trio gives where neither free-text listener wrote a callout."""
    second = SecondOpinion(words_of(other), "", their_score, unlike_adapted=True)
    return Utterance((Hypothesis(as_spoken(words_of(own)), math.exp(score)),), second)


def told(utterance: Utterance, context: Context = NOTHING_OPEN) -> ParseResult:
    return judged(parse(utterance.best.words, GRAMMAR, context), utterance, GRAMMAR, context)


def test_a_value_alone_completes_a_correction_where_both_wrote_it_and_waits_for_a_confirm() -> None:
    waiting = Context(expects_value=True)
    result = told(neither("105.", "105", -0.1, -0.1), waiting)
    assert (result.outcome, result.fragment["value"], result.marks) == ("command", 105, (ALONE,))
    assert told(neither("105.", "150", -0.1, -0.1), waiting).outcome == "not_understood"
    assert told(neither("105.", "105", -0.1, -0.1)).outcome == "not_understood"


@pytest.mark.parametrize(
    ("own", "other", "score", "their_score", "again"),
    [
        ("you are experiencing 2 milligrams iv push", "lars 22 milligrams", -0.6, -0.5, True),
        ("you are experiencing 2 milligrams iv push", "lars 22 milligrams", -0.6, -0.2, False),
        ("could you draw up ketamine 200 milligrams", "could you draw up ketamine 200", -0.1, -0.5, False),
        ("self reneward", "solve the word", -0.9, -0.9, False),
    ],
)
def test_what_both_are_unsure_of_and_has_a_number_is_asked_for_again(
    own: str, other: str, score: float, their_score: float, again: bool
) -> None:
    result = told(neither(own, other, score, their_score))
    assert (result.outcome, "fits nowhere" in result.reason) == ("not_understood", again)


@pytest.mark.parametrize(
    ("own", "other", "score", "kept"),
    [("20.", "20", -0.9, True), ("20.", "", -0.1, True), ("20.", "plenty", -0.9, False)],
)
def test_a_number_alone_counts_where_it_was_surely_heard(own: str, other: str, score: float, kept: bool) -> None:
    # The dialogue then doubts the callout before it: "one hundred", a pause, "twenty".
    assert bool(told(neither(own, other, score, -0.3)).words) is kept


@pytest.mark.parametrize(
    ("own", "other", "value", "marks"),
    [
        ("60.", "60", 60, ()),
        ("60.", "", 60, (ALONE,)),
        ("Sick steen.", "16", 16, (ALONE,)),
        ("60.", "16", None, ()),
        ("60.", "65", None, ()),
        ("65.", "65", None, ()),
    ],
)
def test_a_number_answers_where_nobody_heard_another(own: str, other: str, value: int | None, marks: object) -> None:
    (question,) = verdict(heard("heart rate sixteen", "Heart rate 60.", borne_out=True)).questions
    utterance = neither(own, other, -0.1, -0.1)
    result = answered(question, told(utterance), utterance)
    assert [getattr(draft.event, "value", None) for draft in result.drafts] == ([] if value is None else [value])
    assert result.marks == marks


def test_a_callout_that_the_free_text_listener_wrote_but_sets_behind_another_is_not_enough() -> None:
    sound = heard("heart rate sixteen", "Heart rate 16.", lead=1.1, led=(-0.5, None), score=-0.6)
    assert verdict(sound).outcome == "ambiguous"
    assert verdict(heard("heart rate sixteen", "Heart rate 16.", lead=1.1, led=(0.5, None), score=-0.6)).flags == ()


@given(st.sampled_from(["heart rate 60", "ketamine 50 milligrams iv", "confirm", "take that back"]), st.floats(-2, 0))
def test_what_neither_wrote_as_a_callout_enters_nothing(text: str, score: float) -> None:
    result = told(neither(text, text, score, score))
    assert (result.outcome, result.drafts, result.commands) == ("not_understood", (), ())


def test_an_unsure_drug_is_asked_about_and_a_command_alone_is_not_obeyed() -> None:
    assert verdict(heard("ketamine fifty milligrams i v", "", score=-1.3)).outcome == "ambiguous"
    assert verdict(heard("confirm ketamine", "")).outcome == "not_understood"
    assert verdict(heard("confirm ketamine", "Confirm, Kate mean.")).commands


def with_third(utterance: Utterance, wrote: str, lead: float = 0.0) -> Utterance:
    """The same where a third free-text listener was asked, and puts every rival that much behind the reading."""
    assert utterance.second is not None
    assert utterance.second.adapted is not None
    own = utterance.second.adapted
    fits = tuple(replace(fit, score=-lead / fit.tokens if n else 0.0) for n, fit in enumerate(own.fits))
    adapted = replace(own, third=ThirdOpinion(words_of(wrote), fits))
    return replace(utterance, second=replace(utterance.second, adapted=adapted))


def in_noise(utterance: Utterance) -> ParseResult:
    return judged(parse(utterance.best.words, GRAMMAR), utterance, GRAMMAR, noisy=True)


ALIKE = [
    # One that the first two lead by 6 of the 7 needed, and a letter, where they lead by 6 of 9.
    ("heart rate sixteen", "Heart rate 16.", (4.0, None)),
    ("ketamine two hundred milligrams i m", "Ketamine 200 milligrams IM", (4.0, 4.0)),
]


@pytest.mark.parametrize(("said", "other", "led"), ALIKE)
def test_what_sounds_alike_stands_where_three_wrote_it_and_lead_by_enough(
    said: str, other: str, led: tuple[float | None, float | None]
) -> None:
    tokens = len(written(said.split()).split()) + 1
    sound = heard(said, other, lead=6.0 / tokens, led=led)
    assert verdict(sound).outcome == "ambiguous"
    assert verdict(with_third(sound, other, 1.5)).outcome == "ambiguous"
    accepted = verdict(with_third(sound, other, 2.5))
    assert (accepted.outcome, accepted.flags) == ("events", ())
    # By itself it must have written the same.
    assert verdict(with_third(sound, "no idea", 8.0)).outcome == "ambiguous"


def test_in_noise_a_third_does_not_count_over_a_number_and_less_over_a_letter() -> None:
    number, letter = (
        heard(said, other, lead=6.0 / (len(written(said.split()).split()) + 1), led=led) for said, other, led in ALIKE
    )
    assert in_noise(with_third(number, "Heart rate 16.", 8.0)).outcome == "ambiguous"
    assert in_noise(with_third(letter, "Ketamine 200 milligrams IM", 4.0)).outcome == "ambiguous"
    assert in_noise(with_third(letter, "Ketamine 200 milligrams IM", 6.0)).outcome == "events"


def test_a_dose_that_sounds_alike_needs_the_largest_lead_by_two() -> None:
    def by(lead: float) -> Utterance:
        sound = heard("ketamine fifty milligrams i v", "Ketamine 50 milligrams IV", lead=lead / 5, led=(4.0, 5.0))
        return with_third(sound, "Ketamine 50 milligrams IV", 8.0)

    (question,) = verdict(by(11.0)).questions
    assert question.text == "ketamine 50, or 15?"
    assert (verdict(by(13.0)).outcome, verdict(by(13.0)).flags) == ("events", ())


@pytest.mark.parametrize(
    ("other", "borne_out", "flags"),
    [
        ("Heart rate 120, weak.", False, ()),
        ("Heart rate 120, reek.", False, (ALONE,)),
        ("Heart rate 120.", False, (ALONE,)),
        ("Heart rate 120, reek.", True, ()),
    ],
)
def test_a_word_beside_the_number_must_be_heard_by_another_too(
    other: str, borne_out: bool, flags: tuple[str, ...]
) -> None:
    assert verdict(heard("heart rate one twenty weak", other, borne_out=borne_out)).flags == flags


def test_two_against_one_need_a_large_lead_over_what_that_one_wrote() -> None:
    sound = heard("heart rate ninety", "Heart rate 19.", lead=4.0 / 4, led=(0.5, None))
    assert verdict(sound).outcome == "ambiguous"
    assert verdict(with_third(sound, "Heart rate 90.", 4.0)).outcome == "ambiguous"
    accepted = verdict(with_third(sound, "Heart rate 90.", 5.5))
    assert (accepted.outcome, accepted.flags) == ("events", ())
    # What nobody has scored may be anything: a number that is no candidate is asked about.
    assert (
        verdict(with_third(heard("heart rate ninety", "Heart rate 42."), "Heart rate 90.", 8.0)).outcome == "ambiguous"
    )
    drawn = with_third(
        heard("heart rate ninety", "Heart rate 19.", lead=4.0 / 4, led=(-0.5, None)), "Heart rate 90.", 8.0
    )
    assert verdict(drawn).outcome == "ambiguous"


def test_a_third_that_wrote_the_same_bears_out_a_drug_but_no_bare_command() -> None:
    alone = heard("ketamine fifty milligrams i v", "Get a mean line", led=(1.0, 3.0))
    assert verdict(alone).flags == (ALONE,)
    assert verdict(with_third(alone, "Ketamine 50 milligrams IV", 6.0)).flags == ()
    assert in_noise(with_third(alone, "Ketamine 50 milligrams IV", 6.0)).flags == (ALONE,)
    assert verdict(with_third(alone, "Ketamine 15 milligrams IV", 6.0)).flags == (ALONE,)
    # The one that votes must lean to the name where it did not write it.
    unsure = heard("ketamine fifty milligrams i v", "Get a mean line", led=(1.0, 1.0))
    assert verdict(with_third(unsure, "Ketamine 50 milligrams IV", 6.0)).flags == (ALONE,)
    command = heard("take that back", "take that pack")
    assert verdict(with_third(command, "take that back", 8.0)).outcome == "not_understood"


def test_a_correction_is_borne_out_by_no_third() -> None:
    sound = heard("correction fifty micrograms", "Correction 50 micrograms", lead=6.0 / 4, led=(4.0, None))
    assert verdict(sound).outcome == "not_understood"
    assert verdict(with_third(sound, "Correction 50 micrograms", 8.0)).outcome == "not_understood"


def test_a_number_that_the_other_wrote_besides_is_not_lost_though_two_lack_it() -> None:
    said = heard("seizure has stopped", "Seizure has stopped at 10:20.")
    assert verdict(with_third(said, "Seizure has stopped.", 8.0)).outcome == "ambiguous"
    # What was written instead is a rival; however far it is led, the number was heard.
    assert said.second is not None
    assert said.second.adapted is not None
    longer = fit("seizure has stopped at ten twenty".split(), -9.0)
    adapted = replace(said.second.adapted, fits=(*said.second.adapted.fits, longer))
    led = replace(said, second=replace(said.second, fits=(*said.second.fits, longer), adapted=adapted))
    assert verdict(with_third(led, "Seizure has stopped.", 8.0)).flags == (ALONE,)


@settings(max_examples=60, deadline=None)
@given(
    st.text(alphabet="abcdefghiklmnoprstuvw 0123456789", max_size=40),
    st.sampled_from(["", "heart rate 16", "heart rate 60", "ketamine 50 milligrams iv", "ketamine 15 milligrams iv"]),
    st.floats(-3, 3),
    st.booleans(),
)
def test_no_words_of_the_others_change_a_value(other: str, third: str, lead: float, borne_out: bool) -> None:
    for said in ("heart rate sixteen", "ketamine fifty milligrams i v", "pressure one ten over seventy"):
        plain = parse(words_of(said), GRAMMAR)
        result = verdict(with_third(heard(said, other, lead=lead, borne_out=borne_out), third, 4 * lead))
        assert [event_fields(draft.event) for draft in result.drafts] in (
            [],
            [event_fields(draft.event) for draft in plain.drafts],
        )
