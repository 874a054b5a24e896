"""``voicelog replay``: recordings through the whole pipeline as if live."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog import __version__
from voicelog.audio.clock import SampleClock
from voicelog.audio.endpoint import Endpointer, EndpointSettings
from voicelog.audio.source import RecordingInfo, probe, read_blocks
from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.closing import NOT_KEPT
from voicelog.casefile.signing import stated_signer
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.commands.rules import told_protocol
from voicelog.commands.show import case_line, event_line
from voicelog.dialogue.attention import with_attention
from voicelog.errors import AudioError, UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.recognisers.base import SAMPLE_RATE, Listener
from voicelog.recognisers.registry import preferred, recogniser
from voicelog.session import Session, listen_to
from voicelog.views.picture import PICTURE_WIDTH, save_picture
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console

BLOCK_SAMPLES = SAMPLE_RATE // 10
"""Audio goes in as a microphone would give it, a tenth of a second at a time."""
_STREAMED = {"utterance", "read_back", "question", "command", "not_understood", "decision", "gap", "notice", "finding"}


def run(arguments: argparse.Namespace) -> int:
    """Replay each recording into a case file of its own."""
    if len(arguments.audio) > 1 and (arguments.case or arguments.svg):
        option = "--case" if arguments.case else "--svg"
        raise UsageError(f"{option} takes one recording", f"leave out {option}, or replay one recording at a time")
    if arguments.svg and arguments.json:
        raise UsageError("--svg pictures what is printed for people, not --json", "leave out one of the two")
    start = _stated_start(arguments.start)
    recordings = [probe(path) for path in arguments.audio]
    grammar = load_grammar(*arguments.grammars)
    if arguments.attention:
        grammar = with_attention(grammar, arguments.attention)
    listener = recogniser(arguments.listener or preferred()).open(grammar)
    try:
        for info in recordings:
            _Replay(info, grammar, listener, start, arguments).run()
    finally:
        listener.close()
    return 0


def _stated_start(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        start = datetime.fromisoformat(text)
    except ValueError:
        start = None
    if start is None or start.tzinfo is None:
        raise UsageError(f"--start {text!r} is no full time", "write it like 2026-03-04T10:42:00+01:00")
    return start


def case_directory() -> Path:
    """Where case files go that nobody named: ``voicelog/cases`` in the user's data directory (XDG base directories)."""
    base = os.environ.get("XDG_DATA_HOME") or ""
    return (Path(base) if Path(base).is_absolute() else Path.home() / ".local" / "share") / "voicelog" / "cases"


def new_case_path(recording: Path) -> Path:
    """A free name for the case file of a recording, in the user's data directory.

    Raises:
        UsageError: that directory cannot be made.
    """
    directory = case_directory()
    try:
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise UsageError(f"cannot make {directory}: {error.strerror}", "name a case file with --case FILE") from error
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", recording.stem).strip("-") or "case"
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    number = 1
    while (path := directory / f"{stem}-{stamp}-{number}.voicelog").exists():
        number += 1
    return path


