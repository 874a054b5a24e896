"""``voicelog parse``: typed words through grammar, parser and checks; the lines of standard input are one course."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TextIO
from unicodedata import category

from voicelog.commands.rules import told_protocol
from voicelog.dialogue.typed import TypedCourse
from voicelog.dialogue.wording import question_text
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.parse.result import ParseResult
from voicelog.views.plain import json_line, plain_parse

MAX_CHARACTERS = 20_000
"""Longest text taken as one callout."""
_NO_TEXT = frozenset({"Cc", "Cs", "Cn", "Co"})
"""Unicode categories that no callout holds: control characters, stray surrogates, what is not assigned."""


def run(arguments: argparse.Namespace) -> int:
    """Print the meaning of a callout, or of each line of standard input.

    Raises:
        UsageError: for text that is no callout at all; a line of standard input is answered all the same, as not
            understood, and the lines after it too.
    """
    course = TypedCourse(load_grammar(*arguments.grammars), told_protocol(arguments.grammars))
    if arguments.text != "-":
        if not arguments.text.strip():
            raise UsageError("there is no text", 'give a callout, such as: voicelog parse "pulse ninety"')
        refusal = _refusal(arguments.text)
        if refusal:
            raise refusal
        _answer(*course.answer(arguments.text, datetime.now(UTC)), arguments.json)
        return 0
    first = None
    for number, line in enumerate(_lines(sys.stdin), start=1):
        refusal = _refusal(line.rstrip("\r\n"))
        if refusal:
            first = first or UsageError(f"line {number}: {refusal.message}", refusal.hint)
        if refusal:
            _answer(ParseResult("not_understood", reason=refusal.message), "", (), arguments.json)
        else:
            _answer(*course.answer(line, datetime.now(UTC)), arguments.json)
        sys.stdout.flush()
    if first:
        raise first
    return 0


def _lines(stream: TextIO) -> TextIO:
    # Bytes that are no text must not end the session.
    stream.reconfigure(errors="replace")  # type: ignore[attr-defined]
    return stream


def _refusal(text: str) -> UsageError | None:
    """Why a text cannot be a callout, or None."""
    if len(text) > MAX_CHARACTERS:
        return UsageError(
            f"the text has {len(text):,} characters; a callout has at most {MAX_CHARACTERS:,}",
            "give one callout, or a callout a line with: voicelog parse -",
        )
    if any(sign != "\t" and category(sign) in _NO_TEXT for sign in text) or "\N{REPLACEMENT CHARACTER}" in text:
        return UsageError("the text holds control characters or bytes that are no text", "give plain words in UTF-8")
    return None


def _answer(result: ParseResult, said: str, flags: Sequence[str], as_json: bool) -> None:
    if as_json:
        sys.stdout.write(json_line(plain_parse(result, said, flags)) + "\n")
    else:
        _print(result, said)


def _print(result: ParseResult, said: str) -> None:
    from rich.console import Console
    from rich.text import Text

    from voicelog.views.labels import written

    console = Console(highlight=False)
    for draft in result.drafts:
        flags = f"  ({', '.join(flag.replace('_', ' ') for flag in draft.flags)})" if draft.flags else ""
        console.print(Text.assemble(("event     ", "dim"), (written(draft.event), "bold"), (flags, "yellow")))
        for field, evidence in draft.event.evidence.items():
            repair = f"  [{evidence.repair}]" if evidence.repair else ""
            console.print(Text(f"            {field} <- {evidence.words!r}{repair}", style="dim"))
    for command in result.commands:
        console.print(Text.assemble(("command   ", "dim"), (command.replace("_", " "), "bold")))
    for question in result.questions:
        console.print(Text.assemble(("asks      ", "dim"), (question_text(question), "bold yellow")))
    if result.outcome == "not_understood":
        console.print(Text.assemble(("no entry  ", "dim"), (result.reason, "bold")))
    if said:
        console.print(Text.assemble(("says      ", "dim"), said))
