"""``voicelog drill learn``: proposals for the grammar from scored drills, each with its effect on speakers left out."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, cast

from voicelog.commands.drill_score import jobs_of
from voicelog.commands.rules import tell_refused
from voicelog.drill.adaptation import is_available
from voicelog.drill.learn import KINDS, Judged, Learned, Trial, learn
from voicelog.drill.proposals import Kind, write_overlay
from voicelog.drill.scoring import listeners_of
from voicelog.drill.truth import CAUTION, drills_in
from voicelog.drill.work import workers
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console


def run(arguments: argparse.Namespace) -> int:
    """Learn, tell, and write the overlay that was asked for; nothing is applied."""
    from rich.console import Console

    kinds = _kinds(arguments.only)
    drills = drills_in(arguments.folder)
    (listener,) = listeners_of(arguments.listener)
    out: Path | None = arguments.out
    if out is not None and out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UsageError(f"{out} is there already", "name a new folder, so that nothing in force is changed")
    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    notes = Console(stderr=True)
    with workers(jobs_of(arguments, len(drills)), arguments.scheduler) as pool, notes.status("") as status:
        trial = Trial(arguments.folder, drills, listener, pool)
        heard = 0

        def told() -> None:
            nonlocal heard
            heard += 1
            status.update(f"listening: {heard} recordings heard, with and without each proposal")

        trial.told = told
        learned = learn(trial, arguments.grammars, kinds)
    if out is not None and learned.offered:
        _write(learned, grammar, out)
    if arguments.json:
        for one in learned.judged:
            sys.stdout.write(json_line(_row(one)) + "\n")
        return 0
    _print(Console(highlight=False), learned, out, kinds)
    return 0


def _kinds(text: str) -> tuple[Kind, ...]:
    named = tuple(part.strip() for part in text.split(",") if part.strip()) or KINDS
    for name in named:
        if name not in KINDS:
            raise UsageError(f"--only knows no {name!r}", f"choose of {', '.join(KINDS)}")
    return cast(tuple[Kind, ...], named)


def _write(learned: Learned, grammar: Grammar, out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
        notes = {one.proposal: f"held out: {one.held_out}" for one in learned.offered}
        write_overlay([one.proposal for one in learned.offered], grammar, out, notes)
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}", "name another folder with --out") from error


def _row(one: Judged) -> dict[str, object]:
    held_out, everywhere = (
        {"callouts": found.callouts, "exact": list(found.exact), "wrong": list(found.wrong)}
        for found in (one.held_out, one.everywhere)
    )
    return {
        "kind": one.proposal.kind,
        "name": list(one.proposal.name),
        "value": "" if one.proposal.kind == "adaptation" else one.proposal.value,
        "evidence": one.proposal.evidence,
        "held_out": held_out,
        "everywhere": everywhere,
        "offered": one.offered,
        "reason": one.reason,
    }


def _print(console: Console, learned: Learned, out: Path | None, kinds: tuple[Kind, ...]) -> None:
    if not learned.judged:
        console.print("These drills suggest nothing: no word, name or pair failed twice in a way that could be mended.")
    for one in learned.judged:
        sign, style = ("●", "green") if one.offered else ("○", "dim")
        console.print(f"{sign} {printable(str(one.proposal))}", style=style, markup=False)
        console.print(f"    Why: {printable(one.proposal.evidence)}.", markup=False)
        console.print(f"    Held out: {one.held_out}.", markup=False)
        if one.reason:
            console.print(f"    Not offered: {one.reason}.", markup=False)
    if learned.together:
        console.print(f"\nAll that is offered, together, on all recordings: {learned.together}.", markup=False)
    if not is_available().ready and "adaptation" in kinds:
        tools = is_available()
        console.print(f"The acoustic model was not adapted: {tools.detail} ({tools.hint}).", markup=False)
    parted = "speaker" if learned.by_speaker else "recording, as the same people speak in several"
    told = f"Held out in {learned.folds} parts by {parted}; an adaptation always by recording. Nothing was changed."
    console.print(told, markup=False)
    if learned.offered and out is None:
        console.print("Next: write it as an overlay to review with --out NEW.")
    elif learned.offered:
        shown = printable(str(out))
        console.print(
            f"Next: read {shown}/learned.toml and learned.dict, then voicelog grammar check --grammars {shown}, and "
            f"voicelog drill report DIR --grammars {shown} --against DIR.",
            markup=False,
        )
    console.print(CAUTION, style="dim")
