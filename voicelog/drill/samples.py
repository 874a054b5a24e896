"""Remakes the recordings of the shipped samples: ``python -m voicelog.drill.samples [--out DIR]``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from voicelog.drill.render import Rendering, render, write_recording
from voicelog.drill.script import DrillError, read_script
from voicelog.errors import VoicelogError

NAMES = ("asthma", "anaphylaxis", "seizure", "overdose")
"""The shipped samples: each a script, a recording and an expected record of that name."""


def samples_dir() -> Path:
    """The folder of shipped samples: inside an installed package, else beside it in a checkout.

    Raises:
        DrillError: neither is there.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_data" / "samples", package.parent / "samples"):
        if folder.is_dir():
            return folder
    raise DrillError("the folder of samples is missing", "Install voicelog again, or run it from a whole checkout.")


def remake(name: str, out: Path) -> Rendering:
    """Render the shipped script of that name and write ``<name>.flac`` into ``out``.

    Raises:
        DrillError: the script, a voice or the folder cannot be used.
    """
    script = read_script(samples_dir() / f"{name}.toml")
    rendering = render(script)
    write_recording(rendering, script, out / f"{name}.flac")
    return rendering


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line; returns 0, or 2 with one line on standard error when something is missing."""
    from rich.console import Console

    parser = argparse.ArgumentParser(prog="python -m voicelog.drill.samples", description="Remake the shipped samples.")
    parser.add_argument("--out", type=Path, help="folder to write to; default: the folder of the samples")
    options = parser.parse_args(arguments)
    try:
        out = options.out or samples_dir()
        for name in NAMES:
            rendering = remake(name, out)
            size = (out / f"{name}.flac").stat().st_size
            shown = (
                f"{name}.flac  {rendering.samples.size / 16_000:.1f} s  {size:,} bytes  SNR {rendering.snr_db:.1f} dB"
            )
            Console(soft_wrap=True).print(shown, markup=False, highlight=False)
    except VoicelogError as error:
        Console(stderr=True, soft_wrap=True).print(f"{error.message}\n{error.hint}", markup=False, highlight=False)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
