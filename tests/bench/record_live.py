"""Records the board of a real live session over virtual devices: ``python -m tests.bench.record_live CAST CASE``.

The program runs in a terminal of its own and hears spoken callouts, each once the answer to the one before has sounded.
What it shows is written as an asciicast (https://docs.asciinema.org/manual/asciicast/v2/), which public tools make a
picture of; ``samples/README.md`` says how ``samples/live.svg`` was made.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from live_run import PROGRAM, SPHINX, spoken
from pulse import Pulse

COLUMNS, ROWS = 72, 24
ANSWER_S = 20.0
CALLOUTS = (
    ("patient contact", "Patient contact."),
    ("bag valve mask ventilation started", "ventilation started."),
    ("heart rate one thirty two", "Heart rate one three two."),
    ("epinephrine zero point three milligrams intramuscular left thigh", "Confirm?"),
    ("confirm", "Confirmed: epinephrine"),
    ("heart rate one eighteen", "Heart rate one one eight."),
    ("correction one hundred and twelve", "Corrected: heart rate one one two."),
    ("saturation ninety one", "Saturation nine one"),
    ("albuterol two point five milligrams nebulized", "Confirm?"),
    ("end of case", "End the case?"),
    ("confirm", "case file"),
)
"""What is said, and words of the answer to wait for."""


class Terminal:
    """A program in a terminal, and what it shows with its times."""

    def __init__(self, command: list[str], environment: dict[str, str]) -> None:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self._begin = time.monotonic()
        self.process = subprocess.Popen(command, env=environment, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        self.shown: list[tuple[float, str]] = []
        """Seconds since the start, and what was written then."""

    def watch(self, seconds: float, words: str = "") -> bool:
        """Take what is shown for so long, or until the words are shown; tells whether they were."""
        end, found = time.monotonic() + seconds, ""
        while time.monotonic() < end:
            if not select.select([self._ours], [], [], 0.1)[0]:
                continue
            try:
                text = os.read(self._ours, 65536).decode("utf-8", "replace")
            except OSError:  # the program has ended
                return words in found
            self.shown.append((time.monotonic() - self._begin, text))
            found += text
            if words and words in " ".join(found.split()):
                return True
        return False

    def cast(self) -> str:
        """As an asciicast of version 2."""
        header = {"version": 2, "width": COLUMNS, "height": ROWS, "title": "voicelog listen"}
        return "".join(json.dumps(line) + "\n" for line in [header, *([at, "o", text] for at, text in self.shown)])


def session(pulse: Pulse, case: Path) -> Terminal:
    """One case, spoken and answered."""
    environment = {**os.environ, **pulse.environment, "TERM": "xterm-256color"}
    terminal = Terminal([PROGRAM, "listen", "--case", str(case), *SPHINX], environment)
    if not terminal.watch(60, "LISTENING"):
        raise SystemExit("it does not listen")
    terminal.watch(2)
    for text, answer in CALLOUTS:
        pulse.play(spoken(text), latency_ms=2000)
        if not terminal.watch(ANSWER_S, answer):
            raise SystemExit(f"no answer to {text!r}: {terminal.shown[-3:]}")
        # Until the read-back has sounded: over a loudspeaker what is said meanwhile is flagged.
        terminal.watch(9 if answer.endswith("?") else 2 + len(answer) / 10)
    terminal.process.wait(30)
    return terminal


def main() -> None:
    """Record a session and its case into the files that are named; the case must be new."""
    out, case = map(Path, sys.argv[1:])
    with tempfile.TemporaryDirectory(prefix="p") as folder:
        pulse = Pulse(Path(folder))
        try:
            pulse.start()
            out.write_text(session(pulse, case).cast())
        finally:
            pulse.close()


if __name__ == "__main__":
    main()
