"""``voicelog forget-audio``: deletes the audio of a closed case; the record and the hashes of the clips stay."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime

from voicelog.casefile.review import delete_audio
from voicelog.casefile.signing import stated_signer
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Delete; a case that is not as it was written is left as it is."""
    sign = stated_signer(arguments.sign)
    with CaseFile.open(arguments.case, write=True) as case:
        problems = case.problems()
        if problems:
            hint = "Its audio is evidence now. See all of it with `voicelog audit`."
            raise CaseFileError(f"This case is not as it was written, so nothing was deleted: {problems[0]}", hint)
        case.sign = sign
        count = delete_audio(case, arguments.reason, datetime.now(UTC).astimezone())
        head = case.head()
    done = f"{count} audio clips deleted, their hashes kept" if count else "there was no audio to delete"
    sys.stdout.write(printable(f"{arguments.case}: {done}") + f"\nhead {head}\n")
    return 0
