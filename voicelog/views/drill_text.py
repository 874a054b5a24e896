"""The debrief of scored drills for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from voicelog.drill.debrief import Weight, findings, headline
from voicelog.drill.judge import OUTCOMES
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from voicelog.drill.scoring import Scored

SAID = {
    "exact": "entered as said",
    "asked": "asked about",
    "missed": "not noticed, or a part left out",
    "rejected": "heard, not entered",
    "wrong": "entered WRONG, nobody asked",
}
SHORT = ("exact", "asked", "miss", "rej", "wrong")
"""Heads of columns, one for each of OUTCOMES."""
_SIGNS: Mapping[Weight, tuple[str, str]] = {"stop": ("✕", "bold red"), "look": ("▲", "yellow"), "know": ("○", "dim")}
_WORST = 8


def print_debrief(console: Console, scored: Scored) -> None:
    """Print what a trainer tells the crew: headline, outcomes, what to do, where it was hard."""
    from rich.text import Text

    data = scored.figures
    console.print(Text(printable(headline(scored)), style="bold"))
    console.print()
    if data["callouts"]:
        console.print(_outcomes(data))
    for finding in findings(scored):
        sign, style = _SIGNS[finding.weight]
        console.print(Text.assemble((f"{sign} ", style), printable(finding.what)))
        for example in finding.examples:
            console.print(Text(f"    {printable(example)}", style="dim"))
        console.print(Text(f"    Do: {printable(finding.todo)}"))
    console.print()
    if data["callouts"]:
        console.print(_groups(data))
        console.print(_fields(data))
        console.print(_figures_line(data), markup=False)
        console.print()


def _outcomes(data: Mapping[str, Any]) -> Table:
    table = plain_table("", "callouts", "share", "95% interval")
    for outcome in OUTCOMES:
        low, high = data["intervals"][outcome]
        count = data["outcomes"][outcome]
        within = f"{100 * low:.0f} to {100 * high:.0f}%"
        style = "bold red" if outcome == "wrong" and count else None
        table.add_row(SAID[outcome], str(count), f"{100 * data['shares'][outcome]:.0f}%", within, style=style)
    return table


def _groups(data: Mapping[str, Any]) -> Table:
    table = plain_table("where and who", "n", *SHORT, "exact %")
    for name in ("by_snr", "by_noise", "by_speaker", "by_drill"):
        rows = list(data[name].items())
        if name == "by_drill":
            rows = sorted(rows, key=lambda row: row[1]["shares"]["exact"])[:_WORST]
        for number, (group, one) in enumerate(rows, 1):
            low, high = one["intervals"]["exact"]
            counts = [str(one["outcomes"][outcome]) for outcome in OUTCOMES]
            within = f"{100 * low:.0f}-{100 * high:.0f}"
            last = number == len(rows)
            table.add_row(printable(group), str(one["callouts"]), *counts, within, end_section=last)
    return table


def _fields(data: Mapping[str, Any]) -> Table:
    table = plain_table("values said", "said", "right", "wrong", "not entered")
    for group, one in data["fields"].items():
        if one["said"]:
            counts = [str(one[name]) for name in ("said", "right", "wrong", "absent")]
            table.add_row(group, *counts, style="yellow" if one["wrong"] else None)
    return table


def _figures_line(data: Mapping[str, Any]) -> str:
    low, high = data["wer_interval"]
    delay = data["delay"]
    return (
        f"Words wrong {100 * data['wer']:.1f}% ({100 * low:.1f} to {100 * high:.1f}%). False entries"
        f" {data['false_per_hour']:.1f} an hour of {60 * data['hours']:.1f} min. From the last word to the entry"
        f" {delay['p50_s']:.1f} s, 95% within {delay['p95_s']:.1f} s, as if live on this"
        " machine with what else ran; to measure it, score on a quiet one with --jobs 1."
    )


def plain_table(first: str, *others: str) -> Table:
    """A table for a terminal: the first column to the left, the others to the right."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(first, no_wrap=True, overflow="ellipsis")
    for name in others:
        table.add_column(name, justify="right")
    return table
