"""The local rules of a command: rows that are refused are told on standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from voicelog.checks.protocol import Protocol, load_protocol
from voicelog.errors import GrammarError
from voicelog.grammar.loader import load_grammar
from voicelog.views.screen import printable


def told_protocol(overlays: Sequence[Path]) -> Protocol:
    """The protocol's rules; a row of it or of the formulary that is refused is told, and the one before it in force."""
    tell_refused(load_grammar(*overlays).refused)
    protocol = load_protocol(*overlays)
    tell_refused(protocol.refused)
    return protocol


def tell_refused(errors: Sequence[GrammarError]) -> None:
    """Tell on standard error, a line and a hint each, which local rows are not in force."""
    for error in errors:
        sys.stderr.write(f"voicelog: {printable(error.message.splitlines()[0])}\n")
        if error.hint:
            sys.stderr.write(f"hint: {printable(error.hint)}\n")
