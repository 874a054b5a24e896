"""``voicelog show``: the timeline of a case file."""

from __future__ import annotations

import argparse
import sys

from voicelog.casefile.state import CaseState, RecordedEvent, fold
from voicelog.casefile.store import CaseFile
from voicelog.views.plain import json_line, plain_event
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Print a case's timeline; exit code 1 when the file is not as it was written."""
    with CaseFile.open(arguments.case) as case:
        state = fold(case.entries())
        problems = case.problems()
        head = case.head()
    if arguments.json:
        for recorded in state.events:
            sys.stdout.write(json_line(event_line(recorded)) + "\n")
        sys.stdout.write(
            json_line({**case_line(state, str(arguments.case)), "head": head, "problems": problems}) + "\n"
        )
    else:
        _print(state, str(arguments.case), head, problems)
    return 1 if problems else 0


def event_line(recorded: RecordedEvent) -> dict[str, object]:
    """One event as a JSON object: the event, where it stands, and where it came from."""
    return {
        "type": "event",
        "id": recorded.id,
        "event": plain_event(recorded.event),
        "status": recorded.status,
        "basis": recorded.basis,
        "flags": list(recorded.flags),
        "amends": recorded.amends,
        "utterance": recorded.utterance,
    }


def case_line(state: CaseState, path: str) -> dict[str, object]:
    """The summary of a case as a JSON object."""
    signed = state.signed_off
    counts: dict[str, int] = {}
    for event in state.events:
        counts[event.status] = counts.get(event.status, 0) + 1
    return {
        "type": "case",
        "case": path,
        "closed": state.closed,
        "signed_off": {"by": signed.by, "at": signed.at} if signed else None,
        "utterances": len(state.utterances),
        "events": counts,
        "opened": state.opened,
    }


def _print(state: CaseState, path: str, head: str, problems: list[str]) -> None:
    from rich.console import Console
    from rich.text import Text

    from voicelog.views.screen import CAUTION
    from voicelog.views.timeline import print_case

    console = Console(highlight=False)
    listener = state.opened.get("listener")
    engine = listener.get("engine", "unknown") if isinstance(listener, dict) else "unknown"
    source, clock = (state.opened.get(name, "unknown") for name in ("source", "clock"))
    heard = f"source {source}, clock {clock}, heard by {engine}, {len(state.utterances)} utterances"
    console.print(Text(printable(f"case file {path}"), style="bold"), soft_wrap=True)
    console.print(Text(printable(heard), style="dim"), soft_wrap=True)
    console.print(Text(printable(f"head {head}"), style="dim"), soft_wrap=True)
    if state.signed_off:
        console.print(Text(printable(state.signed_off.told), style="green"), soft_wrap=True)
    console.print()
    print_case(console, state)
    console.print()
    if problems:
        console.print("Integrity", style="italic")
    for problem in problems:
        console.print(Text(f"  ✕ {printable(problem)}", style="bold red"), soft_wrap=True)
    if problems:
        console.print()
    console.print(Text(CAUTION, style="dim"))
