"""``voicelog drill report``: one page to debrief a crew with, a table here, and whether it is better than before."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.commands.drill_score import scored_folder
from voicelog.drill.against import compared
from voicelog.drill.clips import worst
from voicelog.drill.debrief import better_or_worse, findings, headline
from voicelog.drill.judge import OUTCOMES
from voicelog.drill.scoring import Outcomes, Scored, read_outcomes
from voicelog.drill.truth import CAUTION
from voicelog.errors import UsageError
from voicelog.views.drill_page import page
from voicelog.views.drill_text import SHORT, plain_table
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console

PAGE = "report.html"
"""The page in the folder of the drills, unless another place is named."""
_TOLD = 3


def run(arguments: argparse.Namespace) -> int:
    """Score what is not scored yet, then write and print the report."""
    if arguments.clips < 0:
        raise UsageError(f"--clips {arguments.clips} is below 0", "give a whole number of 0 or more")
    # Read first: the same folder's results are about to be written anew.
    old = read_outcomes(arguments.against) if arguments.against else {}
    scored = scored_folder(arguments)
    verdicts = _verdicts(scored, old) if arguments.against else {}
    folder: Path = arguments.folder
    clips = {one.run.listener: worst(one.run, folder, arguments.clips) for one in scored}
    out: Path = arguments.out or folder / PAGE
    try:
        out.write_text(page(f"Debrief: {folder.resolve().name}", scored, clips, verdicts), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}", "name another place with --out FILE") from error
    if arguments.json:
        for one in scored:
            name = one.run.listener
            row = {"listener": name, **one.figures, "against": verdicts.get(name), "page": str(out)}
            sys.stdout.write(json_line(row) + "\n")
        return 0
    _print(scored, verdicts, out)
    return 0


def _verdicts(scored: Sequence[Scored], old: Mapping[str, Outcomes]) -> dict[str, dict[str, Any]]:
    """Each recogniser against itself before; a single one of each run against the other, whatever they are called."""
    if len(scored) == len(old) == 1:
        return {scored[0].run.listener: compared(scored[0].run.callouts, next(iter(old.values())))}
    shared = [one for one in scored if one.run.listener in old]
    if not shared:
        raise UsageError(
            f"the older run has no recogniser of these: it has {', '.join(old) or 'none'}",
            "choose one of them with --listeners",
        )
    return {one.run.listener: compared(one.run.callouts, old[one.run.listener]) for one in shared}


def _print(scored: Sequence[Scored], verdicts: Mapping[str, Mapping[str, Any]], out: Path) -> None:
    from rich.console import Console

    console = Console(highlight=False)
    for one in scored:
        console.print(printable(headline(one)), style="bold", markup=False)
    console.print(_table(scored))
    for name, verdict in verdicts.items():
        console.print(f"{name}: {better_or_worse(verdict)}\n", markup=False)
    for one in scored:
        _print_first(console, one)
    console.print(f"\nThe page, with the clips to listen to: {printable(str(out))}", markup=False, soft_wrap=True)
    console.print(CAUTION, style="dim", soft_wrap=True)


def _print_first(console: Console, scored: Scored) -> None:
    for finding in findings(scored)[:_TOLD]:
        console.print(f"{scored.run.listener}: {printable(finding.what)}", markup=False)
        console.print(f"    Do: {printable(finding.todo)}", markup=False)


def _table(scored: Sequence[Scored]) -> Any:
    table = plain_table("heard by", "n", *SHORT, "words wrong", "false/h", "delay")
    for one in scored:
        data = one.figures
        counts = [str(data["outcomes"][outcome]) for outcome in OUTCOMES]
        figures = [f"{100 * data['wer']:.0f}%", f"{data['false_per_hour']:.1f}", f"{data['delay']['p50_s']:.1f} s"]
        table.add_row(one.run.listener, str(data["callouts"]), *counts, *figures)
    return table
