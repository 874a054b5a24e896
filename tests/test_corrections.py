"""Corrections: what they replace, what they keep, what they must ask, and that a corrected drug waits again."""

from __future__ import annotations

import pytest
from dialogue_talk import GAP, START, Talk

FENTANYL = "fentanyl fifty micrograms i v"
LORAZEPAM = "lorazepam two milligrams i v"
DOES_NOT_FIT = "That does not fit the last entry. Say the whole callout after correction."


@pytest.mark.parametrize(
    ("said", "record", "answer"),
    [
        (
            "pulse ninety; correction one hundred and five",
            ["E1 heart rate 90/min: amended", "E2 heart rate 105/min: proposed"],
            "Corrected: heart rate one zero five.",
        ),
        (
            "blood pressure one twenty over eighty; correction one ten over seventy",
            ["E1 blood pressure 120/80 mmHg: amended", "E2 blood pressure 110/70 mmHg: proposed"],
            "Corrected: pressure one one zero over seven zero.",
        ),
        (
            "b p ninety by palp; correction one ten over seventy",
            ["E1 blood pressure 90 mmHg by palpation: amended", "E2 blood pressure 110/70 mmHg: proposed"],
            "Corrected: pressure one one zero over seven zero.",
        ),
        (
            "pulse sixty four strong and regular; correction seventy four",
            ["E1 heart rate 64/min strong regular: amended", "E2 heart rate 74/min strong regular: proposed"],
            "Corrected: heart rate seven four strong regular.",
        ),
        (
            "midazolam five milligrams i m; correction two milligrams",
            ["E1 midazolam 5 mg intramuscular: amended", "E2 midazolam 2 mg intramuscular: unconfirmed"],
            "Corrected: midazolam, mike, two milligrams intramuscular. Confirm?",
        ),
        (
            "midazolam five milligrams i m; correction intravenous",
            ["E1 midazolam 5 mg intramuscular: amended", "E2 midazolam 5 mg intravenous: unconfirmed"],
            "Corrected: midazolam, mike, five milligrams intravenous. Confirm?",
        ),
        (
            "midazolam five milligrams i m; correction two milligrams i v",
            ["E1 midazolam 5 mg intramuscular: amended", "E2 midazolam 2 mg intravenous: unconfirmed"],
            "Corrected: midazolam, mike, two milligrams intravenous. Confirm?",
        ),
        (
            f"{LORAZEPAM}; correction midazolam",
            ["E1 lorazepam 2 mg intravenous: amended", "E2 midazolam 2 mg intravenous: unconfirmed"],
            "Corrected: midazolam, mike, two milligrams intravenous, in place of lorazepam two milligrams intravenous. "
            "Confirm?",
        ),
        (
            f"{FENTANYL}; correction one hundred",
            ["E1 fentanyl 50 mcg intravenous: amended", "E2 fentanyl 100 mcg intravenous: unconfirmed"],
            "Corrected: fentanyl, foxtrot, one zero zero micrograms intravenous. Confirm?",
        ),
        (
            "dextrose ten percent two hundred and fifty milliliters i v; correction two hundred milliliters",
            ["E1 dextrose 10 % 250 mL intravenous: amended", "E2 dextrose 10 % 200 mL intravenous: unconfirmed"],
            "Corrected: dextrose, delta, one zero percent two zero zero milliliters intravenous. Confirm?",
        ),
        (
            "pulse eighty; resps twenty; correction pulse ninety resps fourteen",
            [
                "E1 heart rate 80/min: amended",
                "E2 respiratory rate 20/min: amended",
                "E3 heart rate 90/min: proposed",
                "E4 respiratory rate 14/min: proposed",
            ],
            "Corrected: heart rate nine zero. Corrected: respiratory rate one four.",
        ),
        (
            "patient is a twelve year old male; allergic to penicillin; correction patient is a thirteen year old",
            [
                "E1 patient 12 years male: amended",
                "E2 patient allergy: penicillin: proposed",
                "E3 patient 13 years male: proposed",
            ],
            "Corrected: patient one three years male, in place of patient one two years male.",
        ),
        (
            "seizing; correction seizure stopped",
            ["E1 seizure ongoing: amended", "E2 seizure stopped: proposed"],
            "Corrected: seizure stopped, in place of seizure ongoing.",
        ),
    ],
)
def test_a_correction_replaces_and_both_stay_in_the_file(said: str, record: list[str], answer: str) -> None:
    talk = Talk()
    answers = [talk.say(text) for text in said.split("; ")]
    assert (talk.record, answers[-1]) == (record, answer)


