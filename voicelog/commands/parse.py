"""``voicelog parse``: typed words through grammar, parser and checks."""

from __future__ import annotations

import argparse
import sys
from typing import TextIO

from voicelog.dialogue.wording import question_text, read_back
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of
from voicelog.views.plain import json_line, plain_parse

MAX_CHARACTERS = 20_000
"""Longest text taken as one callout."""


def run(arguments: argparse.Namespace) -> int:
    """Print the meaning of a callout, or of each line of standard input; exit code 1 when one is not understood."""
    grammar = load_grammar(*arguments.grammars)
    if arguments.text != "-":
        return _answer(arguments.text, grammar, arguments.json)
    code = 0
    for line in _lines(sys.stdin):
        code |= _answer(line, grammar, arguments.json)
        sys.stdout.flush()
    return code


def _lines(stream: TextIO) -> list[str] | TextIO:
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure:
        # Bytes that are no text must not end the session; they match no word and are answered as not understood.
        reconfigure(errors="replace")
    return stream


def _answer(text: str, grammar: Grammar, as_json: bool) -> int:
    if len(text) > MAX_CHARACTERS:
        raise UsageError(
            f"the text has {len(text)} characters; a callout has at most {MAX_CHARACTERS}",
            "give one callout, or a callout a line with: voicelog parse -",
        )
    result = parse(words_of(text), grammar)
    said = read_back(result.drafts) if result.drafts else ""
    if as_json:
        sys.stdout.write(json_line(plain_parse(result, said)) + "\n")
    else:
        _print(result, said)
    return 1 if result.outcome == "not_understood" else 0


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
