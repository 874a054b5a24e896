"""``voicelog import``: a case file from the lines that ``voicelog export --to jsonl`` wrote."""

from __future__ import annotations

import argparse
import stat
import sys
from pathlib import Path

from voicelog.errors import UsageError
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Make the case file; every hash is checked before anything is made."""
    from voicelog.exports.copies import make_case
    from voicelog.exports.jsonl import read_jsonl

    imported = read_jsonl(_read(arguments.file), str(arguments.file))
    with make_case(imported.entries, imported.clips, arguments.case) as case:
        path = case.path
    last = imported.entries[-1]
    sys.stdout.write(printable(f"case file {path}: {last.seq} entries, chain verified, head {last.hash}") + "\n")
    if imported.without_audio:
        sys.stderr.write(f"the audio was left out of the export: {len(imported.without_audio)} clips are missing\n")
    return 0


def _read(path: Path) -> bytes:
    hint = "name a file that `voicelog export --to jsonl` made"
    try:
        # A pipe would hang and a device never ends.
        if not stat.S_ISREG(path.stat().st_mode):
            raise UsageError(f"{path} is not a file", hint)
        return path.read_bytes()
    except (OSError, ValueError) as error:
        raise UsageError(f"cannot read {path}: {getattr(error, 'strerror', None) or error}", hint) from error
