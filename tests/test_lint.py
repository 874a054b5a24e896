"""What ``voicelog grammar check`` finds: phrases read in two ways, what is never understood, words nobody hears."""

from __future__ import annotations

from pathlib import Path

import pytest

from voicelog.grammar.coverage import drug_words, hearings, pronunciations, sound_findings, word_findings
from voicelog.grammar.finding import Finding
from voicelog.grammar.lint import every_finding
from voicelog.grammar.loader import load_grammar, read_grammar
from voicelog.grammar.model import Grammar
from voicelog.grammar.overlaps import item_findings, outcome_of, phrase_findings
from voicelog.grammar.sentences import Sentence, Sentences
from voicelog.grammar.tree import literals

HEART = '[phrase.heart]\nevent = {kind = "vital_sign", sign = "heart_rate", unit = "/min"}\nsay = '
BREATH = '[phrase.breath]\nevent = {kind = "vital_sign", sign = "respiratory_rate", unit = "/min"}\nsay = '
SKIN = '[phrase.skin]\nevent = {kind = "assessment", finding = "skin"}\nsay = ["skin <colour>"]\n'
TALK = '[talk.chat]\nreason = "chat"\nexamples = ["whatever"]\nsay = ["(whatever | anyway)"]\n'
DRUG = 'names = ["{0}"]\nunits = ["mg"]\nroutes = ["intravenous"]\nsource = "made up"\ndate = 2026-11-25\n'


def grammar_of(folder: Path, *parts: str) -> Grammar:
    (folder / "small.toml").write_text("\n".join(parts), encoding="utf-8")
    return read_grammar([folder])


def overlaps(folder: Path, *parts: str) -> list[tuple[str, str]]:
    return [(found.severity, found.message) for found in phrase_findings(grammar_of(folder, *parts))]


def items(folder: Path, *parts: str) -> list[tuple[str, str]]:
    return [(found.severity, found.message) for found in item_findings(grammar_of(folder, *parts))]


@pytest.fixture(scope="module")
def shipped() -> list[Finding]:
    grammar = load_grammar()
    return every_finding(grammar, hearings(grammar), lambda done, total: None)


def test_the_shipped_grammar_has_no_errors(shipped: list[Finding]) -> None:
    assert [finding for finding in shipped if finding.severity == "error"] == []


def test_the_notes_on_the_shipped_grammar_are_few_enough_to_read(shipped: list[Finding]) -> None:
    assert sum(finding.check == "overlap" for finding in shipped) < 20


# Sentences.


def test_the_sentences_take_every_word_of_every_phrase_and_rule() -> None:
    grammar = load_grammar()
    said = Sentences(grammar)
    words = {
        word
        for phrase in grammar.phrases
        for sentences in said.covering(phrase)
        for sentence in sentences
        for word in sentence.words
    }
    used = {word for phrase in grammar.phrases for tree in phrase.say for word in literals(tree)}
    used |= {word for trees in grammar.rules.values() for tree in trees for word in literals(tree)}
    assert used - words == set()


def test_the_sentences_are_the_same_each_time() -> None:
    grammar = load_grammar()
    assert [Sentences(grammar).covering(phrase) for phrase in grammar.phrases] == [
        Sentences(grammar).covering(phrase) for phrase in grammar.phrases
    ]


