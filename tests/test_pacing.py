"""The soft pacing tone: on a simulated clock, at the protocol's rate, never over words, off unless asked for.

Rates: an adult one breath every 6 s (AHA 2020 and 2025, from memory), a child one every 2 to 3 s (merckmanuals.com).
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from checks_case import GRAMMAR, PROTOCOL, Timed, act, minute, patient, state_of
from dialogue_talk import Talk

from voicelog.checks.clocks import Pace, pacing
from voicelog.live.pacing import Pacer
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of

BAG = (0, act("bag_valve_mask_ventilation", "started"))
ADULT = Pace(Decimal(6), "a rule", "one breath every six seconds")


@pytest.mark.parametrize(
    ("said", "every", "told"),
    [
        ([BAG], 6, "one breath every six seconds, adult, age not known"),
        ([(0, patient(age=40, age_unit="year")), BAG], 6, "one breath every six seconds"),
        ([(0, patient(age=4, age_unit="year")), BAG], Decimal("2.5"), "one breath every two point five seconds"),
    ],
)
def test_the_pace_follows_the_age_and_says_when_it_is_not_known(said: list[Timed], every: object, told: str) -> None:
    pace = pacing(state_of(*said), PROTOCOL, minute(1))
    assert pace is not None
    assert (pace.every_s, pace.for_ear) == (every, told)


def test_nothing_paces_while_nobody_ventilates() -> None:
    stopped = state_of(BAG, (1, act("bag_valve_mask_ventilation", "stopped")))
    assert pacing(stopped, PROTOCOL, minute(2)) is None
    assert Pacer().step(None, 5, words=False) == ("", False)


def test_it_is_told_once_and_then_beats_in_time() -> None:
    pacer = Pacer()
    heard = [(at, pacer.step(ADULT, at, words=False)) for at in range(20)]
    assert heard[0] == (0, ("Pacing one breath every six seconds.", False))
    assert [at for at, (_, beat) in heard if beat] == [6, 12, 18]
    assert [at for at, (told, _) in heard if told] == [0]


def test_a_beat_on_words_is_left_out_and_the_next_keeps_its_time() -> None:
    pacer = Pacer()
    beats = [at for at in range(20) if pacer.step(ADULT, at, words=5 < at < 9)[1]]
    assert beats == [12, 18]


def test_nothing_is_said_over_words() -> None:
    pacer = Pacer()
    assert pacer.step(ADULT, 0, words=True) == ("", False)
    assert pacer.step(ADULT, 1, words=False)[0]


def test_it_is_off_until_somebody_asks_for_it_by_voice() -> None:
    talk = Talk()
    assert not talk.state.pacing
    talk.say("start pacing")
    assert talk.state.pacing
    talk.say("stop pacing")
    assert not talk.state.pacing


def test_a_question_about_pacing_starts_nothing() -> None:
    assert parse(words_of("should we start pacing"), GRAMMAR).commands == ()
