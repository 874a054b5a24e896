"""``voicelog drill scripts``: the scripts that come with voicelog."""

from __future__ import annotations

import argparse
import sys

from voicelog.drill.make import shipped_scripts
from voicelog.drill.script import read_script
from voicelog.views.plain import json_line


def run(arguments: argparse.Namespace) -> int:
    """List them: name, title, callouts, what the case is."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table

    table = Table("name", "callouts", "the invented case", box=SIMPLE_HEAD, pad_edge=False)
    for name, path in shipped_scripts().items():
        script = read_script(path)
        callouts = sum(line.kind != "talk" for line in script.lines)
        if arguments.json:
            told = {"name": name, "title": script.title, "case": script.patient, "callouts": callouts}
            sys.stdout.write(json_line(told) + "\n")
        table.add_row(name, str(callouts), f"{script.title}. {script.patient}")
    if not arguments.json:
        Console(highlight=False).print(table)
    return 0
