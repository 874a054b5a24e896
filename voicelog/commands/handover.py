"""``voicelog handover``: a case told in half a minute, in print, aloud or as JSON."""

from __future__ import annotations

import argparse
import sys

from voicelog.casefile.closing import recorded_until
from voicelog.casefile.state import fold
from voicelog.casefile.store import CaseFile
from voicelog.commands.rules import told_protocol
from voicelog.errors import AudioError, CaseFileError
from voicelog.grammar.loader import load_grammar
from voicelog.views.handover import MOST_WORDS, Handover, handover, plain_handover
from voicelog.views.plain import json_line
from voicelog.views.screen import CAUTION, printable

_LONGEST_S = 300.0
"""A voice that has not said it all by then is stuck."""


def run(arguments: argparse.Namespace) -> int:
    """Print a handover, and say it where that is wanted; exit code 1 when the file is not as it was written."""
    protocol, drugs = told_protocol(arguments.grammars), load_grammar(*arguments.grammars).drugs
    with CaseFile.open(arguments.case) as case:
        entries = list(case.entries())
        problems = case.problems()
    if not entries:
        raise CaseFileError(f"{printable(str(arguments.case))} has no entries.", "Was a case recorded into it?")
    told = handover(fold(entries), protocol, drugs, recorded_until(entries), arguments.format)
    if arguments.json:
        sys.stdout.write(json_line({**plain_handover(told, CAUTION), "problems": problems}) + "\n")
    else:
        _print(told, problems)
    if arguments.speak:
        sys.stdout.flush()
        _speak(told.spoken)
    return 1 if problems else 0


def _print(told: Handover, problems: list[str]) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    length = f"{told.words} words, {told.seconds.normalize():f} s"
    over = f", more than {MOST_WORDS}: no drug is left out" if told.words > MOST_WORDS else ""
    title = f"Handover {told.format.upper()} as of {told.as_of:%H:%M}"
    console.print(Text.assemble((title, "bold"), (f"  {length}{over}", "dim")), soft_wrap=True)
    for section in told.sections:
        console.print(Text(f"\n{section.title}", style="italic"))
        for line in section.lines(aloud=False):
            text = Text(f"  {printable(line)}")
            text.highlight_words(["unconfirmed"], style="bold yellow")
            console.print(text, soft_wrap=True)
    if told.left_out:
        console.print("\nMore in the record", style="italic")
        left = "; ".join(clause.written for clause in told.left_out)
        console.print(Text(f"  not told: {printable(left)}", style="dim"), soft_wrap=True)
    for problem in problems:
        console.print(Text(f"\n✕ the file is not as it was written: {printable(problem)}", style="bold red"))
    console.print()
    console.print(Text(CAUTION, style="dim"))


def _speak(text: str) -> None:
    """Say it aloud.

    Raises:
        AudioError: there is no voice or no loudspeaker here.
    """
    from voicelog.speech.speaker import Speaker
    from voicelog.speech.voices import open_voice

    speaker = Speaker(open_voice())
    speaker.say(text)
    heard = speaker.wait(_LONGEST_S)
    failure = speaker.failure
    speaker.close()
    if failure or not heard:
        raise AudioError(failure or "the handover was not said to its end", "See: voicelog doctor --audio")
