"""``voicelog drill make``: scripts to recordings with their truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from voicelog.commands.rules import tell_refused
from voicelog.drill.make import conditions_of, make, named_script, shipped_scripts
from voicelog.drill.truth import CAUTION, Truth
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.views.plain import json_line


def run(arguments: argparse.Namespace) -> int:
    """Make every script under every combination of voices, noises and SNRs."""
    from rich.console import Console
    from rich.progress import track

    named = list(shipped_scripts()) if arguments.scripts == ["all"] else arguments.scripts
    scripts = [named_script(name) for name in dict.fromkeys(named)]
    chosen = conditions_of(_parts(arguments.voices), _parts(arguments.noise), _snrs(arguments.snr))
    if arguments.seed is not None and arguments.seed < 0:
        raise UsageError(f"--seed {arguments.seed} is below 0", "give a whole number of 0 or more")
    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    plan = [(name, script, conditions) for name, script in scripts for conditions in chosen]
    out: Path = arguments.out
    console, shown = Console(highlight=False, soft_wrap=True), sys.stderr.isatty() and not arguments.json
    steps = track(plan, "speaking", console=Console(stderr=True), transient=True, disable=not shown)
    made: list[Truth] = []
    for name, script, conditions in steps:
        truth = make(name, script, conditions, grammar, out, arguments.format, arguments.seed)
        made.append(truth)
        if arguments.json:
            sys.stdout.write(json_line({**vars(truth), "lines": len(truth.lines)}) + "\n")
        else:
            console.print(f"{out / truth.recording}  {_said(truth)}", markup=False)
    if not arguments.json:
        minutes = sum(truth.length_s for truth in made) / 60
        console.print(f"\n{len(made)} drills, {minutes:.1f} minutes. Next: voicelog drill report {out}", markup=False)
        console.print(CAUTION, style="dim")
    return 0


def _said(truth: Truth) -> str:
    minutes, seconds = divmod(round(truth.length_s), 60)
    callouts = sum(line.kind != "talk" for line in truth.lines)
    noise = truth.noise if truth.snr_db is None else f"{truth.noise} {truth.snr_db:g} dB"
    return f"{minutes}:{seconds:02}  {callouts} callouts  {noise}"


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _snrs(text: str) -> list[float]:
    try:
        found = [float(part) for part in _parts(text)]
    except ValueError:
        found = [float("nan")]
    if not all(-40 <= snr <= 80 for snr in found):
        raise UsageError(f"--snr {text!r} is no list of decibels", "write it like --snr 20,10,5")
    return found
