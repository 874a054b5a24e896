"""Talk that is not for the log - questions, orders, plans, limits, history, other people, the road - makes no entry."""

from __future__ import annotations

import pytest
from callout_rows import talk_lines

from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of

TALK = talk_lines()


@pytest.mark.parametrize("text", TALK)
def test_talk_makes_no_entry_command_or_question(text: str) -> None:
    result = parse(words_of(text), load_grammar())
    assert (result.outcome, result.drafts, result.commands, result.questions) == ("not_understood", (), (), ())


@pytest.mark.parametrize("text", TALK[::5])
def test_what_is_not_understood_says_why(text: str) -> None:
    assert parse(words_of(text), load_grammar()).reason


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("what was the pressure", "a question or a request"),
        ("no epinephrine given", "a negation or a word taken back"),
        ("hand me the naloxone two milligrams", "an order, a request or its acknowledgement, not something done"),
        ("target saturation ninety four percent", "a limit or a target, not a measurement"),
        ("my heart rate is ninety", "about or by someone else"),
    ],
)
def test_the_reason_names_the_rule(text: str, reason: str) -> None:
    assert parse(words_of(text), load_grammar()).reason == reason
