"""Runs a grammar's own examples and counterexamples, and looks for what cannot work as written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from voicelog.events import event_fields
from voicelog.grammar.model import Grammar, Phrase, Place
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of


@dataclass(frozen=True)
class Finding:
    """Something to mend in a grammar file."""

    place: Place
    message: str


def check_grammar(grammar: Grammar) -> list[Finding]:
    """Every finding, in the order of the phrases."""
    findings = []
    for phrase in grammar.phrases:
        for text, expected in phrase.examples.items():
            message = _example(phrase, parse(words_of(text), grammar), expected)
            if message:
                findings.append(Finding(phrase.place, f"example {text!r}: {message}"))
        for text in phrase.counterexamples:
            if _meant(phrase, parse(words_of(text), grammar)):
                findings.append(Finding(phrase.place, f"counterexample {text!r} is read as {phrase.name}"))
    return findings


def _meant(phrase: Phrase, result: ParseResult) -> bool:
    """Whether a result has what the phrase makes."""
    if phrase.kind == "command":
        return phrase.name in result.commands
    return any(
        all(getattr(draft.event, name, None) == value for name, value in phrase.event.items())
        for draft in result.drafts
    )


def _example(phrase: Phrase, result: ParseResult, expected: Mapping[str, Any]) -> str:
    """What is wrong with an example's result, or ''."""
    match phrase.kind:
        case "talk":
            return "" if result.outcome == "not_understood" else f"makes {result.outcome}"
        case "command":
            return "" if result.commands == (phrase.name,) else f"gives the commands {list(result.commands)}"
        case "fragment":
            return "" if result.fragment else f"gives nothing ({result.reason})"
        case _:
            pass
    if len(result.drafts) != 1:
        why = result.reason or (result.questions[0].about if result.questions else "no reason")
        return f"makes {len(result.drafts)} entries, not one ({result.outcome}: {why})"
    fields = event_fields(result.drafts[0].event)
    wanted = {**phrase.event, **expected}
    wrong = [
        f"{name} is {fields.get(name)}, not {value}"
        for name, value in wanted.items()
        if not _same(fields.get(name), value)
    ]
    return "; ".join(wrong)


def _same(found: object, wanted: object) -> bool:
    if isinstance(wanted, (int, Decimal)) and not isinstance(wanted, bool) and isinstance(found, (int, Decimal)):
        return Decimal(found) == Decimal(wanted)
    return found == wanted
