"""``voicelog drill score``: how a folder of drills is heard, and whether that is good enough."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.commands.rules import tell_refused
from voicelog.drill.bars import Bar, bars_of
from voicelog.drill.scoring import SCORES, Scored, listeners_of, results, score_folder
from voicelog.drill.truth import CAUTION, drills_in
from voicelog.drill.work import Heard, own_cores, workers, write_json
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.views.drill_text import print_debrief
from voicelog.views.plain import json_line

if TYPE_CHECKING:
    from rich.console import Console


def run(arguments: argparse.Namespace) -> int:
    """Score a folder; 1 when a bar is missed."""
    bars = bars_of(arguments.require)
    scored = scored_folder(arguments)
    missed = [(one, bar) for one in scored for bar in bars if not bar.met(one.figures)]
    if arguments.json:
        for one in scored:
            told = [{"bar": str(bar), "value": bar.value(one.figures), "met": bar.met(one.figures)} for bar in bars]
            row = {"listener": one.run.listener, **one.figures, "bars": told}
            sys.stdout.write(json_line(row) + "\n")
    else:
        from rich.console import Console

        console = Console(highlight=False)
        for one in scored:
            print_debrief(console, one)
        _print_bars(console, scored, bars)
        folder = arguments.folder
        console.print(f"Next: voicelog drill report {folder}", markup=False, soft_wrap=True)
        console.print(CAUTION, style="dim", soft_wrap=True)
    return 1 if missed else 0


def scored_folder(arguments: argparse.Namespace) -> tuple[Scored, ...]:
    """Score the folder of the arguments with a progress bar, and write its results.

    Raises:
        UsageError: wrong arguments.
        DrillError: no drills, a recogniser that cannot run, a cluster that cannot be reached.
    """
    drills = drills_in(arguments.folder)
    listeners = listeners_of(arguments.listeners)
    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    minutes = len(listeners) * sum(truth.length_s for _, truth in drills) / 60
    jobs = jobs_of(arguments, len(drills) * len(listeners))
    with (
        workers(jobs, arguments.scheduler) as pool,
        heard_minutes(minutes, {path: t.length_s for path, t in drills}) as told,
    ):
        scored = score_folder(drills, listeners, arguments.grammars, pool, told)
    saved = results(scored, grammar.digest)
    for path in filter(None, (arguments.folder / SCORES, arguments.save)):
        write_json(saved, path)
    return scored


def jobs_of(arguments: argparse.Namespace, tasks: int) -> int:
    """How many processes to start: as many as asked for, else one a core, and no more than there are tasks.

    Raises:
        UsageError: fewer than one is asked for.
    """
    if arguments.jobs is not None and arguments.jobs < 1:
        raise UsageError(f"--jobs {arguments.jobs} is below 1", "give a whole number of 1 or more")
    return arguments.jobs or min(own_cores(), tasks)


@contextmanager
def heard_minutes(minutes: float, lengths: dict[Path, float]) -> Iterator[Callable[[Heard], None]]:
    """A bar on standard error that counts the minutes heard."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("listening"), BarColumn(), TextColumn("{task.completed:.0f} of {task.total:.0f} min"))
    shown = Progress(
        *columns,
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    with shown:
        task = shown.add_task("", total=minutes)
        yield lambda heard: shown.advance(task, lengths[heard.recording] / 60)


def _print_bars(console: Console, scored: Sequence[Scored], bars: Sequence[Bar]) -> None:
    for one in scored:
        for bar in bars:
            met = bar.met(one.figures)
            sign, word, style = ("●", "met   ", "green") if met else ("✕", "MISSED", "bold red")
            said = f"{sign} {word}  {one.run.listener}: {bar}, measured {bar.value(one.figures):.4g}"
            console.print(said, style=style, markup=False)
    if bars:
        console.print()
