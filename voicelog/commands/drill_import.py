"""``voicelog drill import``: an existing recording with its transcript becomes a drill."""

from __future__ import annotations

import argparse

from voicelog.commands.drill_record import labels
from voicelog.commands.rules import tell_refused
from voicelog.drill.importing import bring_in
from voicelog.drill.truth import CAUTION
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar


def run(arguments: argparse.Namespace) -> int:
    """Bring a recording in; 1 when the grammar does not understand a callout of it."""
    from rich.console import Console

    if not arguments.consent.strip():
        raise UsageError("--consent is empty", "say what the speakers agreed to, such as: agreed to training use")
    who = labels(arguments.who, None)["lead"]
    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    truth, unknown = bring_in(
        arguments.audio, arguments.transcript, who, arguments.conditions, arguments.consent, grammar, arguments.out
    )
    console = Console(highlight=False, soft_wrap=True)
    callouts = sum(line.kind != "talk" for line in truth.lines)
    speech = "no speech" if truth.snr_db is None else f"speech {truth.snr_db:.0f} dB over the noise"
    console.print(f"{arguments.out / truth.recording}: {callouts} callouts, {speech}", markup=False)
    for say in unknown:
        console.print(f"▲ the grammar does not understand “{say}”: nothing is expected of it", markup=False)
    if unknown:
        console.print(
            "    Do: write behind it what it means: keta fifty milligrams i v => ketamine fifty milligrams i v"
        )
    console.print(f"Next: voicelog drill report {arguments.out}", markup=False)
    console.print(CAUTION, style="dim")
    return 1 if unknown else 0