@pytest.mark.parametrize(
    ("said", "question"),
    [
        ("correction two milligrams", "There is nothing to correct."),
        ("pulse ninety; correction five hundred", DOES_NOT_FIT),
        ("pulse ninety; correction ninety point five", DOES_NOT_FIT),
        ("pulse ninety; correction two milligrams", DOES_NOT_FIT),
        ("sats ninety four; correction one hundred and four", DOES_NOT_FIT),
        ("pulse ninety; correction one ten over seventy", DOES_NOT_FIT),
        ("blood pressure one twenty over eighty; correction ninety", DOES_NOT_FIT),
        ("blood pressure one twenty over eighty; correction one ten over four hundred", DOES_NOT_FIT),
        ("blood pressure one twenty over eighty; correction four hundred over seventy", DOES_NOT_FIT),
        (
            "blood pressure one twenty over eighty; correction seventy over one ten",
            "Pressure seven zero over one one zero: the lower is not below. Say again.",
        ),
        ("sugar five point six millimoles; correction ninety", DOES_NOT_FIT),
        ("temperature thirty seven point four; correction one oh one point four", DOES_NOT_FIT),
        ("end tidal five point two kilopascals; correction thirty eight", DOES_NOT_FIT),
        (f"{FENTANYL}; correction twenty thousand milligrams", DOES_NOT_FIT),
        ("dextrose ten percent two hundred and fifty milliliters i v; correction glucagon", DOES_NOT_FIT),
        ("midazolam two milligrams in two milliliters i v; correction ten", DOES_NOT_FIT),
        ("on scene; correction ninety", DOES_NOT_FIT),
        (
            "pulse ninety; correction pulse four hundred",
            "Pulse four hundred: four zero zero is out of range for heart rate. Say again.",
        ),
    ],
)  # fmt: skip
def test_a_correction_that_fits_nothing_is_asked_about_and_changes_nothing(said: str, question: str) -> None:
    *before, correction = said.split("; ")
    talk = Talk(*before)
    record = talk.record
    assert talk.say(correction) == question
    assert talk.record == record


def test_a_correction_behind_its_callout_is_asked_about_and_changes_nothing() -> None:
    talk = Talk("pulse ninety")
    assert talk.say("pulse eighty correction one hundred").startswith(("Not clear", "Say"))
    assert [recorded.id for recorded in talk.case.events if recorded.status in {"proposed", "confirmed"}] == ["E1"]


def test_a_bare_correction_takes_its_value_from_the_next_utterance() -> None:
    talk = Talk("pulse ninety")
    assert talk.say("correction") == "Correct it to what?"
    assert talk.say("one hundred and five") == "Corrected: heart rate one zero five."
    assert talk.record == ["E1 heart rate 90/min: amended", "E2 heart rate 105/min: proposed"]


def test_talk_after_a_bare_correction_is_asked_again_and_the_correction_still_waits() -> None:
    talk = Talk("pulse ninety", "correction")
    assert talk.say("should we give epinephrine") == "Say again."
    assert talk.say("one hundred") == "Corrected: heart rate one zero zero."


def test_a_correction_waits_for_one_callout_only() -> None:
    talk = Talk("pulse ninety", "correction", "one hundred", "pulse one ten")
    assert talk.record[-1] == "E3 heart rate 110/min: proposed"
    assert talk.event("E2").status == "confirmed"


@pytest.mark.parametrize("confirmed_before", [False, True])
def test_a_corrected_drug_needs_a_confirm_of_its_own(confirmed_before: bool) -> None:
    talk = Talk(FENTANYL, *["confirm"] * confirmed_before, "correction one hundred micrograms", "pulse ninety")
    talk.close()
    assert [talk.event(name).status for name in ("E1", "E2")] == ["amended", "unconfirmed"]


def test_a_corrected_drug_is_confirmed_after_its_read_back() -> None:
    talk = Talk(FENTANYL, "correction one hundred micrograms", "confirm")
    assert [talk.event(name).status for name in ("E1", "E2")] == ["amended", "confirmed"]


def test_correcting_one_drug_of_a_breath_leaves_the_other_waiting() -> None:
    talk = Talk(
        "epi one milligram i v and fentanyl fifty micrograms i v", "correction one hundred micrograms", "confirm"
    )
    assert talk.record == [
        "E1 epinephrine 1 mg intravenous: unconfirmed",
        "E2 fentanyl 50 mcg intravenous: amended",
        "E3 fentanyl 100 mcg intravenous: confirmed",
    ]


