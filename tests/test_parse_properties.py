"""Properties of the parser: what the grammar says is parsed back to its values or asked about, never to others."""

from __future__ import annotations

from random import Random

import pytest
from callout_rows import callout_rows
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from meaning import wrong_values

from voicelog.drill.adapt.sampler import Sampler, Sentence
from voicelog.events import Medication, event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import value_of
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, ParseResult
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word

GRAMMAR = load_grammar()
PHRASES = [phrase for phrase in GRAMMAR.phrases if phrase.kind == "event"]
FEW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
REPAIRED = {"label_repaired", "words_left_over"}


def heard(words: tuple[str, ...], grammar: Grammar = GRAMMAR) -> ParseResult:
    return parse(tuple(map(Word, words)), grammar)


def sampled(seed: int, count: int) -> list[Sentence]:
    sampler = Sampler(GRAMMAR, Random(seed))
    return [sampler.sentence(PHRASES[number % len(PHRASES)]) for number in range(count)]


@pytest.mark.parametrize("seed", range(6))
def test_a_sentence_of_the_grammar_is_never_entered_with_another_value(seed: int) -> None:
    for sentence in sampled(seed, 80):
        result = heard(sentence.words)
        contradictory = any(question.contradicts for question in result.questions)
        assert contradictory or not wrong_values(sentence, result, GRAMMAR), sentence.text


def test_most_sentences_of_the_grammar_are_entered() -> None:
    sentences = sampled(99, 300)
    entered = sum(heard(sentence.words).outcome == "events" for sentence in sentences)
    assert entered > 0.6 * len(sentences)


def mutated(sentence: Sentence, random: Random, labels: list[str]) -> tuple[str, ...]:
    """The sentence with one soft word left out, doubled, misspelled or exchanged for another label word."""
    words = sentence.words
    soft = [n for n, (word, free) in enumerate(zip(words, sentence.soft, strict=True)) if free and word in labels]
    if not soft:
        return words
    at = random.choice(soft)
    word = words[at]
    letter = random.randrange(len(word))
    slip = word[:letter] + random.choice("abcdefghijklmnopqrstuvwxyz") + word[letter + random.randrange(2) :]
    new = random.choice([(), (word, word), (slip,), (random.choice(labels),)])
    return words[:at] + new + words[at + 1 :]


@pytest.mark.parametrize("seed", range(6))
def test_a_slip_in_a_label_never_changes_a_value(seed: int) -> None:
    """A mutated sentence that is read without any repair is another sentence of the grammar and is not looked at."""
    random = Random(seed)
    labels = sorted(word for word in GRAMMAR.compiled.telling if word not in GRAMMAR.compiled.exact)
    for sentence in sampled(seed + 1000, 80):
        words = mutated(sentence, random, labels)
        result = heard(words)
        if REPAIRED & set(result.flags) and result.outcome == "events":
            wrong = wrong_values(sentence, result, GRAMMAR)
            assert not wrong, (" ".join(words), sentence.text)


@FEW
@given(st.lists(st.text(max_size=12), max_size=30))
def test_no_words_make_the_parser_raise(words: list[str]) -> None:
    heard(tuple(words))


@FEW
@given(st.text(max_size=200), st.booleans())
def test_no_text_makes_the_parser_raise(text: str, expects: bool) -> None:
    parse(words_of(text), GRAMMAR, Context(last_drug="morphine", expects_value=expects))


@FEW
@given(st.lists(st.sampled_from(sorted(GRAMMAR.vocabulary)), max_size=25))
def test_no_salad_of_the_grammars_own_words_makes_it_raise(words: list[str]) -> None:
    heard(tuple(words))


