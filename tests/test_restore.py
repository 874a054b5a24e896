"""A dialogue restored from its entries goes on as the one that was never broken off."""

from __future__ import annotations

from dataclasses import replace

import pytest
from dialogue_talk import START, Talk
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicelog.casefile.canonical import canonical_json, parse_canonical
from voicelog.casefile.chain import Entry
from voicelog.dialogue.restore import restore
from voicelog.dialogue.state import DialogueState

EPI = "epinephrine zero point three milligrams intramuscular left thigh"
TEXTS = (
    EPI,
    "confirm",
    "confirmed",
    "confirm epinephrine",
    "naloxone two milligrams intranasal",
    "heart rate one thirty two",
    "blood pressure ninety two over fifty",
    "blood pressure one eighteen over seventy six heart rate ninety",
    "correction heart rate ninety eight",
    "correction",
    "correction zero point five milligrams",
    "one hundred and five",
    "take back the last entry",
    "scratch that",
    "say again",
    "what is due",
    "end of case",
    "twenty",
    "tell the driver to hurry",
    "midazolam",
    "two milligrams intramuscular",
    "patient contact",
)


def stored(talk: Talk) -> list[Entry]:
    """The entries as they come out of a file, with the utterances that the talk leaves out."""
    names = [f"U{number}" for number in range(1, len(talk.steps) + 1)]
    told = [
        Entry(0, entry.at, entry.type, parse_canonical(canonical_json(entry.body)), "", "") for entry in talk.entries
    ]
    return [*(Entry(0, START, "utterance", {"id": name}, "", "") for name in names), *told]


def gone_on(state: DialogueState) -> DialogueState:
    """The state with nothing offered and nothing open, as it is after a break."""
    return replace(state, offered=(), question=None, unfinished=(), correcting=False)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(TEXTS), max_size=12))
def test_what_is_restored_is_what_went_on(texts: list[str]) -> None:
    talk = Talk(*texts)
    assert restore(stored(talk)) == replace(gone_on(talk.state), ended=False)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(TEXTS), max_size=8), st.lists(st.sampled_from(TEXTS), min_size=1, max_size=4))
def test_the_dialogue_goes_on_from_it(before: list[str], after: list[str]) -> None:
    whole = Talk(*before)
    resumed = Talk(*before)
    whole.state = replace(gone_on(whole.state), ended=False)
    resumed.state = restore(stored(resumed))
    assert [whole.say(text) for text in after] == [resumed.say(text) for text in after]
    assert whole.record == resumed.record


def test_nothing_is_confirmed_by_a_confirm_right_after_the_break() -> None:
    talk = Talk(EPI)
    talk.state = restore(stored(talk))
    assert talk.say("confirm").endswith("Confirm?")
    assert talk.event("E1").status == "unconfirmed"
    assert talk.say("confirm").startswith("Confirmed: epinephrine")


def test_an_empty_case_restores_to_the_beginning() -> None:
    assert restore([]) == DialogueState()


@pytest.mark.parametrize("after", ["take back the last entry", "take back that"])
def test_a_correction_can_be_taken_back_after_the_break(after: str) -> None:
    talk = Talk("heart rate one thirty two", "correction heart rate ninety eight")
    talk.state = restore(stored(talk))
    assert talk.say(after).endswith("It stands as heart rate one three two.")
