"""The grammar as JSGF text. Format: JSpeech Grammar Format, W3C Note 5 June 2000, from memory."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from voicelog.grammar.jsgf import emit_jsgf, pruned
from voicelog.grammar.loader import load_grammar, read_grammar
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import PARTS
from voicelog.grammar.template import parse_template
from voicelog.grammar.tree import Alternatives, Literal, Node, Sequence

SMALL = """
[list.level]
field = "level"
items = {high = ["high", "(very | so) high"], low = ["low"], up = ["hi"]}
[rule.only_typed]
say = ["hi"]
[phrase.mood]
say = ["[the] mood [is] <level> {level}", "mood <count>", "mood at <only_typed>"]
event = {kind = "remark"}
"""
RULE = re.compile(r"(public )?<([^<>\s]+)> = (.+);")


@pytest.fixture
def small(tmp_path: Path) -> Grammar:
    (tmp_path / "small.toml").write_text(SMALL)
    return read_grammar([tmp_path])


def rules(text: str) -> dict[str, str]:
    found = [RULE.fullmatch(line) for line in text.splitlines()[3:]]
    return {rule.group(2): rule.group(3) for rule in found if rule}


def test_it_opens_with_the_header_and_a_name() -> None:
    assert emit_jsgf(load_grammar()).startswith("#JSGF V1.0 UTF-8 en;\ngrammar voicelog;\n")


def test_every_line_after_that_is_one_rule() -> None:
    lines = emit_jsgf(load_grammar()).splitlines()[3:]
    assert [line for line in lines if not RULE.fullmatch(line)] == []
    assert len(rules(emit_jsgf(load_grammar()))) == len(lines)


def test_one_rule_is_public() -> None:
    assert re.findall(r"public <(\S+)>", emit_jsgf(load_grammar())) == ["utterance"]


def test_every_name_used_has_a_rule() -> None:
    made = rules(emit_jsgf(load_grammar()))
    used = {name for text in made.values() for name in re.findall(r"<([^<>]+)>", text)} - {"NULL"}
    assert used - made.keys() == set()
    assert made.keys() - used == set()


def test_right_hand_sides_read_as_templates() -> None:
    for text in rules(emit_jsgf(load_grammar())).values():
        parse_template(text.replace("-", "_"))


def test_no_name_of_a_number_part_can_meet_one_of_a_grammar_file() -> None:
    made = rules(emit_jsgf(load_grammar()))
    assert not made.keys() & PARTS.keys()


def test_a_small_grammar_in_full(small: Grammar) -> None:
    made = rules(emit_jsgf(small))
    assert made["event-mood"] == "[the] mood [is] <level> | mood <count> | mood at <only_typed>"
    assert made["level"] == "high | (very | so) high | low | hi"
    assert made["count"] == "<number-to_nine_ninety_nine>"


def test_words_left_out_take_their_alternatives_and_rules_with_them(small: Grammar) -> None:
    made = rules(emit_jsgf(small, without={"hi"}))
    assert made["event-mood"] == "[the] mood [is] <level> | mood <count>"
    assert made["level"] == "high | (very | so) high | low"
    assert "only_typed" not in made


@pytest.mark.parametrize(
    ("text", "kept"),
    [("iv", None), ("iv push", None), ("(iv) {x}", None), ("i v | iv", "i v"), ("(i | iv) {x}", "i"), ("<iv>", "<iv>")],
)
def test_pruning(text: str, kept: str | None) -> None:
    found = pruned(parse_template(text), {"iv"})
    assert found == (None if kept is None else _single(parse_template(kept), text))


def _single(node: Node, text: str) -> Node:
    """What is left of alternatives stays one, if of a single choice."""
    return Alternatives((node,)) if "|" in text else node


def test_an_optional_word_left_out_leaves_the_rest() -> None:
    assert pruned(parse_template("start [iv] line"), {"iv"}) == Sequence(
        (Literal("start"), Sequence(()), Literal("line"))
    )
