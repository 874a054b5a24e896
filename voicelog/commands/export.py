"""``voicelog export``: a case in an open standard, as lines, as a table or as a copy."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from random import SystemRandom

from voicelog.casefile.opening import is_plain
from voicelog.casefile.secret import passphrase
from voicelog.casefile.store import CaseFile
from voicelog.errors import UsageError
from voicelog.exports.source import CaseRecord, record_of
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Write the export; exit code 1 when the case file is not as it was written."""
    _check(arguments)
    if arguments.to == "parquet":
        return _parquet(arguments)
    if arguments.to == "sqlite":
        return _copy(arguments.case, arguments.out, encrypt=arguments.encrypt)
    with CaseFile.open(arguments.case) as case:
        problems = found = case.problems()
        record = record_of(arguments.case.name, list(case.entries()))
        if arguments.deidentify:
            record = _deidentifier(arguments)(record)
            # A finding may name a hash of the case that it is about.
            found = [f"the case it was made from has {len(problems)} findings"] if problems else []
        # All of it is made before anything is written, so that no half of an export is taken for a whole.
        text, remarks = _made(arguments, case, record, found)
    _write(text, arguments.out)
    _tell(*(f"{arguments.case}: {problem}" for problem in problems), *remarks)
    return 1 if problems else 0


def _check(arguments: argparse.Namespace) -> None:
    if arguments.to == "sqlite" and arguments.out is None:
        raise UsageError("a copy of the case file needs a name", "name it with --out FILE")
    if arguments.to == "parquet" and arguments.out is None:
        raise UsageError("tables need a folder", "name a new one with --out DIR")
    if arguments.more and arguments.to != "parquet":
        raise UsageError(f"--to {arguments.to} takes one case", "give them one by one; --to parquet takes many")
    if arguments.schemas and arguments.to != "nemsis":
        raise UsageError("--schemas goes with --to nemsis only", "leave it out")
    if arguments.details and arguments.to != "nemsis":
        raise UsageError("--details goes with --to nemsis only", "leave it out")
    if arguments.no_audio and arguments.to != "jsonl":
        raise UsageError("--no-audio goes with --to jsonl only", "leave it out: only jsonl and sqlite hold audio")
    if arguments.encrypt and arguments.to != "sqlite":
        raise UsageError("--encrypt goes with --to sqlite only", "no other format can be encrypted here")
    if arguments.deidentify and arguments.to == "sqlite":
        raise UsageError(
            "a copy of the case file keeps everything", "export --to jsonl, then make a case: voicelog import"
        )
    if arguments.deidentify and arguments.details:
        raise UsageError("--details say who was there, so not with --deidentify", "leave one of them out")
    if arguments.out is not None and os.path.lexists(arguments.out):
        raise UsageError(f"{arguments.out} exists already", "choose another name with --out FILE")


def _made(
    arguments: argparse.Namespace, case: CaseFile, record: CaseRecord, problems: list[str]
) -> tuple[str, Sequence[str]]:
    """The export, and what is to be told of it."""
    if arguments.to == "csv":
        from voicelog.exports.csv_rows import csv_text

        return csv_text(record), ()
    if arguments.to == "jsonl":
        from voicelog.exports.jsonl import jsonl_lines

        clip = None if arguments.no_audio or arguments.deidentify else case.clip
        return "".join(jsonl_lines(record.origin.case, record.entries, clip)), ()
    from voicelog.commands.rules import tell_refused
    from voicelog.grammar.loader import load_grammar

    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    drugs = grammar.drugs
    rxnorm = {name: drug.rxnorm for name, drug in drugs.items() if drug.rxnorm}
    if arguments.to == "fhir":
        from voicelog.exports.fhir import fhir_text

        return fhir_text(record, rxnorm, problems), ()
    return _nemsis(arguments, record, rxnorm, problems)


def _nemsis(
    arguments: argparse.Namespace, record: CaseRecord, rxnorm: Mapping[str, str], problems: list[str]
) -> tuple[str, Sequence[str]]:
    from voicelog.exports.nemsis import nemsis_document
    from voicelog.exports.nemsis_details import read_details
    from voicelog.exports.nemsis_schema import check_schema, load_schema

    schema = load_schema(arguments.schemas) if arguments.schemas else None
    document = nemsis_document(record, rxnorm, read_details(arguments.details), problems)
    if schema is None:
        unchecked = "not checked against the official schemas: name their folder with --schemas DIR"
        return document.text, (*document.remarks, unchecked)
    check_schema(document.text, schema)
    return document.text, document.remarks


def _deidentifier(arguments: argparse.Namespace) -> Callable[[CaseRecord], CaseRecord]:
    from voicelog.exports.deidentify import closed_terms, deidentified
    from voicelog.grammar.loader import load_grammar

    grammar = load_grammar(*arguments.grammars)
    return partial(deidentified, terms=closed_terms(grammar), grammar_hash=grammar.digest)


def _write(text: str, out: Path | None) -> None:
    if out is None:
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8"))
        sys.stdout.buffer.flush()
        return
    try:
        descriptor = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(text.encode("utf-8"))
        except OSError:
            out.unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot write {out}: {why}", "choose another place with --out FILE") from error


def _copy(source: Path, target: Path, *, encrypt: bool) -> int:
    from voicelog.exports.copies import copy_case, encrypt_case

    (encrypt_case if encrypt else copy_case)(source, target)
    with CaseFile.open(target) as copied:
        *_, last = copied.entries()
        problems = copied.problems()
    told = f"{target}: {'encrypted ' if encrypt else ''}copy of {source}, {last.seq} entries, head {last.hash}"
    remarks = []
    if encrypt:
        told += "" if problems else ", chain verified"
        remarks.append(f"{source} stays where it is, not encrypted: open the new one, then delete it and its copies")
    elif passphrase() is not None and is_plain(target):
        remarks.append(f"{target} is not encrypted, as {source} is not: --encrypt makes a copy that is")
    _tell(told, *(f"{target}: {problem}" for problem in problems), *remarks)
    return 1 if problems else 0


def _parquet(arguments: argparse.Namespace) -> int:
    from voicelog.commands.query import read_tables, tell_left_out
    from voicelog.exports.parquet import write_parquet
    from voicelog.many.folder import files_of_all

    paths = files_of_all([arguments.case, *arguments.more])
    change = _deidentifier(arguments) if arguments.deidentify else None
    if change:
        # The order of the names may be that of the calls.
        SystemRandom().shuffle(paths)
    made = read_tables(paths, "reading and checking cases", check=True, change=change)
    if not made.cases:
        tell_left_out(made)
        raise UsageError("no case could be read", "name case files, or a folder of them")
    files = write_parquet(made.tables, arguments.out)
    tell_left_out(made)
    _tell(f"{arguments.out}: {len(made.cases)} cases in {files} files")
    return 1 if made.left_out or made.findings else 0


def _tell(*lines: str) -> None:
    sys.stderr.writelines(f"{printable(line)}\n" for line in lines)
