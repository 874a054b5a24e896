"""``voicelog drill record``: prompts a crew through a script and keeps what they say as a drill."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from voicelog.audio.microphone import Microphone
from voicelog.commands.rules import tell_refused
from voicelog.drill.make import named_script
from voicelog.drill.record import (
    ADVICE,
    AGAIN,
    ANSWERS,
    CONSENT,
    KEEP,
    LOUD_FLOOR_DBFS,
    SKIP,
    STOP,
    Take,
    noise_floor,
    takes,
    write_drill,
)
from voicelog.drill.script import Line, Speaker
from voicelog.drill.truth import CAUTION
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console

_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,29}")


def run(arguments: argparse.Namespace) -> int:
    """Record a script; 1 when nothing was kept."""
    from rich.console import Console

    name, script = named_script(arguments.script)
    who = labels(arguments.who, arguments.second)
    grammar = load_grammar(*arguments.grammars)
    tell_refused(grammar.refused)
    lines = [line for line in script.lines if arguments.speaker in ("both", line.speaker)]
    if not lines:
        raise UsageError(f"the script has no line for the {arguments.speaker}", "choose another --speaker")
    console = Console(highlight=False, soft_wrap=True)
    _consent(console)
    started_at = datetime.now(UTC).astimezone()
    kept: list[Take] = []
    try:
        with Microphone(arguments.device) as microphone:
            console.print(f"Microphone: {printable(microphone.device_name)}. Be quiet for a moment ...", markup=False)
            _tell_floor(console, noise_floor(microphone))
            for take in takes(microphone, lines, who, _Screen(console)):
                kept.append(take)
    finally:
        # Also when the microphone is unplugged or the crew is called away: what was kept is kept.
        if kept:
            truth = write_drill(kept, script, name, who, arguments.conditions, grammar, arguments.out, started_at)
            told = f"\n{arguments.out / truth.recording}: {len(kept)} of {len(lines)} lines kept."
            console.print(told, markup=False)
    if not kept:
        console.print("Nothing was kept.")
        return 1
    console.print(f"Next: voicelog drill report {arguments.out}", markup=False)
    console.print(CAUTION, style="dim")
    return 0


def labels(who: str, second: str | None) -> dict[Speaker, str]:
    """The label of each speaker, as chosen; a label is all that is kept of who spoke.

    Raises:
        UsageError: a label that does not fit a file name.
    """
    for label in (who, second):
        if label is not None and not _LABEL.fullmatch(label):
            raise UsageError(f"{label!r} is no label", "use up to 30 letters, digits, blanks, - or _; no name needed")
    return {"lead": who, "second": who if second is None else second}


def _consent(console: Console) -> None:
    console.print(CONSENT)
    if _asked("Type yes if everybody who will be heard agrees: ").lower() != "yes":
        raise UsageError("nobody agreed, so nothing was recorded", "type yes when everybody who will be heard agrees")


def _tell_floor(console: Console, level: float) -> None:
    loud = level > LOUD_FLOOR_DBFS
    said = "loud: that is the noise you will be tested in" if loud else "quiet"
    console.print(f"Noise floor {level:.0f} dB below full scale: {said}.", style="yellow" if loud else None)


class _Screen:
    """Prompts and answers at a terminal."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def prompt(self, number: int, count: int, line: Line, who: str) -> None:
        kind = "talk, not for the record" if line.kind == "talk" else line.kind.replace("_", " ")
        self._console.print(f"\n{number} of {count}  {who}, {kind}. Say:", style="dim", markup=False)
        self._console.print(f"    {line.say}", style="bold", markup=False)
        self._console.file.flush()

    def judge(self, take: Take | None) -> str:
        if take is None:
            self._console.print("  Nobody was heard.", style="yellow")
        else:
            length = take.end_s - take.start_s
            told = f"{length:.1f} s, voice {take.level_dbfs:.0f} dB, {take.snr_db:.0f} dB over the noise"
            self._console.print(f"  {told}", markup=False)
            for fault in take.faults:
                self._console.print(f"  ▲ {ADVICE[fault]}", style="yellow", markup=False)
        return _choice(("Enter keeps it, " if take else "") + "r again, s skip, q end: ", [] if take else [KEEP])


def _choice(question: str, refused: Sequence[str]) -> str:
    meant = {"": KEEP, "r": AGAIN, "s": SKIP, "q": STOP}
    while True:
        answer = meant.get(_asked(question).lower())
        if answer in ANSWERS and answer not in refused:
            return answer


def _asked(question: str) -> str:
    """A line typed at the terminal; the end of input ends the recording."""
    sys.stdout.write(question)
    sys.stdout.flush()
    answer = sys.stdin.readline()
    return answer.strip() if answer else STOP
