"""``voicelog grammar``: check what can be said, list its words, print a callout card or JSGF."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path

from voicelog.commands.rules import tell_refused
from voicelog.errors import UsageError
from voicelog.grammar.coverage import Hearing, State, hearings
from voicelog.grammar.finding import Check, Finding
from voicelog.grammar.lint import every_finding
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar, Place
from voicelog.grammar.overlaps import Progress
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

_GROUPS: Mapping[Check, tuple[str, str]] = {
    "example": ("Examples and counterexamples", "mend the phrase, or its example if that is wrong"),
    "unreachable": (
        "Never understood",
        "say it in other words: it is taken as talk or as another phrase, or stands for two values",
    ),
    "words": (
        "Words that cannot be heard",
        "write how the word sounds into a .dict file beside models/pronunciations.dict, or the word into "
        "typed_only.txt if it is never spoken",
    ),
    "protocol": (
        "Rows of the formulary and the protocol",
        "mend the row; a refused row leaves the one before it in force, and a rule about an unknown drug never fires",
    ),
    "overlap": (
        "Read in two ways",
        "an error enters something else and has to be mended; where the crew is asked it is safe, and a word that only "
        "one phrase has spares the question",
    ),
    "sounds_alike": (
        "Drugs that sound alike",
        'to be asked about a pair, declare it in sounds_alike.toml: [[pair]], drugs = ["one", "other"], source = "..."',
    ),
}
"""What found it -> heading, and how to mend it."""
_STYLES: Mapping[State, str] = {
    "known": "green",
    "local": "cyan",
    "stand-in": "cyan",
    "typed only": "dim",
    "missing": "bold red",
}
_SAID: Mapping[State, str] = {"local": "local pronunciation"}


def run(arguments: argparse.Namespace) -> int:
    """Run one action; check exits with 1 when it finds an error."""
    grammar = load_grammar(*arguments.grammars)
    if arguments.action != "check":
        tell_refused(grammar.refused)
    return ACTIONS[arguments.action](grammar, arguments)


def _check(grammar: Grammar, arguments: argparse.Namespace) -> int:
    heard = hearings(grammar)
    with _progress(arguments.json) as progress:
        findings = [*_of_protocol(grammar, arguments.grammars), *every_finding(grammar, heard, progress)]
    if arguments.json:
        for finding in findings:
            sys.stdout.write(json_line(_plain(finding)) + "\n")
    else:
        _report(findings)
        for hearing in heard:
            _say(_heard_line(hearing))
        _say(_summary(grammar, findings))
    return 1 if any(finding.severity == "error" for finding in findings) else 0


def _of_protocol(grammar: Grammar, overlays: Sequence[Path]) -> list[Finding]:
    """Rows of the formulary and of the protocol that are refused, and drugs that the formulary has not."""
    from voicelog.checks.protocol import FOLDER, load_protocol, unknown_drugs

    protocol = load_protocol(*overlays)
    wrong = (*grammar.refused, *protocol.refused, *unknown_drugs(protocol, grammar.drugs))
    return [Finding(Place(error.file or Path(FOLDER), error.line), error.reason, check="protocol") for error in wrong]


def _words(grammar: Grammar, arguments: argparse.Namespace) -> int:
    heard = hearings(grammar)
    with_words = [hearing for hearing in heard if hearing.words]
    words = [
        word
        for word in sorted(grammar.vocabulary)
        if not arguments.missing or any(hearing.words[word] == "missing" for hearing in with_words)
    ]
    if arguments.json:
        for word in words:
            states = {hearing.recogniser: hearing.words[word] for hearing in with_words}
            sys.stdout.write(json_line({"type": "word", "word": word, **states}) + "\n")
        for hearing in heard:
            fields = {"type": "recogniser", "name": hearing.recogniser, "detail": hearing.detail}
            sys.stdout.write(json_line({**fields, "counts": hearing.counts if hearing.words else None}) + "\n")
        return 0
    if sys.stdout.isatty():
        _table(words, with_words)
    else:
        for word in words:
            sys.stdout.write("\t".join((word, *(hearing.words[word] for hearing in with_words))) + "\n")
    # What reads the words in a pipe gets nothing but words.
    notes = sys.stdout if sys.stdout.isatty() else sys.stderr
    for hearing in heard:
        notes.write(printable(_heard_line(hearing)) + "\n")
    notes.write(f"{len(words)} of {len(grammar.vocabulary)} words\n")
    return 0


def _jsgf(grammar: Grammar, arguments: argparse.Namespace) -> int:
    from voicelog.grammar.jsgf import emit_jsgf

    _write(emit_jsgf(grammar), arguments.out)
    return 0


def _card(grammar: Grammar, arguments: argparse.Namespace) -> int:
    from voicelog.views.card import card_html

    _write(card_html(grammar, made=date.today().isoformat()), arguments.out)
    return 0


def _write(text: str, out: Path | None) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {out}: {error.strerror}", "name a file in a folder that exists") from error


ACTIONS: Mapping[str, Callable[[Grammar, argparse.Namespace], int]] = {
    "check": _check,
    "words": _words,
    "card": _card,
    "jsgf": _jsgf,
}
"""What ``voicelog grammar`` can do."""


def _plain(finding: Finding) -> dict[str, object]:
    return {
        "type": "finding",
        "severity": finding.severity,
        "file": str(finding.place.file),
        "line": finding.place.line,
        "message": finding.message,
        "check": finding.check,
    }


def _report(findings: Sequence[Finding]) -> None:
    """The findings in groups, each with a hint; a finding is one line."""
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    for check, (heading, hint) in _GROUPS.items():
        group = [finding for finding in findings if finding.check == check]
        if not group:
            continue
        console.print(Text(heading, style="bold"))
        for finding in group:
            place = f"{finding.place.file}:{finding.place.line}: "
            style = "bold red" if finding.severity == "error" else "yellow"
            line = Text.assemble(
                (printable(place), "dim"), (f"{finding.severity}: ", style), printable(finding.message)
            )
            console.print(line, soft_wrap=True)
        console.print(Text(f"hint: {hint}"), soft_wrap=True)
        console.print()


def _summary(grammar: Grammar, findings: Sequence[Finding]) -> str:
    events = sum(phrase.kind == "event" for phrase in grammar.phrases)
    examples = sum(len(phrase.examples) + len(phrase.counterexamples) for phrase in grammar.phrases)
    errors = sum(finding.severity == "error" for finding in findings)
    return (
        f"{events} callouts, {len(grammar.drugs)} drugs, {len(grammar.vocabulary)} words, "
        f"{examples} examples and counterexamples: {errors} errors, {len(findings) - errors} notes"
    )


def _heard_line(hearing: Hearing) -> str:
    counts = ", ".join(f"{count} {state}" for state, count in hearing.counts.items())
    return f"{hearing.recogniser}: {hearing.detail}" + f": {counts}" * bool(counts)


def _table(words: Sequence[str], heard: Sequence[Hearing]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table("word", *(hearing.recogniser for hearing in heard), box=None, pad_edge=False)
    for word in words:
        states = [hearing.words[word] for hearing in heard]
        table.add_row(printable(word), *(Text(_SAID.get(state, state), style=_STYLES[state]) for state in states))
    Console(highlight=False).print(table)


def _say(text: str) -> None:
    sys.stdout.write(printable(text) + "\n")


@contextlib.contextmanager
def _progress(quiet: bool) -> Iterator[Progress]:
    """A bar on the error stream while the sentences are read, when somebody watches."""
    if quiet or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("reading what can be said"), BarColumn(), TextColumn("{task.percentage:>3.0f}%"))
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("")
        yield lambda done, total: bar.update(task, completed=done, total=total)
