"""Runs a grammar's own examples and counterexamples, and looks for what cannot work as written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from voicelog.events import event_fields
from voicelog.grammar.coverage import Hearing, drug_words, pronunciations, sound_findings, word_findings
from voicelog.grammar.finding import Finding
from voicelog.grammar.model import Grammar, Phrase
from voicelog.grammar.overlaps import Progress, item_findings, phrase_findings
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of


def every_finding(grammar: Grammar, heard: Sequence[Hearing], progress: Progress) -> list[Finding]:
    """All there is to mend or to know, errors first.

    Args:
        grammar: as loaded, overlays among it.
        heard: what the recognisers make of its words.
        progress: called as the work goes on.
    """
    found = [
        *check_grammar(grammar),
        *phrase_findings(grammar, progress),
        *item_findings(grammar),
        *word_findings(grammar, heard),
        *sound_findings(grammar, pronunciations(drug_words(grammar), grammar.overlays)),
    ]
    return sorted(found, key=lambda finding: finding.severity != "error")


def check_grammar(grammar: Grammar) -> list[Finding]:
    """What is wrong with the examples and counterexamples, in the order of the phrases; all are errors."""
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
