"""Reminders against a simulated clock: soon, then less often, for as long as a drug waits, and for nothing else."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from dialogue_talk import START, Talk

from voicelog.dialogue.machine import remind
from voicelog.dialogue.reminders import Plan, next_reminder, planned
from voicelog.dialogue.state import Standing

EPI = "epinephrine zero point three milligrams intramuscular left thigh"
NALOXONE = "naloxone two milligrams intranasal"

Waiting = Callable[[datetime], tuple[Standing, ...]]


def reminded(waiting: Waiting, minutes: float) -> list[tuple[float, list[str]]]:
    """Seconds after the start of each reminder and the entries it names, the clock moved second by second."""
    plan = Plan()
    told: list[tuple[float, list[str]]] = []
    for second in range(int(minutes * 60) + 1):
        now = START + timedelta(seconds=second)
        plan, due = next_reminder(planned(plan, waiting(now), now), waiting(now), now)
        if due:
            told.append((second, [entry.id for entry in due]))
    return told


def waiting(*texts: str) -> tuple[Standing, ...]:
    return Talk(*texts).state.waiting


def test_the_pauses_grow_and_then_stay() -> None:
    epi = waiting(EPI)
    seconds = [second for second, _ in reminded(lambda now: epi, 32)]
    assert [second / 60 for second in seconds] == [1, 3, 7, 15, 23, 31]


def test_nothing_is_said_of_what_was_confirmed() -> None:
    epi = waiting(EPI)
    assert reminded(lambda now: epi if now < START + timedelta(seconds=59) else (), 10) == []


def test_a_flagged_vital_sign_is_not_spoken_of_again() -> None:
    assert reminded(lambda now: waiting("correction heart rate ninety"), 0.02) == []
    vital = waiting("correction heart rate ninety")
    assert [entry.event.kind for entry in vital] == ["vital_sign"]
    assert reminded(lambda now: vital, 10) == []


def test_each_utterance_is_spoken_of_by_itself() -> None:
    both = waiting(EPI, NALOXONE)
    assert reminded(lambda now: both, 1.1) == [(60, ["E1"]), (61, ["E2"])]


def test_drugs_of_one_utterance_are_spoken_of_together() -> None:
    both = waiting(f"{EPI} {NALOXONE}")
    assert [names for _, names in reminded(lambda now: both, 1.1)] == [["E1", "E2"]]


def test_a_drug_that_waits_again_starts_anew() -> None:
    epi = waiting(EPI)

    def some(now: datetime) -> tuple[Standing, ...]:
        return () if START + timedelta(minutes=5) <= now < START + timedelta(minutes=6) else epi

    assert [second / 60 for second, _ in reminded(some, 8)] == [1, 3, 7]


def test_a_confirm_right_after_a_reminder_binds_to_what_it_named() -> None:
    talk = Talk(EPI, NALOXONE, "confirm epinephrine", EPI)
    talk.state = remind(talk.state, [entry for entry in talk.state.waiting if entry.id == "E2"]).state
    assert talk.say("confirm").startswith("Confirmed: naloxone")
    assert talk.event("E3").status == "unconfirmed"


def test_a_reminder_is_entered_as_a_read_back() -> None:
    outcome = remind(Talk(EPI).state, waiting(EPI))
    assert [entry.type for entry in outcome.enter] == ["read_back"]
    assert outcome.say == (
        "Waiting for confirm: epinephrine zero point three milligrams intramuscular left thigh. Confirm?",
    )