@FEW
@given(st.lists(st.sampled_from([row.spoken for row in callout_rows()]), min_size=2, max_size=3))
def test_callouts_joined_in_a_breath_keep_their_numbers_apart(texts: list[str]) -> None:
    """Every number in an entry of the breath was said by one of its callouts, or nothing is entered for it."""
    alone = [parse(words_of(text), GRAMMAR) for text in texts]
    doses = {d.event.dose for result in alone for d in result.drafts if isinstance(d.event, Medication)}
    doses |= {question.understood.get("dose") for result in alone for question in result.questions}
    together = parse(words_of(" ".join(texts)), GRAMMAR)
    if not all(result.outcome == "events" for result in alone):
        return
    assert {d.event.dose for d in together.drafts if isinstance(d.event, Medication)} <= doses


@pytest.mark.parametrize("pair", sorted(map(sorted, GRAMMAR.unsure_pairs)), ids=" / ".join)
def test_confusable_drugs_are_never_exchanged(pair: list[str]) -> None:
    for drug in pair:
        for name in GRAMMAR.drugs[drug].spoken:
            result = parse(words_of(f"{name} ten milligrams i v"), GRAMMAR)
            assert [d.event.drug for d in result.drafts if isinstance(d.event, Medication)] == [drug], name


@pytest.mark.parametrize("pair", sorted(map(sorted, GRAMMAR.unsure_pairs)), ids=" / ".join)
def test_a_misspelled_drug_is_no_drug(pair: list[str]) -> None:
    random = Random(7)
    for drug in pair:
        name = GRAMMAR.drugs[drug].spoken[0]
        at = random.randrange(1, len(name))
        result = parse(words_of(f"{name[:at]}q{name[at + 1 :]} ten milligrams i v"), GRAMMAR)
        assert result.drafts == ()


def test_ten_thousand_words_are_too_long_for_a_callout() -> None:
    result = parse(words_of("pulse eighty eight and then " * 2_000), GRAMMAR)
    assert (result.outcome, result.reason) == ("not_understood", "too long for one callout")


def test_a_long_breath_is_still_read() -> None:
    text = "skin pale and then airway clear and then " * 60
    assert len(parse(words_of(text), GRAMMAR).drafts) == 120


def timed(text: str, gaps: dict[int, float]) -> tuple[Word, ...]:
    """Words of 0.3 s with a silence of so many seconds before those named."""
    words, now = [], 0.0
    for number, word in enumerate(text.split()):
        now += gaps.get(number, 0.05)
        words.append(Word(word, now, now + 0.3))
        now += 0.3
    return tuple(words)


GLUED = "fentanyl fifty five of morphine i v"


def test_a_number_that_may_end_in_two_places_is_asked_about() -> None:
    assert parse(timed(GLUED, {}), GRAMMAR).outcome == "ambiguous"


USUAL = sorted(name for name, drug in GRAMMAR.drugs.items() if drug.usual_unit and "mg" in drug.units)


@FEW
@given(
    st.lists(st.sampled_from(USUAL), min_size=2, max_size=2, unique=True),
    st.sampled_from("twenty thirty forty fifty sixty seventy eighty ninety".split()),
    st.sampled_from("one two three four five six seven eight nine".split()),
)
def test_two_readings_with_different_values_are_a_question_with_both(pair: list[str], ten: str, digit: str) -> None:
    one, other = (GRAMMAR.drugs[name].spoken[0] for name in pair)
    result = parse(words_of(f"{one} {ten} {digit} of {other} i v"), GRAMMAR)
    readings = [[event_fields(draft.event) for draft in reading] for reading in result.questions[0].readings]
    assert result.outcome == "ambiguous"
    assert not result.drafts
    doses = [{str(fields["drug"]): fields.get("dose") for fields in reading} for reading in readings]
    assert {pair[0]: value_of([ten]), pair[1]: value_of([digit])} in doses
    assert len({str(reading) for reading in readings}) > 1


def test_a_pause_ends_a_number() -> None:
    result = parse(timed(GLUED, {2: 0.9}), GRAMMAR)
    doses = [(d.event.drug, str(d.event.dose)) for d in result.drafts if isinstance(d.event, Medication)]
    assert doses == [("fentanyl", "50"), ("morphine", "5")]
