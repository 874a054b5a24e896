"""What is said aloud: numbers that cannot be misheard, units in full, words for everything an event can hold."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any, get_args

import pytest
from dialogue_talk import grammar
from event_strategies import events, unit_words
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.dialogue.wording import (
    needs_confirm,
    question_text,
    read_back,
    spoken,
    spoken_number,
    spoken_time,
    spoken_unit,
)
from voicelog.events import (
    Assessment,
    Event,
    Finding,
    Medication,
    Milestone,
    MilestoneName,
    Patient,
    Procedure,
    ProcedureName,
    Remark,
    Route,
    Sign,
    VitalSign,
    event_fields,
    event_from,
)
from voicelog.grammar.formulary import DOSE_UNITS
from voicelog.parse.parser import parse
from voicelog.parse.result import Draft, Question
from voicelog.parse.tokens import words_of


# Digit by digit: ISMP verbal-order guidance and WHO Patient Safety Solutions 3 (2007), from memory (check-values 6.3);
# the pairs are the confusable number words of check-values 6.3 (design).
@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("13", "one three"), ("30", "three zero"), ("14", "one four"), ("40", "four zero"), ("15", "one five"),
        ("50", "five zero"), ("16", "one six"), ("60", "six zero"), ("17", "one seven"), ("70", "seven zero"),
        ("18", "one eight"), ("80", "eight zero"), ("19", "one nine"), ("90", "nine zero"),
        ("0", "zero"), ("118", "one one eight"), ("1200", "one two zero zero"), ("1E+2", "one zero zero"),
    ],
)  # fmt: skip
def test_numbers_are_said_digit_by_digit(value: str, words: str) -> None:
    assert spoken_number(Decimal(value)) == words


# No trailing zero, always a leading zero: Joint Commission Do Not Use list and ISMP error-prone list (check-values
# 6.2).
@pytest.mark.parametrize(
    ("value", "words"),
    [("1.0", "one"), ("0.30", "zero point three"), (".5", "zero point five"), ("10.50", "one zero point five")],
)
def test_no_trailing_zero_and_always_a_leading_zero(value: str, words: str) -> None:
    assert spoken_number(Decimal(value)) == words


# "microgram" and "unit" in full, never ug, mcg or U: Joint Commission Do Not Use list (check-values 6.2).
@pytest.mark.parametrize(
    ("unit", "one", "many"),
    [
        ("mg", "milligram", "milligrams"),
        ("ug", "microgram", "micrograms"),
        ("[U]", "unit", "units"),
        ("mL", "milliliter", "milliliters"),
        ("{puff}", "puff", "puffs"),
        ("mg/kg", "milligram per kilogram", "milligrams per kilogram"),
        ("ug/kg/min", "microgram per kilogram per minute", "micrograms per kilogram per minute"),
        ("L/min", "liter per minute", "liters per minute"),
        ("%", "percent", "percent"),
    ],
)
def test_units_are_words_singular_for_one(unit: str, one: str, many: str) -> None:
    assert (spoken_unit(unit, Decimal(1)), spoken_unit(unit, Decimal(2))) == (one, many)


@pytest.mark.parametrize("unit", DOSE_UNITS)
def test_every_dose_unit_has_words(unit: str) -> None:
    assert re.fullmatch(r"[a-z ]+", spoken_unit(unit, Decimal(2)))


def test_a_clock_time_is_said_digit_by_digit() -> None:
    assert spoken_time("14:05") == "one four zero five"


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (VitalSign(sign="blood_pressure", systolic=118, diastolic=76), "pressure one one eight over seven six"),
        (VitalSign(sign="blood_pressure", systolic=90, palpated=True), "pressure nine zero by palpation"),
        (VitalSign(sign="blood_pressure", systolic=90), "pressure nine zero"),
        (VitalSign(sign="heart_rate", value=Decimal(64), unit="/min", quality="strong"), "heart rate six four strong"),
        (
            VitalSign(sign="oxygen_saturation", value=Decimal(91), unit="%", oxygen="room_air"),
            "saturation nine one percent on room air",
        ),
        (
            VitalSign(sign="temperature", value=Decimal("37.4"), unit="Cel"),
            "temperature three seven point four degrees celsius",
        ),
        (
            Medication(
                drug="epinephrine", dose=Decimal("0.3"), unit="mg", route="intramuscular", site="left thigh",
                stated_time="14:05",
            ),
            "epinephrine zero point three milligrams intramuscular left thigh at one four zero five",
        ),
        (
            Medication(drug="midazolam", dose=Decimal(5), unit="mg", volume_ml=Decimal(1), action="wasted"),
            "midazolam five milligrams in one milliliter wasted",
        ),
        (
            Medication(drug="dextrose", concentration="10 %", volume_ml=Decimal(250), route="intravenous"),
            "dextrose one zero percent two five zero milliliters intravenous",
        ),
        (Medication(drug="epinephrine", action="not_given"), "epinephrine not given"),
        (Assessment(finding="responsiveness", level="verbal"), "responds to voice"),
        (
            Assessment(finding="glasgow_coma_scale", eye=2, verbal=2, motor=4, total=8),
            "coma scale eye two verbal two motor four total eight",
        ),
        (
            Assessment(finding="pupils", equal=True, reactive=False, left_mm=Decimal(4), right_mm=Decimal(4)),
            "pupils equal left four right four not reactive",
        ),
        (Assessment(finding="breath_sounds", sound="clear", side="left"), "breath sounds clear on the left"),
        (
            Procedure(procedure="oxygen", flow_lpm=Decimal(15), device="non_rebreather_mask", action="started"),
            "oxygen one five liters per minute non rebreather mask started",
        ),
        (Procedure(procedure="defibrillation", energy_j=200), "defibrillation two zero zero joules done"),
        (Patient(age=1, age_unit="year", sex="male"), "patient one year male"),
        (Patient(allergy="penicillin"), "patient allergy penicillin"),
        (Milestone(milestone="departed_scene"), "departed scene"),
        (Remark(text="mother has the bag"), "note mother has the bag"),
    ],
)  # fmt: skip
def test_one_event_of_every_kind_as_said(event: Event, words: str) -> None:
    assert spoken(event) == words


def every_literal() -> list[dict[str, Any]]:
    signs = [
        {"kind": "vital_sign", "sign": sign, **({"systolic": 90} if sign == "blood_pressure" else {"value": 9})}
        for sign in get_args(Sign)
    ]
    drug = {"kind": "medication", "drug": "ketamine"}
    return [
        *signs,
        *({**signs[1], "oxygen": oxygen} for oxygen in ("room_air", "supplemental")),
        *({**drug, "route": route} for route in get_args(Route)),
        *({**drug, "action": action} for action in ("given", "prepared", "wasted", "not_given")),
        *({"kind": "assessment", "finding": f, "description": "thing"} for f in get_args(Finding)),
        *(
            {"kind": "assessment", "finding": "responsiveness", "level": level}
            for level in ("alert", "verbal", "pain", "unresponsive")
        ),
        *({"kind": "assessment", "finding": "breath_sounds", "side": side} for side in ("left", "right", "both")),
        *({"kind": "procedure", "procedure": name} for name in get_args(ProcedureName)),
        *(
            {"kind": "procedure", "procedure": "suction", "action": action}
            for action in ("started", "stopped", "resumed", "done")
        ),
        *({"kind": "patient", "age": 2, "age_unit": unit} for unit in ("year", "month", "day")),
        *({"kind": "milestone", "milestone": name} for name in get_args(MilestoneName)),
    ]


@pytest.mark.parametrize("fields", every_literal(), ids=str)
def test_every_closed_value_has_words_without_signs(fields: dict[str, Any]) -> None:
    assert re.fullmatch(r"[a-z0-9 ]+", spoken(event_from(fields)))


@settings(deadline=None)
@given(events())
def test_every_event_has_words_without_digits_signs_or_gaps(event: Event) -> None:
    said = spoken(event)
    assert said
    assert said == " ".join(said.split())
    assert not re.search(r"\d|None|_|/|\[|\{|µ", said)


@settings(deadline=None)
@given(events())
def test_every_number_and_unit_of_an_event_is_said(event: Event) -> None:
    said = f" {spoken(event)} "
    for name, value in event_fields(event).items():
        if isinstance(value, int | Decimal) and not isinstance(value, bool):
            assert f" {spoken_number(value)} " in said, name
    if isinstance(event, Medication) and event.dose is not None and event.unit:
        assert f"{spoken_number(event.dose)} {unit_words(event.unit, event.dose)}" in said


def examples() -> list[str]:
    return [text for phrase in grammar().phrases if phrase.kind == "event" for text in phrase.examples]


@pytest.mark.parametrize("text", examples())
def test_the_read_back_of_every_example_names_every_value(text: str) -> None:
    """What the shipped phrases can enter is said back whole: numbers, drug, route, site, device and findings."""
    drafts = parse(words_of(text), grammar()).drafts
    said = f" {read_back(drafts).lower().replace(',', '').replace('.', '')} "
    assert drafts
    for draft in drafts:
        for name, value in event_fields(draft.event).items():
            if isinstance(value, bool) or name in {"kind", "unit", "age_unit", "concentration", "stated_time"}:
                continue
            if isinstance(value, int | Decimal):
                assert f" {spoken_number(value)} " in said, name
            elif name in {"drug", "route", "site", "sex", "description", "sound", "quality", "rhythm", "allergy"}:
                assert str(value).lower().replace(",", "") in said, name
            elif name in {"device", "procedure", "milestone"}:
                assert str(value).replace("_", " ") in said, name


def test_several_events_are_each_a_sentence() -> None:
    drafts = [
        Draft(VitalSign(sign="heart_rate", value=Decimal(90))),
        Draft(VitalSign(sign="respiratory_rate", value=Decimal(14))),
    ]
    assert read_back(drafts) == "Heart rate nine zero. Respiratory rate one four."


def test_a_drug_is_asked_to_be_confirmed() -> None:
    draft = Draft(Medication(drug="fentanyl", dose=Decimal(50), unit="ug", route="intranasal"))
    assert (needs_confirm(draft), read_back([draft])) == (True, "Fentanyl five zero micrograms intranasal. Confirm?")


def test_a_flag_is_said_and_asked_to_be_confirmed() -> None:
    draft = Draft(VitalSign(sign="heart_rate", value=Decimal(90)), ("label_repaired", "words_left_over"))
    assert read_back([draft]) == "Heart rate nine zero, heard unclearly, not all words understood. Confirm?"


def test_a_vital_sign_is_not_asked_to_be_confirmed() -> None:
    assert not needs_confirm(Draft(VitalSign(sign="heart_rate", value=Decimal(90))))


def test_a_question_says_its_numbers_digit_by_digit() -> None:
    assert question_text(Question("unit", "ketamine 50: which unit?")) == "Ketamine five zero: which unit?"


def test_a_question_between_readings_says_them_all() -> None:
    readings = tuple((Draft(VitalSign(sign="heart_rate", value=Decimal(n))),) for n in (15, 50))
    text = question_text(Question("which_reading", "", readings=readings))
    assert text == "Which one: heart rate one five, or heart rate five zero? Say it again."


def test_readings_that_sound_the_same_are_not_offered() -> None:
    reading = (Draft(VitalSign(sign="heart_rate", value=Decimal(15))),)
    assert question_text(Question("which_reading", "", readings=(reading, reading))) == "Not clear. Say it again."


@given(st.decimals(min_value=0, max_value=10_000, places=3))
def test_said_digits_read_back_give_the_number(value: Decimal) -> None:
    digits = dict(zip("zero one two three four five six seven eight nine".split(), "0123456789", strict=True))
    assert Decimal("".join(digits.get(word, ".") for word in spoken_number(value).split())) == value