def test_a_whole_callout_corrects_the_entry_of_the_same_drug_not_the_newest_drug() -> None:
    talk = Talk(FENTANYL, "confirm", LORAZEPAM, "correction one hundred micrograms of fentanyl i v")
    assert talk.record == [
        "E1 fentanyl 50 mcg intravenous: amended",
        "E2 lorazepam 2 mg intravenous: unconfirmed",
        "E3 fentanyl 100 mcg intravenous: unconfirmed",
    ]


@pytest.mark.parametrize(
    "whole", ["correction midazolam two milligrams i v", "correction two milligrams of midazolam i v"]
)
def test_a_whole_callout_of_another_drug_says_what_it_replaces(whole: str) -> None:
    talk = Talk(LORAZEPAM)
    assert talk.say(whole) == (
        "Corrected: midazolam, mike, two milligrams intravenous, in place of lorazepam two milligrams intravenous. "
        "Confirm?"
    )


def test_a_correction_of_something_not_there_is_entered_as_new_and_flagged() -> None:
    talk = Talk(FENTANYL)
    assert talk.say("correction pulse ninety") == (
        "Heart rate nine zero, nothing to correct was found, entered as new. Confirm?"
    )
    recorded = talk.event("E2")
    assert (recorded.status, recorded.flags, recorded.amends) == ("unconfirmed", ("no_target",), None)


@pytest.mark.parametrize(
    ("said", "correction", "flags"),
    [
        (FENTANYL, "correction five milligrams", ("unit_unusual", "dose_above_limit")),
        (FENTANYL, "correction rectal", ("route_unusual",)),
        (FENTANYL, "correction ketamine", ("unit_unusual",)),
        ("epi one i m", "correction two", ("unit_assumed", "dose_above_limit")),
        ("hart rate ninety", "correction one hundred", ("label_repaired",)),
    ],
)
def test_a_corrected_entry_is_checked_again_and_keeps_its_doubts(
    said: str, correction: str, flags: tuple[str, ...]
) -> None:
    recorded = Talk(said, correction).event("E2")
    assert (recorded.flags, recorded.status) == (flags, "unconfirmed")


def test_taking_back_a_correction_restores_the_old_entry_as_it_stood() -> None:
    talk = Talk("pulse ninety", "correction one hundred")
    assert talk.say("scratch that") == "Taken back: heart rate one zero zero. It stands as heart rate nine zero."
    assert talk.record == ["E1 heart rate 90/min: confirmed", "E2 heart rate 100/min: rejected"]


def test_a_restored_drug_that_was_confirmed_is_confirmed() -> None:
    talk = Talk(FENTANYL, "confirm", "correction one hundred micrograms", "scratch that")
    assert talk.event("E1").status == "confirmed"


def test_a_restored_drug_that_waited_waits_still() -> None:
    talk = Talk(FENTANYL, "correction one hundred micrograms")
    assert talk.say("scratch that") == (
        "Taken back: fentanyl one zero zero micrograms intravenous. "
        "It stands as fentanyl five zero micrograms intravenous. Confirm?"
    )
    assert talk.event("E1").status == "unconfirmed"
    assert talk.say("confirm") == "Confirmed: fentanyl five zero micrograms intravenous."


def test_a_restored_drug_does_not_bring_its_breath_into_the_confirm() -> None:
    talk = Talk("epi one milligram i v and fentanyl fifty micrograms i v", "correction one hundred micrograms")
    talk.say("scratch that")
    talk.say("confirm")
    assert [talk.event(name).status for name in ("E1", "E2")] == ["unconfirmed", "confirmed"]


def test_a_correction_happened_when_the_corrected_entry_happened() -> None:
    event = Talk("pulse ninety", "sats ninety four", "correction pulse one hundred").event("E3").event
    assert (event.occurred_at, event.heard_at) == (START + GAP, START + 3 * GAP)


def test_a_corrected_value_is_traced_to_the_words_of_the_correction() -> None:
    evidence = Talk("pulse ninety", "correction one hundred and five").event("E2").event.evidence
    assert evidence["value"].words == "correction one hundred and five"


def test_a_kept_field_is_traced_to_the_words_of_the_first_callout() -> None:
    evidence = Talk(FENTANYL, "correction one hundred micrograms").event("E2").event.evidence
    assert (evidence["drug"].words, evidence["route"].words) == ("fentanyl", "i v")
