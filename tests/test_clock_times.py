"""Spoken clock times and what they come to on the 24-hour clock."""

from __future__ import annotations

from random import Random

import pytest
from test_numbers import accepted

from voicelog.drill.adapt import spoken_numbers as say
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.numbers import clock_of
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of


@pytest.mark.parametrize(
    ("spoken", "time"),
    [
        ("oh nine oh five", "09:05"), ("zero nine zero five", "09:05"), ("fourteen hundred", "14:00"),
        ("fourteen hundred hours", "14:00"), ("oh nine hundred", "09:00"), ("ten forty five", "10:45"),
        ("nine fifteen", "09:15"), ("nine oh five", "09:05"), ("one four two zero", "14:20"),
        ("one oh four oh", "10:40"), ("ten past nine", "09:10"), ("ten after nine", "09:10"), ("ten to nine", "08:50"),
        ("five before twelve", "11:55"), ("quarter past eleven", "11:15"), ("a quarter to three", "02:45"),
        ("half past two", "02:30"), ("nine o'clock", "09:00"), ("nine o'clock p m", "21:00"), ("nine p m", "21:00"),
        ("nine thirty a m", "09:30"), ("ten past nine p m", "21:10"), ("twelve fifteen a m", "00:15"),
        ("twelve fifteen p m", "12:15"), ("ten to one", "00:50"), ("twenty three fifty nine", "23:59"),
        ("zero zero zero five", "00:05"), ("10:45", "10:45"), ("9:05", "09:05"), ("1045", "10:45"),
    ],
)  # fmt: skip
def test_a_spoken_time(spoken: str, time: str) -> None:
    assert clock_of(spoken.split()) == time


@pytest.mark.parametrize(
    "spoken",
    ["", "twenty five sixty", "ten sixty", "sixty past nine", "ten past thirteen", "24:00", "10:60", "fourteen ten p m",
     "hello", "thirteen p m"],
)  # fmt: skip
def test_no_such_time(spoken: str) -> None:
    assert clock_of(spoken.split()) is None


@pytest.mark.parametrize("hour", range(24))
def test_every_minute_of_the_day_as_it_is_said(hour: int) -> None:
    for minute in range(60):
        words = say.clock(hour, minute, Random(minute))
        assert (clock_of(words), accepted("clock", words)) == (f"{hour:02}:{minute:02}", True), words


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("pulse eighty eight at ten forty five", "10:45"), ("at ten past nine pulse eighty eight", "09:10"),
        ("pulse 88 at 9:05 pm", "21:05"), ("pulse 88 at 9 pm", "21:00"), ("pulse 88 at 12:05 a.m.", "00:05"),
        ("pulse eighty eight time fourteen hundred", "14:00"), ("pulse 88 at 1045 hours", "10:45"),
    ],
)  # fmt: skip
def test_a_callout_with_its_time(text: str, time: str) -> None:
    result = parse(words_of(text), load_grammar())
    assert [draft.event.stated_time for draft in result.drafts] == [time]


@pytest.mark.parametrize("text", ["pulse eighty eight at ten", "pulse 88 at 25:10", "pulse 88 at 10"])
def test_a_time_that_is_none_is_refused(text: str) -> None:
    assert parse(words_of(text), load_grammar()).drafts == ()
