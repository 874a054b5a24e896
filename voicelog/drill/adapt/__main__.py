"""The steps of an adaptation: ``python -m voicelog.drill.adapt data|convert --help``; training is ``.train``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from voicelog.drill.adapt.config import SHIPPED, read_config
from voicelog.drill.adapt.convert import convert
from voicelog.drill.adapt.data import make_data
from voicelog.errors import VoicelogError

_EXAMPLES = """examples:
  python -m voicelog.drill.adapt data --model MODEL --out data
  python -m voicelog.drill.adapt.train --data data --out seed1 --seed 1
  python -m voicelog.drill.adapt convert --model MODEL --out models/adapted seed1 seed2 seed3
MODEL is a Whisper model as CTranslate2 converts it, with its tokenizer.json and vocabulary.txt."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one step; 0, or 2 when it cannot be done with what is here."""
    parser = argparse.ArgumentParser(
        prog="python -m voicelog.drill.adapt",
        description=__doc__,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    steps = parser.add_subparsers(dest="step", required=True)
    data = steps.add_parser("data", help="make lines, speech and start weights")
    made = steps.add_parser("convert", help="make a model out of what the training wrote")
    made.add_argument("trained", type=Path, nargs="+", help="folders that the training wrote; averaged")
    for step in (data, made):
        step.add_argument("--model", type=Path, required=True, help="directory of the model to start from")
        step.add_argument("--out", type=Path, required=True, help="folder to write")
        step.add_argument("--config", type=Path, default=SHIPPED, help="config file (%(default)s)")
    options = parser.parse_args(arguments)
    notes = Console(stderr=True)
    try:
        config = read_config(options.config)
        if options.step == "data":
            make_data(config, options.model, options.out, notes)
        else:
            convert(options.model, options.trained, config.keep, options.out)
    except VoicelogError as error:
        notes.print(f"{error.message}. {error.hint}", markup=False, highlight=False, soft_wrap=True)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
