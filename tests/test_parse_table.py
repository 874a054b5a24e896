"""What crews say, in tables, and the one meaning each row has: exact fields, flags and questions, nothing besides.

The expected fields were written from what the words mean. Pound to kilogram: NIST SP 811 appendix B, from memory.
"""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import Any, get_args

import pytest
from callout_rows import Row, callout_rows

from voicelog.events import Event, Finding, MilestoneName, ProcedureName, Sign, event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of

ROWS = callout_rows()


def said(event: Event) -> dict[str, Any]:
    """An event's fields with every number as Decimal, as the tables have them."""
    fields = event_fields(event)
    return {k: Decimal(v) if isinstance(v, int) and not isinstance(v, bool) else v for k, v in fields.items()}


def expected(row: Row) -> list[dict[str, Any]]:
    """The row's events with every number as Decimal."""
    return [
        {k: Decimal(v) if isinstance(v, int) and not isinstance(v, bool) else v for k, v in event.items()}
        for event in row.events
    ]


def heard(row: Row) -> ParseResult:
    return parse(words_of(row.spoken), load_grammar())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.where)
def test_a_callout_means_what_its_row_says(row: Row) -> None:
    result = heard(row)
    assert [said(draft.event) for draft in result.drafts] == expected(row)
    assert result.outcome == row.outcome
    assert set(result.flags) == row.flags


@pytest.mark.parametrize("row", [row for row in ROWS if row.asks], ids=lambda row: row.where)
def test_a_question_keeps_what_was_understood(row: Row) -> None:
    result = heard(row)
    question = next(question for question in result.questions if question.about == row.asks)
    assert {name: question.understood.get(name) for name in row.understood} == row.understood


@pytest.mark.parametrize("row", [row for row in ROWS if row.command], ids=lambda row: row.where)
def test_a_spoken_command_is_one_command(row: Row) -> None:
    result = heard(row)
    assert (result.commands, result.named_drug) == ((row.command,), row.named_drug)


def test_the_tables_cover_every_kind_of_event() -> None:
    events = [event for row in ROWS for event in row.events]
    covered = {event.get(name) for event in events for name in ("sign", "finding", "procedure", "milestone")}
    wanted = {*get_args(Sign), *get_args(Finding), *get_args(ProcedureName), *get_args(MilestoneName)}
    assert wanted <= covered
    assert {event["kind"] for event in events} == {
        "vital_sign", "medication", "assessment", "procedure", "patient", "milestone", "remark",
    }  # fmt: skip


def test_no_callout_stands_in_the_tables_twice() -> None:
    assert [spoken for spoken, times in Counter(row.spoken for row in ROWS).items() if times > 1] == []


def test_two_readings_with_different_values_are_both_in_the_question() -> None:
    text = "epinephrine one milligram i o at ten forty five shock at two hundred joules"
    result = parse(words_of(text), load_grammar())
    which = result.questions[0]
    assert (result.outcome, which.about) == ("ambiguous", "which_reading")
    times = {tuple(draft.event.stated_time for draft in reading) for reading in which.readings}
    assert times == {("10:45", None), (None, "10:45")}
