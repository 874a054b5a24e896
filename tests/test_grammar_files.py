"""Grammar files: the shipped ones have no findings, overlays replace by name, and faults are named with their place."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from voicelog.errors import GrammarError
from voicelog.events import event_fields
from voicelog.grammar.lint import check_grammar
from voicelog.grammar.loader import MAX_FILE_BYTES, load_grammar, read_grammar, shipped_grammars
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of

DRUG = """
[drug.{name}]
names = ["{name}"]
units = ["mg"]
routes = ["intravenous"]
source = "made up"
date = 2026-11-25
"""
PHRASE = """
[phrase.heart_rate]
say = ["ticker at <count>"]
event = {kind = "vital_sign", sign = "heart_rate", unit = "/min"}
"""


def written(folder: Path, text: str, name: str = "crew.toml") -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def with_overlay(folder: Path, text: str) -> Grammar:
    return read_grammar([shipped_grammars(), written(folder, text)])


def said(text: str, grammar: Grammar) -> list[dict[str, object]]:
    return [event_fields(draft.event) for draft in parse(words_of(text), grammar).drafts]


def fault(folder: Path, text: str) -> GrammarError:
    """What is wrong with an overlay: a faulty drug row is listed, anything else ends the reading."""
    try:
        (refused,) = with_overlay(folder, text).refused
    except GrammarError as error:
        return error
    return refused


def test_the_shipped_grammar_has_no_findings() -> None:
    assert check_grammar(load_grammar()) == []


def test_every_event_phrase_has_an_example_of_its_own_or_is_asked_about() -> None:
    without = {phrase.name for phrase in load_grammar().phrases if phrase.kind == "event" and not phrase.examples}
    # Half a pressure always ends in a question; the other side and a remark stand after or inside something else.
    assert without == {"blood_pressure_half", "breath_sounds_other_side", "remark"}


def test_every_rule_of_talk_has_a_reason_and_examples() -> None:
    assert all(phrase.reason and phrase.examples for phrase in load_grammar().phrases if phrase.kind == "talk")


def test_no_word_of_filler_can_turn_a_callout_around() -> None:
    words = " ".join(str(tree) for phrase in load_grammar().phrases if phrase.kind == "filler" for tree in phrase.say)
    turning = ("not", "no", "up to", "if", "please", "copy", "last", "was", "my", "over", "point", "half")
    assert [word for word in turning if f"word='{word}'" in words] == []


def test_a_wrong_example_is_found_with_its_phrase(tmp_path: Path) -> None:
    grammar = with_overlay(tmp_path, PHRASE + 'examples = {"ticker at eighty" = {value = 81}}\n')
    findings = [finding for finding in check_grammar(grammar) if finding.place.file.name == "crew.toml"]
    assert [finding.message for finding in findings] == ["example 'ticker at eighty': value is 80, not 81"]


def test_a_counterexample_that_is_read_is_found(tmp_path: Path) -> None:
    grammar = with_overlay(tmp_path, PHRASE + 'counterexamples = ["ticker at eighty"]\n')
    assert any("counterexample" in finding.message for finding in check_grammar(grammar))


def test_an_overlay_replaces_a_phrase(tmp_path: Path) -> None:
    grammar = with_overlay(tmp_path, PHRASE)
    assert [event["value"] for event in said("ticker at eighty", grammar)] == [Decimal(80)]
    assert said("heart rate eighty", grammar) == []
    assert said("heart rate eighty", load_grammar()) != []


def test_an_overlay_replaces_a_drug(tmp_path: Path) -> None:
    limit = DRUG.format(name="morphine").replace("units =", 'ask_above = [{dose = 2, unit = "mg"}]\nunits =')
    result = parse(words_of("morphine four milligrams i v"), with_overlay(tmp_path, limit))
    assert result.flags == ("dose_above_limit",)


def test_an_overlay_adds_a_drug(tmp_path: Path) -> None:
    grammar = with_overlay(tmp_path, DRUG.format(name="testamine"))
    assert [event["drug"] for event in said("testamine four milligrams i v", grammar)] == ["testamine"]


def test_a_grammar_and_its_overlay_have_different_digests(tmp_path: Path) -> None:
    assert with_overlay(tmp_path, PHRASE).digest != load_grammar().digest


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[phrase.x]\nsay = [", "not valid TOML"),
        ("[phrase.x]\nevent = {kind = \"remark\"}\n", "needs say"),
        ('[phrase.x]\nsay = ["a"]\n', "needs event"),
        ('[phrase.x]\nsay = ["a"]\nevnt = {}\n', "unknown key 'evnt'"),
        ('[sentence.x]\nsay = ["a"]\n', "unknown section [sentence]"),
        ('phrase = 3\n', "must hold named tables"),
        ('[list.x]\nitems = {}\n', "needs items"),
        ('[list.x]\nitems = {a = "a"}\n', "needs a list of spoken forms"),
        ('[list.x]\nitems = {a = ["<count>"]}\n', "a list holds no <names>"),
        ('[rule.count]\nsay = ["a"]\n', "is taken by a number, list or rule"),
        ('[rule.x]\nsay = ["<x>"]\n', "refers to itself"),
        ('[rule.x]\nsay = ["Upper"]\n', "unexpected character 'U'"),
        ('[rule.x]\nsay = ["(a"]\n', "is never closed"),
        ('[rule.x]\nsay = ["a )"]\n', "unexpected ')'"),
        ('[rule.x]\nsay = ["a {}"]\n', "is not a tag"),
        ('[rule.x]\nsay = ["()"]\n', "nothing stands here"),
        ('[rule.x]\nsay = [""]\n', "the template is empty"),
        ("[rule.x]\nsay = [\"" + "(" * 60 + "a" + ")" * 60 + "\"]\n", "nested too deeply"),
        (DRUG.format(name="x").replace('"mg"', '"stone"'), "unknown unit 'stone'"),
        (DRUG.format(name="x").replace("intravenous", "by air"), "unknown route 'by air'"),
        (DRUG.format(name="x").replace('source = "made up"\n', ""), "needs source"),
        (DRUG.format(name="x") + 'usual_unit = "ug"\n', "usual_unit is not one of its units"),
        (DRUG.format(name="x") + 'ask_above = [{dose = 0, unit = "mg"}]\n', "is not a limit"),
        (DRUG.format(name="x") + "colour = 1\n", "unknown key 'colour'"),
        (DRUG.format(name="x").replace('names = ["x"]', 'names = ["morphine"]'), "names both"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_its_file_and_line(tmp_path: Path, text: str, message: str) -> None:
    error = fault(tmp_path, text)
    assert message in error.message
    assert error.hint
    if "names both" not in message:
        assert error.file == tmp_path / "crew.toml"
    assert error.line >= 1


def test_a_fault_in_a_template_shows_a_caret_under_it(tmp_path: Path) -> None:
    error = fault(tmp_path, '[rule.x]\nsay = ["pulse <count"]\n')
    assert (error.line, error.column) == (2, 7)
    assert error.message.splitlines()[1:] == ["    pulse <count", "          ^"]


def test_an_unknown_name_shows_where_it_stands(tmp_path: Path) -> None:
    error = fault(tmp_path, '[rule.x]\nsay = ["pulse <cuont>"]\n')
    assert "<cuont> is not a known list, rule or number" in error.message
    assert (error.line, error.column) == (2, 15)
    assert "count" in error.hint


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "crew.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(GrammarError, match="cannot be read"):
        read_grammar([tmp_path])


def test_a_file_that_is_far_too_large_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "crew.toml").open("wb") as file:
        file.truncate(MAX_FILE_BYTES + 1)
    with pytest.raises(GrammarError, match="too large"):
        read_grammar([tmp_path])


@pytest.mark.parametrize("name", ["missing", "crew.toml"])
def test_what_is_no_directory_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "crew.toml").write_text("", encoding="utf-8")
    with pytest.raises(GrammarError, match="not a readable directory"):
        read_grammar([tmp_path / name])


def test_an_empty_directory_is_refused(tmp_path: Path) -> None:
    with pytest.raises(GrammarError, match="no grammar files"):
        read_grammar([tmp_path])
