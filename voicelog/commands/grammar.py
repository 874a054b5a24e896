"""``voicelog grammar``: check what can be said, list its words, print it as JSGF."""

from __future__ import annotations

import argparse
import sys

from voicelog.grammar.lint import check_grammar
from voicelog.grammar.loader import load_grammar
from voicelog.views.plain import json_line


def run(arguments: argparse.Namespace) -> int:
    """Run one of check, words and jsgf; check exits with 1 when it finds something."""
    grammar = load_grammar(*arguments.grammars)
    if arguments.action == "jsgf":
        from voicelog.grammar.jsgf import emit_jsgf

        sys.stdout.write(emit_jsgf(grammar))
        return 0
    if arguments.action == "words":
        words = sorted(grammar.vocabulary)
        sys.stdout.write((json_line({"type": "words", "words": words}) if arguments.json else "\n".join(words)) + "\n")
        return 0
    findings = check_grammar(grammar)
    for finding in findings:
        if arguments.json:
            fields = {"type": "finding", "file": str(finding.place.file), "line": finding.place.line}
            sys.stdout.write(json_line({**fields, "message": finding.message}) + "\n")
        else:
            sys.stdout.write(f"{finding.place.file}:{finding.place.line}: {finding.message}\n")
    events = sum(phrase.kind == "event" for phrase in grammar.phrases)
    examples = sum(len(phrase.examples) + len(phrase.counterexamples) for phrase in grammar.phrases)
    if not arguments.json:
        sys.stdout.write(
            f"{events} callouts, {len(grammar.drugs)} drugs, {len(grammar.vocabulary)} words, "
            f"{examples} examples and counterexamples: {len(findings)} findings\n"
        )
    return 1 if findings else 0