def test_parts_that_may_be_left_out_also_stand_side_by_side(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["[big] ticker [now] <count> [beats]"]')
    ((*_, longest),) = Sentences(grammar).covering(grammar.phrases[0])
    assert longest.text.startswith("big ticker now")
    assert longest.text.endswith("beats")


def test_a_sentence_fills_what_its_tags_and_numbers_say(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["ticker strong {quality=strong} <count>"]')
    ((shortest, *_),) = Sentences(grammar).covering(grammar.phrases[0])
    assert [(name, str(value)) for name, value in shortest.fields] == [("quality", "strong"), ("value", "4")]


# Overlaps.


def test_phrases_of_their_own_words_have_no_findings(tmp_path: Path) -> None:
    assert overlaps(tmp_path, HEART + '["ticker <count>"]', BREATH + '["bellows <count>"]', TALK) == []


def test_two_phrases_with_the_same_words_are_one_note(tmp_path: Path) -> None:
    found = overlaps(tmp_path, HEART + '["ticker <count>", "big <count>"]', BREATH + '["ticker <count>"]')
    assert found == [
        ("note", "'ticker four' can be [phrase.heart] or [phrase.breath]: the crew is asked (2 such sentences)")
    ]


def test_two_phrases_that_enter_the_same_are_no_finding(tmp_path: Path) -> None:
    same = HEART.replace("heart]", "again]") + '["ticker <count>"]'
    assert overlaps(tmp_path, HEART + '["ticker <count>"]', same) == []


def test_a_phrase_with_two_values_for_the_same_words_is_a_note(tmp_path: Path) -> None:
    colours = '[list.colour]\nfield = "description"\nitems = {red = ["crimson"], dark = ["crimson"]}\n'
    ((severity, message),) = overlaps(tmp_path, colours, SKIN)
    assert severity == "note"
    assert "'skin crimson' of [phrase.skin] can be read with different values: the crew is asked" in message


def test_a_fragment_whose_words_another_phrase_enters_is_an_error(tmp_path: Path) -> None:
    fragment = '[fragment.amount]\nevent = {kind = "medication"}\nsay = ["<count> {dose} drums"]\n'
    found = overlaps(tmp_path, HEART + '["<count> drums"]', fragment)
    assert found == [
        (
            "error",
            "'four drums' of [fragment.amount] is entered with other values, as [phrase.heart] (2 such sentences)",
        )
    ]


def test_a_finding_names_file_and_line(tmp_path: Path) -> None:
    (found,) = phrase_findings(grammar_of(tmp_path, HEART + '["ticker <count>"]', "", BREATH + '["ticker <count>"]'))
    assert (found.place.file, found.place.line) == (tmp_path / "small.toml", 1)


# What is never understood.


def test_a_way_to_say_a_phrase_that_is_talk_is_an_error_at_its_own_line(tmp_path: Path) -> None:
    say = '[\n  "ticker <count>",\n  "anyway",\n]'
    findings = phrase_findings(grammar_of(tmp_path, HEART + say, TALK))
    (error,) = [found for found in findings if found.severity == "error"]
    assert (error.check, error.place.line) == ("unreachable", 5)
    assert error.message == "[phrase.heart] is never understood when said as 'anyway', such as 'anyway'"


def test_a_phrase_that_only_follows_another_is_tried_after_it(tmp_path: Path) -> None:
    after = HEART.replace("heart]", "more]") + '["also <count>"]\nafter = ["breath"]'
    assert overlaps(tmp_path, BREATH + '["bellows <count>"]', after) == []


def test_a_form_listed_for_two_values_is_an_error_where_it_is_the_only_one(tmp_path: Path) -> None:
    colours = '[list.colour]\nfield = "description"\nitems = {red = ["crimson"], dark = ["crimson", "black"]}\n'
    found = items(tmp_path, colours, SKIN)
    assert [severity for severity, _ in found] == ["error", "note"]
    assert found[0][1] == (
        "'red' of <colour> can never be said: 'crimson' is not understood as it, as it also stands for 'dark'"
    )


def test_a_list_of_forms_of_their_own_has_no_findings(tmp_path: Path) -> None:
    colours = '[list.colour]\nfield = "description"\nitems = {red = ["crimson"], dark = ["(black | dim)"]}\n'
    assert items(tmp_path, colours, SKIN) == []


def test_a_drug_whose_name_is_talk_is_an_error_at_its_row(tmp_path: Path) -> None:
    say = '[phrase.drug]\nevent = {kind = "medication", action = "not_given"}\nsay = ["<drug>"]\n'
    grammar = grammar_of(tmp_path, say, TALK, "[drug.anyway]", DRUG.format("anyway"))
    (found,) = item_findings(grammar)
    assert (found.severity, found.check, found.place) == ("error", "unreachable", grammar.drugs["anyway"].place)


def test_what_comes_of_a_sentence_of_another_meaning_is_asked(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["ticker <count>"]', BREATH + '["ticker <count>"]')
    outcome = outcome_of(Sentence(("ticker", "four"), (("value", "4"),)), grammar.phrases[0], grammar)
    assert (outcome.fate, outcome.rivals) == ("asked", ("[phrase.breath]",))


# Words and sounds.


def test_a_word_without_a_pronunciation_is_an_error_where_it_is_used(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["tickerlyzed <count>"]')
    (found,) = word_findings(grammar, hearings(grammar))
    assert (found.severity, found.place.line) == ("error", 1)
    assert "sphinx cannot hear 'tickerlyzed'" in found.message


def test_a_word_that_only_a_rule_has_is_found_by_its_line(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["<odd> <count>"]', '[rule.odd]\nsay = ["ticker",\n  "[big] tickerlyzed"]')
    (found,) = word_findings(grammar, hearings(grammar))
    assert found.place.line == 6


def test_a_typed_short_form_is_no_finding(tmp_path: Path) -> None:
    grammar = grammar_of(tmp_path, HEART + '["(hr | heart rate) <count>"]')
    assert word_findings(grammar, hearings(grammar)) == []


def test_drugs_that_sound_alike_are_notes_that_say_whether_they_are_declared(tmp_path: Path) -> None:
    rows = [
        f"[drug.{name}]\n{DRUG.format(name)}" for name in ("morphine", "hydromorphone", "phenytoin", "fosphenytoin")
    ]
    pair = '[[pair]]\ndrugs = ["morphine", "hydromorphone"]\nsource = "made up"\n'
    grammar = grammar_of(tmp_path, HEART + '["ticker <count>"]', *rows, pair)
    found = sound_findings(grammar, pronunciations(drug_words(grammar)))
    assert [finding.message for finding in found] == [
        "fosphenytoin and phenytoin sound alike (distance 0.14, not declared in sounds_alike.toml)",
        "hydromorphone and morphine sound alike (distance 0.27, declared)",
    ]
    assert {finding.severity for finding in found} == {"note"}
