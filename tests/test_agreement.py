"""What two listeners agree on: a pure table, the properties that no words can break, and the way through a session."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.events import event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.agreement import DOUBT, SETTINGS, judged
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.three import ALONE
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Fit, Hypothesis, SecondOpinion, Utterance, Word
from voicelog.recognisers.written import candidates, written
from voicelog.session import Session

GRAMMAR = load_grammar()
START = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
SURE, CLOSE = 6.0, 0.1
"""How far the reading leads its rivals, natural logarithm a token: beyond any doubt, hardly."""


def heard(said: str, second: str, *, gap: float = 0.0, lead: float = SURE, score: float = -0.3) -> Utterance:
    """What the pair gives when one listener hears ``said`` and the other writes ``second``."""
    words = said.split()
    rows = candidates([word for word in words if word != "<garbage>"], GRAMMAR) if said else []
    own = score - gap
    fits = tuple(Fit(row, written(row), own if not n else own - lead) for n, row in enumerate(rows))
    best = (Hypothesis(tuple(Word(word) for word in words)),) if words else ()
    free = words_of(second)
    return Utterance(best, SecondOpinion(free, "" if free else "no speech", score if free else None, fits))


def verdict(utterance: Utterance) -> ParseResult:
    return judged(parse(utterance.best.words, GRAMMAR), utterance, GRAMMAR)


@pytest.mark.parametrize(
    ("said", "second"),
    [
        ("heart rate one twenty four", "Heart rate 124."),
        ("b p one thirty over sixty", "VP 130 over 60"),
        ("temp is thirty eight point nine", "10th is 38.9."),
        ("wasted two milligrams of midazolam", "Wasted two milligrams of madazzalam."),
        ("g c s is three", "GCS is free."),
        ("patient contact", "Patient contact."),
    ],
)
def test_what_both_heard_is_accepted_as_it_is(said: str, second: str) -> None:
    result = verdict(heard(said, second))
    assert result == parse(words_of(said), GRAMMAR)
    assert result.outcome == "events"


def test_without_a_second_opinion_nothing_changes() -> None:
    plain = Utterance((Hypothesis(words_of("heart rate fifty")),))
    assert verdict(plain) == parse(plain.best.words, GRAMMAR)


@pytest.mark.parametrize(
    ("said", "second", "about", "text"),
    [
        ("heart rate one sixty", "Heart rate 116.", "value", "heart rate 160, or 116?"),
        ("heart rate fifty", "Hard eight fifteen", "value", "heart rate 50? Say again."),
        ("blood pressure one eighteen over fifty", "BP 118/15", "diastolic", "blood pressure 50, or 15?"),
        ("ketamine fifteen milligrams i v", "Ketamine 50 mg IV", "dose", "ketamine 15, or 50?"),
        ("ketamine fifteen milligrams i v", "Get a mean mg", "dose", "ketamine 15? Say again."),
    ],
)
def test_numbers_that_differ_are_asked_about(said: str, second: str, about: str, text: str) -> None:
    result = verdict(heard(said, second))
    assert (result.outcome, result.drafts) == ("ambiguous", ())
    (question,) = result.questions
    assert (question.about, question.text) == (about, text)
    assert about not in question.understood


def test_what_is_not_in_doubt_stays_understood() -> None:
    (question,) = verdict(heard("ketamine fifteen milligrams i v", "Ketamine 50 mg IV")).questions
    assert question.understood == {
        "kind": "medication", "drug": "ketamine", "unit": "mg", "route": "intravenous", "action": "given",
    }  # fmt: skip
    assert "dose" not in question.evidence


def test_a_value_that_hardly_leads_what_sounds_alike_is_asked_about() -> None:
    (question,) = verdict(heard("respirations sixty", "Respiration 60.", lead=CLOSE)).questions
    assert question.text == "respiratory rate 60, or 16?"


@pytest.mark.parametrize(
    ("said", "second"),
    [
        ("on scene at fourteen fifty", "Left the scene at 1450."),
        ("pulse one ten", "Pulse 110 irregular."),
        ("heart rate fifty", "No heart rate 50."),
        ("epinephrine one milligram i v", "Epinephrine 1 mg IM."),
    ],
)
def test_what_the_second_listener_reads_otherwise_waits_for_a_confirm(said: str, second: str) -> None:
    result = verdict(heard(said, second))
    assert result.outcome != "events" or result.flags == (DOUBT,)


def test_a_rival_that_the_second_listener_hears_better_is_asked_about_however_sure_the_first_is() -> None:
    utterance = heard("heart rate fifty", "Heart rate 50.", lead=-0.1)
    assert utterance.second is not None
    first, *rivals = utterance.second.fits
    sure = replace(utterance.second, fits=(first, *(replace(fit, kept=20) for fit in rivals)))
    assert verdict(replace(utterance, second=sure)).outcome == "ambiguous"


def test_what_the_first_listener_keeps_beside_its_rivals_needs_less_of_a_lead() -> None:
    utterance = heard("heart rate fifty", "Heart rate 50.", lead=0.7)
    assert verdict(utterance).outcome == "ambiguous"
    assert utterance.second is not None
    first, *rivals = utterance.second.fits
    for kept, outcome in ((20, "events"), (-1, "ambiguous")):
        fits = (first, *(replace(fit, kept=kept) for fit in rivals))
        assert verdict(replace(utterance, second=replace(utterance.second, fits=fits))).outcome == outcome


def test_a_drug_that_hardly_leads_one_declared_alike_is_asked_about() -> None:
    (question,) = verdict(heard("fentanyl fifty micrograms i v", "Fentanyl 50 mcg IV", lead=CLOSE)).questions
    assert question.about in {"dose", "drug"}


@pytest.mark.parametrize("said", ["heart rate fifty", "ketamine fifty milligrams i v", "confirm", "glucose ninety"])
def test_speech_that_the_second_listener_reads_as_something_else_is_no_callout(said: str) -> None:
    result = verdict(heard(said, "We are on the way", gap=SETTINGS.near + 0.1))
    assert (result.outcome, result.drafts, result.commands) == ("not_understood", (), ())
    assert "we are on the way" in result.reason


def test_speech_in_which_the_second_listener_heard_none_is_no_callout() -> None:
    result = verdict(heard("heart rate fifty", ""))
    assert (result.outcome, result.reason) == ("not_understood", "no speech")


def test_a_sign_that_fits_badly_waits_for_a_confirm() -> None:
    (draft,) = verdict(heard("heart rate fifty", "Hard eight 50", gap=SETTINGS.near - 0.1)).drafts
    assert draft.flags == (DOUBT,)


def test_a_drug_that_fits_badly_is_asked_about() -> None:
    result = verdict(heard("ketamine fifty milligrams i v", "Kept a mean 50", gap=SETTINGS.near - 0.1))
    assert result.drafts == ()
    assert result.questions[0].about == "drug"


def test_what_is_known_by_name_alone_must_fit_better_than_a_sign() -> None:
    gap = (SETTINGS.fits + SETTINGS.fits_by_name) / 2
    assert verdict(heard("heart rate fifty", "Hard rate 50", gap=gap)).flags == ()
    assert verdict(heard("rhythm is v fib", "Rhythm is beef in", gap=gap)).outcome == "ambiguous"
    assert verdict(heard("ketamine fifty milligrams i v", "Kept a mean 50", gap=gap)).outcome == "ambiguous"


def test_a_reading_that_only_says_less_is_no_rival() -> None:
    said, less = "ketamine fifty milligrams i v", "ketamine fifty milligrams"
    best = Hypothesis(words_of(said))
    fits = tuple(Fit(tuple(text.split()), written(text.split()), -0.3) for text in (said, less))
    utterance = Utterance((best,), SecondOpinion(words_of("Ketamine 50 milligrams"), "", -0.3, fits))
    assert verdict(utterance).outcome == "events"


def test_only_the_callout_in_doubt_is_asked_about() -> None:
    result = verdict(heard("heart rate fifty sats ninety four", "Heart rate 15 SATs 94"))
    assert [draft.event.kind for draft in result.drafts] == ["vital_sign"]
    assert result.drafts[0].event.sign == "oxygen_saturation"  # type: ignore[union-attr]
    assert result.questions[0].about == "value"


@pytest.mark.parametrize(
    ("said", "second", "gap", "obeyed"),
    [
        ("confirm", "K4M", 1.0, True),
        ("confirm", "K4M", SETTINGS.fits + 0.1, False),
        ("correction one ten over seventy", "Correction 110 over 70", 0.0, True),
        ("correction one ten over seventy", "Correction 110 over 17", 0.0, False),
    ],
)
def test_a_command_is_obeyed_only_where_the_sound_bears_it_out(
    said: str, second: str, gap: float, obeyed: bool
) -> None:
    assert bool(verdict(heard(said, second, gap=gap)).commands) is obeyed


def test_what_only_the_second_listener_understood_waits_for_a_confirm() -> None:
    (draft,) = verdict(heard("<garbage>", "Heart rate 102.")).drafts
    assert draft.flags == (ALONE,)


@pytest.mark.parametrize("second", ["Confirm.", "Take that back.", "Correction 50", "What was the heart rate 102?"])
def test_the_second_listener_alone_commands_nothing(second: str) -> None:
    result = verdict(heard("<garbage>", second))
    assert (result.outcome, result.commands) == ("not_understood", ())


def test_a_negation_that_one_listener_heard_counts() -> None:
    assert verdict(heard("no epinephrine given", "Epinephrine 1 mg IV given")).drafts == ()


def test_the_second_listener_alone_must_be_sure() -> None:
    assert verdict(heard("<garbage>", "Heart rate 102.", score=SETTINGS.alone - 0.1)).outcome == "not_understood"


SAID = st.sampled_from(
    [
        *("heart rate fifty", "heart rate one sixteen", "b p one thirty over sixty", "sats ninety four", "confirm"),
        *("ketamine fifty milligrams i v", "wasted two milligrams of midazolam", "correction one ten over seventy"),
        *("", "<garbage>", "heart rate fifty <garbage>", "glucose ninety", "patient contact", "temp is forty"),
        "epinephrine one milligram i v heart rate eighty",
    ]
)
OTHER = st.one_of(
    st.text(max_size=30),
    st.sampled_from(["Heart rate 15.", "BP 130/60", "Ketamine 15 mg IV", "Confirm.", "Sats 94%", "50", "Fifty."]),
)


@settings(max_examples=150, deadline=None)
@given(SAID, OTHER, st.floats(-1, 5), st.floats(-2, 6), st.floats(-3, 0))
def test_no_opinion_changes_a_value_or_adds_an_entry_that_stands_by_itself(
    said: str, second: str, gap: float, lead: float, score: float
) -> None:
    utterance = heard(said, second, gap=gap, lead=lead, score=score)
    plain = parse(utterance.best.words, GRAMMAR)
    result = judged(plain, utterance, GRAMMAR)
    first = [event_fields(draft.event) for draft in plain.drafts]
    for draft in result.drafts:
        assert ALONE in draft.flags or event_fields(draft.event) in first
    assert set(result.commands) <= set(plain.commands)


@pytest.fixture
def session(tmp_path: Path) -> Session:
    case = CaseFile.create(tmp_path / "case.voicelog", {"version": "test"}, START)
    return Session(GRAMMAR, case, "pair")


def hear(session: Session, *utterances: Utterance) -> list[str]:
    for number, utterance in enumerate(utterances):
        drafts = session.hear(utterance, START + timedelta(seconds=10 * number))
    return [draft.body["text"] for draft in drafts if draft.type in {"read_back", "question"}]


@pytest.mark.parametrize(
    ("answer", "value"),
    [
        (heard("<garbage>", "5-0"), 50),
        (heard("five zero", "5-0"), 50),
        (heard("", "15."), 15),
        (heard("<garbage>", "One five."), 15),
    ],
)
def test_a_bare_number_answers_which_of_two_was_meant(session: Session, answer: Utterance, value: int) -> None:
    assert hear(session, heard("heart rate fifty", "Heart rate 15.")) == ["Heart rate five zero, or one five?"]
    hear(session, answer)
    (event,) = fold(session.case.entries()).events
    assert event.event.value == Decimal(value)  # type: ignore[union-attr]
    assert event.event.sign == "heart_rate"  # type: ignore[union-attr]


def test_a_dose_chosen_by_a_bare_number_still_waits_for_its_confirm(session: Session) -> None:
    asked = heard("ketamine fifteen milligrams i v", "Ketamine 50 mg IV")
    said = hear(session, asked, heard("<garbage>", "5-0"))
    assert "five zero milligrams intravenous" in said[0]
    assert said[0].endswith("Confirm?")


@pytest.mark.parametrize("answer", ["60", "Sixty.", "5", "150", "the 50 of them", ""])
def test_nothing_but_a_number_that_was_offered_answers(session: Session, answer: str) -> None:
    hear(session, heard("heart rate fifty", "Heart rate 15."), heard("<garbage>", answer))
    assert fold(session.case.entries()).events == ()


def test_a_digit_is_never_put_behind_the_number_in_doubt(session: Session) -> None:
    hear(session, heard("heart rate fifty", "Heart rate 15."), heard("five", "Five."))
    values = [entry.event.value for entry in fold(session.case.entries()).events]  # type: ignore[union-attr]
    assert Decimal(55) not in values


def test_the_whole_callout_answers_as_well(session: Session) -> None:
    hear(session, heard("heart rate fifty", "Heart rate 15."), heard("heart rate fifty", "Heart rate 50."))
    (event,) = fold(session.case.entries()).events
    assert (event.event.value, event.flags) == (Decimal(50), ())  # type: ignore[union-attr]


def test_the_case_file_keeps_the_second_opinion(session: Session) -> None:
    hear(session, heard("heart rate fifty", "Heart rate 15."))
    (utterance,) = (entry for entry in session.case.entries() if entry.type == "utterance")
    assert utterance.body["second"] == {
        "words": ["heart", "rate", "15"],
        "refusal": "",
        "score": "-0.300",
        "fits": [
            {"words": "heart rate fifty", "text": "Heart rate 50.", "score": "-0.300"},
            {"words": "heart rate one fifty", "text": "Heart rate 150.", "score": "-6.300"},
            {"words": "heart rate fifteen", "text": "Heart rate 15.", "score": "-6.300"},
        ],
    }