class _Replay:
    """One recording on its way into one case file."""

    def __init__(
        self,
        info: RecordingInfo,
        grammar: Grammar,
        listener: Listener,
        start: datetime | None,
        options: argparse.Namespace,
    ) -> None:
        self.info = info
        self.grammar = grammar
        self.listener = listener
        stated = start or info.started_at
        self.stated = stated is not None
        self.clock = SampleClock(stated or datetime.now(UTC).astimezone())
        self.path: Path = options.case or new_case_path(info.path)
        self.as_json: bool = options.json
        self.picture: Path | None = options.svg
        self.attention: str = options.attention
        self.protocol = told_protocol(options.grammars)
        self.sign = stated_signer(options.sign)
        self.kept = NOT_KEPT if options.no_audio else {}

    def run(self) -> None:
        """Replay, print and close.

        Raises:
            AudioError: the recording is damaged inside; what was heard before is entered, the damage as a gap.
        """
        opened = {
            "version": __version__,
            "listener": self.listener.options,
            "grammar_hash": self.grammar.digest,
            "source": self.info.path.name,
            "clock": "stated" if self.stated else "assumed",
            "attention": self.attention,
            "protocol_hash": self.protocol.digest,
            **self.kept,
        }
        with CaseFile.create(self.path, opened, self.clock.at(0)) as case:
            case.sign = self.sign
            session = Session(self.grammar, case, self.listener.name, self.attention, protocol=self.protocol)
            failure = self._play(session)
            end = self.clock.at(int(self.info.duration_s * SAMPLE_RATE))
            self._report(session.close(end))
            state = fold(case.entries())
            head = case.head()
        self._summary(state, head)
        if self.picture:
            save_picture(self._console, f"voicelog replay {self.info.path.name}", self.picture)
        if failure:
            raise failure

    def _play(self, session: Session) -> AudioError | None:
        """Feed the recording; what was heard before a damaged place is kept, and the damage is entered as a gap."""
        self._heading()
        heard_until = self.clock.seconds(0)
        with self._progress() as advance:
            try:
                blocks = _counted(read_blocks(self.info.path, BLOCK_SAMPLES), advance)
                for utterance, at, span in listen_to(blocks, Endpointer(EndpointSettings()), self.listener, self.clock):
                    heard_until = span.end
                    self._report(session.tick(at))
                    self._report(session.hear(utterance, at, span))
            except AudioError as error:
                at = self.clock.at(int(heard_until * SAMPLE_RATE))
                self._report(session.note_gap(heard_until, None, error.message, at))
                return error
        return None

    @contextlib.contextmanager
    def _progress(self) -> Iterator[Any]:
        if self.as_json or not sys.stderr.isatty():
            yield lambda samples: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("listening"), BarColumn(), TextColumn("{task.percentage:>3.0f}%"), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("", total=self.info.duration_s * SAMPLE_RATE)
            yield lambda samples: progress.advance(task, samples)

    def _line(self, fields: dict[str, Any]) -> None:
        sys.stdout.write(json_line({"source": str(self.info.path), **fields}) + "\n")
        sys.stdout.flush()

    @cached_property
    def _console(self) -> Console:
        from rich.console import Console

        return Console(highlight=False, record=self.picture is not None, width=PICTURE_WIDTH if self.picture else None)

    def _heading(self) -> None:
        if self.as_json:
            return
        from rich.text import Text

        console = self._console
        minutes, seconds = divmod(round(self.info.duration_s), 60)
        clock = self.clock.started_at.strftime("%Y-%m-%d %H:%M:%S %z")
        basis = "" if self.stated else " (assumed: the recording does not say when it was made; see --start)"
        name = printable(self.info.path.name)
        console.print(Text.assemble((name, "bold"), f"  {minutes}:{seconds:02}  from {clock}{basis}"), soft_wrap=True)
        console.print()

    def _report(self, entries: list[EntryDraft]) -> None:
        """Print what one utterance led to, as it happens."""
        if self.as_json:
            for entry in entries:
                if entry.type in _STREAMED:
                    self._line({"type": entry.type, "at": entry.at.isoformat(), **_flat(entry)})
            return
        heard = next((entry for entry in entries if entry.type == "utterance"), None)
        said = [e for e in entries if e.type in {"read_back", "question", "notice"}]
        events = any(entry.type == "event" for entry in entries)
        if not said and not events:
            return
        from rich.text import Text

        console = self._console
        if heard:
            words = _flat(heard)["words"]
            console.print(
                Text(f"{heard.at.strftime('%H:%M:%S')}  heard  {printable(words)}", style="dim"), soft_wrap=True
            )
        for entry in said:
            style = "bold yellow" if entry.type != "read_back" or entry.body["text"].endswith("Confirm?") else "bold"
            console.print(Text.assemble("          says   ", (entry.body["text"], style)), soft_wrap=True)

    def _summary(self, state: CaseState, head: str) -> None:
        if self.as_json:
            for recorded in state.events:
                self._line(event_line(recorded))
            self._line({**case_line(state, str(self.path)), "head": head})
            return
        from rich.text import Text

        from voicelog.views.screen import CAUTION
        from voicelog.views.timeline import print_case

        console = self._console
        console.print()
        print_case(console, state)
        console.print()
        console.print(Text.assemble("case file ", (printable(str(self.path)), "bold")), soft_wrap=True)
        console.print(Text.assemble("head      ", (head, "dim")), soft_wrap=True)
        console.print(Text(CAUTION, style="dim"))
        console.print()


def _counted(blocks: Iterator[Any], advance: Any) -> Iterator[Any]:
    for block in blocks:
        yield block
        advance(len(block))


def _flat(entry: EntryDraft) -> dict[str, Any]:
    """An entry's body for printing: an utterance shows its first reading as text."""
    if entry.type != "utterance":
        return entry.body
    body = {name: value for name, value in entry.body.items() if name != "alternatives"}
    alternatives = entry.body["alternatives"]
    words = " ".join(word["text"] for word in alternatives[0]["words"]) if alternatives else ""
    return {**body, "words": words}
