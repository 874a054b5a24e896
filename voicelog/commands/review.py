"""``voicelog review``: the supervisor's page of a case, served here to judge on, or written as one file to read."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path

from voicelog.casefile.signing import stated_signer
from voicelog.casefile.store import CaseFile
from voicelog.commands.rules import told_protocol
from voicelog.errors import CaseFileError, UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Write the page, or serve it until interrupted."""
    if arguments.html is not None:
        if arguments.schemas or arguments.details:
            raise UsageError("--schemas and --details go with a served page only", "leave them out with --html")
        return _write(arguments)
    if arguments.no_audio:
        raise UsageError("--no-audio goes with --html only", "leave it out: a served page plays what the case holds")
    return _serve(arguments)


def _write(arguments: argparse.Namespace) -> int:
    """The page as a file; exit code 1 when the case file is not as it was written."""
    from voicelog.views.review_model import review_model
    from voicelog.views.review_page import review_html

    if arguments.case.is_dir():
        raise UsageError("--html writes the page of one case", "name one case file")
    protocol, drugs = told_protocol(arguments.grammars), load_grammar(*arguments.grammars).drugs
    with CaseFile.open(arguments.case) as case:
        problems = case.problems()
        entries = list(case.entries())
        if not entries:
            raise CaseFileError(f"{printable(str(arguments.case))} has no entries.", "Was a case recorded into it?")
        model = review_model(arguments.case.name, entries, protocol, drugs, problems)
        page = review_html(model, clip=None if arguments.no_audio else _clip(case))
    _put(page, arguments.html)
    return 1 if problems else 0


def _clip(case: CaseFile) -> Callable[[str], bytes | None]:
    """Gives a clip's audio; None where it was deleted, never kept or replaced, which the audit tells."""

    def given(name: str) -> bytes | None:
        try:
            return case.clip(name)
        except CaseFileError:
            return None

    return given


def _put(page: str, out: Path) -> None:
    """Write a new file for the user alone: it holds patient data."""
    try:
        with os.fdopen(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            file.write(page)
    except FileExistsError as error:
        raise UsageError(f"{printable(str(out))} exists already", "choose another name with --html FILE") from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot write {printable(str(out))}: {why}", "choose another place") from error


def _serve(arguments: argparse.Namespace) -> int:
    from voicelog.exports.nemsis_details import read_details
    from voicelog.exports.nemsis_schema import load_schema
    from voicelog.reviewing.exporting import NemsisRules
    from voicelog.reviewing.serving import serve

    sign = stated_signer(arguments.sign)
    protocol, grammar = told_protocol(arguments.grammars), load_grammar(*arguments.grammars)
    rules = NemsisRules(read_details(arguments.details), load_schema(arguments.schemas) if arguments.schemas else None)
    serve(arguments.case, grammar, protocol, sign, _tell, nemsis=rules, open_browser=not arguments.no_open)
    return 0


def _tell(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()
