"""Which vital signs are asked about as implausible; the bounds are common practice, no source."""

from __future__ import annotations

import pytest

from voicelog.checks.ranges import implausible
from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word


@pytest.mark.parametrize(
    ("sign", "unit", "value", "expected"),
    [
        ("heart_rate", "/min", 10, False),
        ("heart_rate", "/min", 9, True),
        ("heart_rate", "/min", 251, True),
        ("temperature", "Cel", 37, False),
        ("temperature", "[degF]", 37, True),
        ("heart_rate", None, 9, True),
        ("end_tidal_co2", "kPa", 5, False),
    ],
)
def test_the_bounds(sign: str, unit: str | None, value: int, expected: bool) -> None:
    assert implausible(sign, unit, value) is expected


@pytest.mark.parametrize("text", ["heart rate eight", "temperature nineteen point six fahrenheit"])
def test_an_implausible_value_waits_for_a_confirm(text: str) -> None:
    assert parse(words_of(text), load_grammar()).flags == ("implausible",)


def test_filler_heard_right_after_a_number_waits_for_a_confirm() -> None:
    """Found on a synthetic voice: "forty five" was heard as "forty alright"."""
    said = ("heart", "rate", "one", "forty", "alright")
    heard = [Word(word, float(number), number + 1.0) for number, word in enumerate(said)]
    assert parse(heard, load_grammar()).flags == ("words_left_over",)
    assert parse(words_of(" ".join(said)), load_grammar()).flags == ()
