"""``voicelog list``: the case files of a folder, a line each."""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import asdict
from datetime import UTC, datetime

from voicelog.many.brief import Brief, briefs
from voicelog.many.copies import CaseAt, Copy, copies_among
from voicelog.many.folder import files_of
from voicelog.many.pool import each
from voicelog.views.plain import json_line

_NEVER = datetime.min.replace(tzinfo=UTC)
_PIPE_WIDTH = 200
_MOST_COPIES = 20
"""Lines of them below the list."""


def run(arguments: argparse.Namespace) -> int:
    """Print the list, the newest last; exit code 1 when a file is damaged."""
    found = [brief for some in each(briefs, files_of(arguments.folder), "reading cases") for brief in some]
    damaged = sum(brief.state == "damaged" for brief in found)
    copies = copies_among(
        CaseAt(brief.path, brief.case_id, brief.entries, brief.head) for brief in found if brief.is_case
    )
    shown = sorted((brief for brief in found if _wanted(arguments, brief)), key=_order)
    if arguments.json:
        for brief in shown:
            sys.stdout.write(json_line(_line(brief)) + "\n")
        for copy in copies:
            line = {"type": "copy", "path": copy.case.path, "of": copy.of.path, "relation": copy.relation}
            sys.stdout.write(json_line(line) + "\n")
        sys.stdout.write(json_line({"type": "list", "folder": str(arguments.folder), **_counts(found)}) + "\n")
    else:
        _print(shown, found, copies)
    return 1 if damaged else 0


def _wanted(arguments: argparse.Namespace, brief: Brief) -> bool:
    return not arguments.open or brief.state == "damaged" or brief.open_items > 0


def _order(brief: Brief) -> tuple[datetime, str]:
    return brief.opened_at or _NEVER, brief.path


def _line(brief: Brief) -> dict[str, object]:
    return {"type": "case", **asdict(brief), "open_items": brief.open_items}


def _counts(found: list[Brief]) -> dict[str, int]:
    states = [brief.state for brief in found]
    counts = {state: states.count(state) for state in ("closed", "open", "damaged", "foreign")}
    counts["signed_off"] = sum(brief.signed_off is not None for brief in found)
    return {"files": len(found), **counts, "with_open_items": sum(brief.open_items > 0 for brief in found)}


def _print(shown: list[Brief], found: list[Brief], copies: list[Copy]) -> None:
    from rich.console import Console
    from rich.text import Text

    from voicelog.views.listing import LEGEND, print_list
    from voicelog.views.screen import CAUTION, printable

    # A line a case for whatever reads a pipe, unless a width was asked for.
    piped = not sys.stdout.isatty() and "COLUMNS" not in os.environ
    console = Console(highlight=False, width=_PIPE_WIDTH if piped else None)
    print_list(console, shown)
    counts = _counts(found)
    told = f"{counts['closed'] + counts['open']} cases, {counts['open']} of them never closed"
    told += f", {counts['with_open_items']} with open items, {counts['signed_off']} signed off"
    told += f"; {counts['damaged']} damaged, {counts['foreign']} other files"
    console.print(Text(told, style="dim"), soft_wrap=True)
    for copy in sorted(copies, key=lambda one: one.relation != "conflicting")[:_MOST_COPIES]:
        style = "bold yellow" if copy.relation == "conflicting" else "dim"
        console.print(Text(printable(copy.told), style=style), soft_wrap=True)
    if len(copies) > _MOST_COPIES:
        console.print(Text(f"and {len(copies) - _MOST_COPIES} more copies; --json tells all", style="dim"))
    console.print(Text(LEGEND, style="dim"), soft_wrap=True)
    console.print(
        Text("The hash chains are not checked here: `voicelog audit CASE` does.", style="dim"), soft_wrap=True
    )
    console.print(Text(CAUTION, style="dim"), soft_wrap=True)
