"""The arguments of ``voicelog drill``: the trainer's actions, each a command of its own."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

Command = Callable[..., argparse.ArgumentParser]
"""Adds a command: (its parent's commands, name, text, examples) to its parser."""

Overlays = Callable[..., None]
"""Adds ``--grammars`` to a parser, and ``--json`` unless ``lines=False`` is given."""

EXAMPLES = (
    "voicelog drill make calm_chest_pain hectic_arrest --out drills\n"
    "  voicelog drill report drills\n"
    "  voicelog drill score drills --listeners sphinx,pair --require exact=0.95,wrong=0.001"
)


def add_drill(commands: Any, command: Command, overlays: Overlays) -> None:
    """Add ``drill`` and its actions.

    Args:
        commands: of the whole command line.
        command: as above.
        overlays: as above.
    """
    drill = command(commands, "drill", "make or record drills, score how they are heard, learn from them", EXAMPLES)
    actions = drill.add_subparsers(dest="action", metavar="ACTION", required=True, parser_class=type(drill))
    _make(actions, command, overlays)
    _record(actions, command, overlays)
    _import(actions, command, overlays)
    _score(actions, command, overlays)
    _report(actions, command, overlays)
    _learn(actions, command, overlays)


def _make(actions: Any, command: Command, overlays: Overlays) -> None:
    make = command(
        actions,
        "make",
        "speak scripts with synthetic voices in noise, the truth beside each recording",
        "voicelog drill make calm_chest_pain hectic_arrest --out drills\n"
        "  voicelog drill make teens_and_tens_doses --out drills --voices hibari,joe,flite-slt@1.2 --snr 20,10,5\n"
        "  voicelog drill make mine.toml --out drills --noise cabin.wav,none",
    )
    make.add_argument(
        "scripts", nargs="+", metavar="SCRIPT", help="a shipped script, all of them (all), or a TOML file"
    )
    make.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to; made if need be")
    make.add_argument(
        "--voices",
        metavar="V,V",
        default="",
        help="voices; each leads once, the next one is the second; NAME@1.2 is a fifth faster (default: the script's)",
    )
    make.add_argument(
        "--noise",
        metavar="N,N",
        default="",
        help="none, a synthetic sound, or a recording of your own cabin (default: the script's)",
    )
    make.add_argument("--snr", metavar="DB,DB", default="", help="speech over noise in dB (default: the script's)")
    make.add_argument("--seed", type=int, metavar="N", help="of the noise (default: the script's)")
    make.add_argument("--format", choices=["flac", "wav"], default="flac", help="of the recordings (%(default)s)")
    overlays(make)
    make.set_defaults(module="drill_make")
    scripts = command(actions, "scripts", "the scripts that come with voicelog", "voicelog drill scripts")
    scripts.add_argument("--json", action="store_true", help="one JSON object a line")
    scripts.set_defaults(module="drill_scripts")


def _record(actions: Any, command: Command, overlays: Overlays) -> None:
    record = command(
        actions,
        "record",
        "record your crew saying a script, prompted line by line; each take is checked and can be repeated",
        "voicelog drill record calm_asthma --out drills --who crew1\n"
        "  voicelog drill record hectic_arrest --out drills --who blue --second red --conditions 'cabin, engine on'",
    )
    record.add_argument("script", metavar="SCRIPT", help="a shipped script, or a TOML file")
    record.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to; made if need be")
    record.add_argument("--who", required=True, metavar="LABEL", help="who speaks: any label, no name is needed")
    record.add_argument("--second", metavar="LABEL", help="who speaks the lines of the second (default: the same)")
    record.add_argument(
        "--speaker", choices=["lead", "second", "both"], default="both", help="whose lines to record (%(default)s)"
    )
    record.add_argument("--device", metavar="IN", help="microphone by name or number (default: the system's)")
    _conditions(record)
    overlays(record, lines=False)
    record.set_defaults(module="drill_record")


def _import(actions: Any, command: Command, overlays: Overlays) -> None:
    imported = command(
        actions,
        "import",
        "bring in a recording that exists, with a transcript: a line of text for each callout",
        "voicelog drill import shift.wav shift.txt --out drills --who crew1 --consent 'agreed to training use'",
    )
    imported.add_argument("audio", type=Path, metavar="AUDIO", help="WAV, FLAC or Ogg, any rate and channels")
    text = "words of each callout; before them the second (12.5 or 12.5-14) and the label (anna:) if you like, or - for"
    text += " talk; behind them => and the callout in words of the grammar, where the crew's own are not in it"
    imported.add_argument("transcript", type=Path, metavar="TEXT", help=text)
    imported.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to; made if need be")
    imported.add_argument("--who", required=True, metavar="LABEL", help="who speaks where a line does not say")
    imported.add_argument("--consent", required=True, metavar="TEXT", help="what the speakers agreed to")
    _conditions(imported)
    overlays(imported, lines=False)
    imported.set_defaults(module="drill_import")


def _conditions(parser: argparse.ArgumentParser) -> None:
    text = "where and how, in short; results are grouped by it (%(default)s)"
    parser.add_argument("--conditions", default="as recorded", metavar="TEXT", help=text)


def _score(actions: Any, command: Command, overlays: Overlays) -> None:
    score = command(
        actions,
        "score",
        "hear every drill of a folder and say what became of each callout",
        "voicelog drill score drills\n  voicelog drill score drills --listeners sphinx,pair\n"
        "  voicelog drill score drills --require exact=0.95,wrong=0.001\n"
        "  voicelog drill score drills --scheduler tcp://scheduler:8786",
    )
    score.add_argument(
        "--require",
        metavar="M=X,...",
        default="",
        help="exit with 1 unless exact is at least, and wrong, asked, missed, rejected, wer, drug, dose, unit, route, "
        "number, time (shares) or false_per_hour at most this",
    )
    _scoring(score, overlays)
    score.set_defaults(module="drill_score")


def _report(actions: Any, command: Command, overlays: Overlays) -> None:
    report = command(
        actions,
        "report",
        "one page to debrief a crew with: plots, what to do, the worst clips to listen to",
        "voicelog drill report drills\n  voicelog drill report drills --listeners sphinx,pair --out debrief.html\n"
        "  voicelog drill score drills --save before.json\n"
        "  voicelog drill report drills --grammars overlay --against before.json",
    )
    report.add_argument("--out", type=Path, metavar="FILE", help="write the page here (default: report.html in DIR)")
    report.add_argument(
        "--against",
        type=Path,
        metavar="OLD",
        help="compare with the results in this file or folder: did the new grammar, model or microphone help?",
    )
    report.add_argument("--clips", type=int, default=12, metavar="N", help="clips to listen to (%(default)s)")
    _scoring(report, overlays)
    report.set_defaults(module="drill_report")


def _learn(actions: Any, command: Command, overlays: Overlays) -> None:
    learn = command(
        actions,
        "learn",
        "propose ways to say a word, names, pairs and a weight from scored drills, as an overlay to review",
        "voicelog drill learn drills --out proposed\n"
        "  voicelog drill learn drills --out proposed --only pronunciation,alias\n"
        "  voicelog drill score drills --grammars proposed",
    )
    learn.add_argument("folder", type=Path, metavar="DIR", help="folder of drills")
    learn.add_argument("--out", type=Path, metavar="NEW", help="new folder for the overlay (default: only tell)")
    text = "what to look for: pronunciation, alias, pair, garbage, adaptation (default: all); each is heard again"
    learn.add_argument("--only", metavar="A,B", default="", help=text)
    learn.add_argument("--listener", metavar="NAME", default="sphinx", help="recogniser that learns (%(default)s)")
    _workers(learn)
    overlays(learn)
    learn.set_defaults(module="drill_learn")


def _scoring(parser: argparse.ArgumentParser, overlays: Overlays) -> None:
    """What every action takes that hears recordings."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of drills")
    parser.add_argument(
        "--listeners",
        metavar="A,B",
        default="",
        help="recognisers: sphinx, vosk, pair, whisper (default: the first that runs here of pair, vosk, sphinx)",
    )
    _workers(parser)
    parser.add_argument("--save", type=Path, metavar="FILE", help="keep the results here too, to compare with later")
    overlays(parser)


def _workers(parser: argparse.ArgumentParser) -> None:
    """Where the recordings are heard."""
    parser.add_argument("--jobs", type=int, metavar="N", help="processes (default: one for each core)")
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        default="",
        help="use the workers of this Dask cluster; they need voicelog, and the recordings travel to them",
    )
