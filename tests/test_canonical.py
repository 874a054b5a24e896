"""Canonical JSON: one text for one value, no floats, nothing that acts on a terminal."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.casefile.canonical import canonical_json, parse_canonical

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
DECIMALS = st.decimals(allow_nan=False, allow_infinity=False)
TIMES = st.datetimes(timezones=st.timezones())
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | TEXTS | DECIMALS | TIMES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)


def test_keys_are_sorted_and_there_are_no_blanks() -> None:
    assert canonical_json({"b": [1, 2], "a": {"d": None, "c": True}}) == '{"a":{"c":true,"d":null},"b":[1,2]}'


def test_a_decimal_is_a_string_that_keeps_its_digits() -> None:
    assert canonical_json([Decimal("0.30"), Decimal("98.6")]) == '["0.30","98.6"]'


def test_a_time_is_written_with_its_offset() -> None:
    moment = datetime(2026, 11, 25, 8, 5, 1, 250000, tzinfo=timezone(timedelta(hours=-5)))
    assert canonical_json(moment) == '"2026-11-25T08:05:01.250000-05:00"'


def test_letters_beyond_ascii_stay_themselves() -> None:
    assert canonical_json("é 中 😀") == '"é 中 😀"'


@pytest.mark.parametrize(
    ("character", "escaped"),
    [
        ("\0", "\\u0000"),
        ("\x1b", "\\u001b"),
        ("\n", "\\n"),
        ("\x7f", "\\u007f"),
        ("\x9b", "\\u009b"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ],
)
def test_control_characters_are_escaped(character: str, escaped: str) -> None:
    assert canonical_json(f"a{character}b") == f'"a{escaped}b"'


@pytest.mark.parametrize("value", [1.0, [0.5], {"dose": 0.3}, float("nan")])
def test_floats_are_refused(value: Any) -> None:
    with pytest.raises(TypeError, match="float"):
        canonical_json(value)


@pytest.mark.parametrize("value", [{1: "a"}, {None: 1}, {"a": {("b",): 1}}])
def test_keys_that_are_not_strings_are_refused(value: Any) -> None:
    with pytest.raises(TypeError, match="not a string"):
        canonical_json(value)


@pytest.mark.parametrize("value", [b"bytes", {1, 2}, object()])
def test_other_types_are_refused(value: Any) -> None:
    with pytest.raises(TypeError, match="no canonical form"):
        canonical_json(value)


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (Decimal("NaN"), "finite"),
        (Decimal("-Infinity"), "finite"),
        (datetime(2026, 1, 1), "no offset"),
        ("\ud800", "surrogates"),
    ],
)
def test_values_that_mean_nothing_elsewhere_are_refused(value: Any, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        canonical_json(value)


def test_a_value_that_holds_itself_is_refused() -> None:
    loop: list[Any] = []
    loop.append(loop)
    with pytest.raises(ValueError, match="nested too deeply"):
        canonical_json(loop)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "{'a':1}",
        '{"a": 1}',
        '{"b":1,"a":2}',
        '{"a":1,"a":1}',
        "1.5",
        "NaN",
        '"\\u0041"',
        '"\\ud800"',
        "01",
        "[" * 100_000,
        "9" * 10_000,
    ],
)
def test_what_is_not_canonical_is_not_parsed(text: str) -> None:
    with pytest.raises(ValueError, match="canonical"):
        parse_canonical(text)


@given(VALUES)
def test_the_text_parses_back_to_the_same_text(value: Any) -> None:
    text = canonical_json(value)
    assert canonical_json(parse_canonical(text)) == text


@given(VALUES)
def test_the_text_is_one_printable_line_of_json(value: Any) -> None:
    text = canonical_json(value)
    assert len(text.splitlines()) == 1
    assert not any(ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0 for c in text)
    json.loads(text)


@given(st.dictionaries(TEXTS, VALUES, min_size=2, max_size=5))
def test_the_order_of_keys_does_not_matter(value: dict[str, Any]) -> None:
    assert canonical_json(dict(reversed(value.items()))) == canonical_json(value)


@given(st.lists(VALUES, max_size=4))
def test_a_tuple_reads_as_a_list(value: list[Any]) -> None:
    assert canonical_json(tuple(value)) == canonical_json(value)


@given(DECIMALS)
def test_a_decimal_comes_back_digit_for_digit(value: Decimal) -> None:
    assert Decimal(parse_canonical(canonical_json(value))).as_tuple() == value.as_tuple()


@given(st.datetimes(timezones=st.just(UTC)))
def test_a_time_comes_back_as_the_same_instant(value: datetime) -> None:
    assert datetime.fromisoformat(parse_canonical(canonical_json(value))) == value


@given(st.text(st.characters(exclude_categories=["Cs"])), st.text(st.characters(exclude_categories=["Cs"])))
def test_different_texts_have_different_forms(one: str, other: str) -> None:
    assert (canonical_json(one) == canonical_json(other)) == (one == other)
