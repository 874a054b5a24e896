"""From captures to drafts: units filled in or asked about, flags, evidence and what a question keeps."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from voicelog.events import Medication, event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.drafts import completed
from voicelog.parse.parser import parse
from voicelog.parse.result import Context, Draft, ParseResult, Question
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word


def heard(text: str, context: Context | None = None) -> ParseResult:
    return parse(words_of(text), load_grammar(), context or Context())


def only(text: str) -> Draft:
    result = heard(text)
    assert len(result.drafts) == 1, (text, result)
    return result.drafts[0]


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        # Millimoles end at about 35, milligrams per deciliter begin about there: check-values section 4, from memory.
        ("glucose thirty six", "mg/dL"), ("temperature forty five", "Cel"), ("temperature seventy six", "[degF]"),
        ("end tidal eleven", "mm[Hg]"),
    ],
)  # fmt: skip
def test_a_unit_left_out_is_told_by_range_and_says_so(text: str, unit: str) -> None:
    draft = only(text)
    assert event_fields(draft.event)["unit"] == unit
    assert "range" in (draft.event.evidence["unit"].repair or "")


@pytest.mark.parametrize("text", ["glucose thirty five", "temperature sixty", "end tidal ten"])
def test_a_unit_that_the_range_cannot_tell_is_asked_for(text: str) -> None:
    result = heard(text)
    assert (result.drafts, [question.about for question in result.questions]) == ((), ["unit"])


def test_the_single_usual_unit_is_filled_in_and_flagged() -> None:
    draft = only("fentanyl fifty i v")
    assert (event_fields(draft.event)["unit"], draft.flags) == ("ug", ("unit_assumed",))
    assert draft.event.evidence["unit"].repair == "the only usual unit in the formulary"


def test_a_drug_with_several_usual_units_is_asked_about() -> None:
    question = heard("ketamine fifty i v").questions[0]
    assert (question.about, question.understood["dose"], question.understood["route"]) == ("unit", 50, "intravenous")


@pytest.mark.parametrize(
    ("text", "flag"),
    [
        ("epinephrine one milligram", "route_missing"), ("fentanyl one milligram i v", "unit_unusual"),
        ("aspirin three hundred milligrams i v", "route_unusual"),
        ("morphine twenty milligrams i v", "dose_above_limit"),
        ("dextrose seven percent one hundred milliliters i v", "concentration_unusual"),
        ("pulse about ninety", "approximate"), ("one ten over seventy", "label_assumed"),
        ("hart rate ninety", "label_repaired"), ("sats ninety four buddy", "words_left_over"),
        ("age forty", "unit_assumed"),
    ],
)  # fmt: skip
def test_what_is_doubtful_is_flagged(text: str, flag: str) -> None:
    assert flag in only(text).flags


def test_a_limit_is_not_asked_about_for_what_was_thrown_away_or_withheld() -> None:
    assert only("wasted fifty milligrams of morphine").flags == ()
    assert only("morphine fifty milligrams was not given").flags == ()


def test_evidence_names_the_words_and_times_of_every_field() -> None:
    words = tuple(Word(text, n / 2, n / 2 + 0.4) for n, text in enumerate("pulse is sixty four strong".split()))
    evidence = parse(words, load_grammar()).drafts[0].event.evidence
    assert (evidence["value"].words, evidence["quality"].words) == ("sixty four", "strong")
    assert (evidence["value"].start, evidence["value"].end) == (Decimal("1.0"), Decimal("1.9"))


@pytest.mark.parametrize(
    ("text", "repair"),
    [
        ("hart rate eighty eight", "hart -> heart"),
        ("blood pleasure one ten over seventy", "pleasure -> pressure"),
        ("oxygen's at you ration ninety four", "oxygen is at you ration -> oxygen saturation"),
        ("bloodpressure one ten over seventy", "bloodpressure -> blood pressure"),
        ("respi ratory rate twenty", "respi ratory rate -> respiratory rate"),
    ],
)
def test_a_mended_label_is_in_the_evidence(text: str, repair: str) -> None:
    draft = only(text)
    assert "label_repaired" in draft.flags
    assert repair in (draft.event.evidence["label"].repair or "")


@pytest.mark.parametrize(
    "text",
    ["epinefrin one milligram i v", "morfine five milligrams i v", "fentanyl fifty migrograms i v",
     "pulse eigty eight", "epi one milligram intermuscular", "left pupil six rite pupil three"],
)  # fmt: skip
def test_a_value_is_never_mended(text: str) -> None:
    assert heard(text).drafts == ()


@pytest.mark.parametrize(
    ("pounds", "kilograms"),
    [("sixty six", "29.9"), ("one hundred and fifty", "68.0"), ("two hundred and twenty", "99.8")],
)
def test_pounds_are_kept_as_kilograms(pounds: str, kilograms: str) -> None:
    # 66, 150 and 220 lb are 29.937, 68.039 and 99.790 kg: factor from NIST SP 811 appendix B, from memory.
    event = only(f"patient weighs {pounds} pounds").event
    assert event_fields(event)["weight_kg"] == Decimal(kilograms)


def test_a_waste_without_a_drug_is_of_the_drug_given_last() -> None:
    result = heard("wasted fifty micrograms", Context(last_drug="fentanyl"))
    assert [(draft.event.drug, draft.flags) for draft in result.drafts if isinstance(draft.event, Medication)] == [
        ("fentanyl", ("drug_assumed",))
    ]


def test_a_dose_without_a_drug_is_never_of_the_drug_given_last() -> None:
    result = heard("fifty micrograms i v", Context(last_drug="fentanyl"))
    assert (result.drafts, result.questions[0].about) == ((), "drug")


def test_the_sum_of_the_coma_scale_is_its_parts() -> None:
    # Teasdale: E4 V5 M6 is 15; check-values section 3.
    draft = only("eyes four verbal five motor six")
    assert event_fields(draft.event)["total"] == 15
    assert draft.event.evidence["total"].repair == "the sum of its parts"


@pytest.mark.parametrize(
    ("text", "about"),
    [
        ("pulse eighty eight pulse ninety", "value"),
        ("pressure ninety over fifty pressure eighty over fifty", "systolic"),
        ("epinephrine one milligram i v epinephrine one milligram i v", "dose"), ("g c s ten g c s eleven", "total"),
        ("pulse eighty pulse eighty pulse ninety", "value"), ("pulse eighty pulse ninety pulse eighty", "value"),
        ("left pupil six left pupil three", "left_mm"), ("age forty age fifty", "age"),
    ],
)  # fmt: skip
def test_two_values_for_one_thing_in_a_breath_are_asked_about(text: str, about: str) -> None:
    result = heard(text)
    assert (result.outcome, result.drafts) == ("ambiguous", ())
    assert about in [question.about for question in result.questions]


@pytest.mark.parametrize(
    ("text", "entries"),
    [
        ("pulse eighty eight pulse eighty eight", 1), ("patient is alert and alert", 1),
        ("sats ninety pulse eighty sats ninety", 2), ("pulse eighty pulse eighty regular", 2),
        ("shock at two hundred shock at two hundred", 2),
    ],
)  # fmt: skip
def test_the_same_value_said_twice_is_one_entry_and_an_act_done_twice_is_two(text: str, entries: int) -> None:
    result = heard(text)
    assert (result.outcome, len(result.drafts)) == ("events", entries)


@pytest.mark.parametrize(
    "values",
    [{"kind": "medication", "drug": "morphine"}, {"kind": "medication"},
     {"kind": "vital_sign", "sign": "blood_pressure", "systolic": Decimal(90), "unit": "mm[Hg]"}],
)  # fmt: skip
def test_gathered_fields_that_lack_something_are_asked_about(values: dict[str, Any]) -> None:
    assert isinstance(completed(values, {}, load_grammar().drugs), Question)


def test_gathered_fields_that_are_whole_make_a_draft() -> None:
    values = {"kind": "medication", "drug": "morphine", "dose": Decimal(4), "unit": "mg", "route": "intravenous"}
    made = completed(values, {}, load_grammar().drugs)
    assert isinstance(made, Draft)
    assert made.flags == ()
