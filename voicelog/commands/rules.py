"""The protocol's rules for a command, with the refused rows told on standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from voicelog.checks.protocol import Protocol, load_protocol
from voicelog.views.screen import printable


def told_protocol(overlays: Sequence[Path]) -> Protocol:
    """The protocol's rules; a row that is refused is told on standard error, and the shipped one stays in force."""
    protocol = load_protocol(*overlays)
    for error in protocol.refused:
        sys.stderr.write(f"voicelog: {printable(error.message.splitlines()[0])}\n")
        if error.hint:
            sys.stderr.write(f"hint: {printable(error.hint)}\n")
    return protocol
