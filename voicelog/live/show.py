"""How a live session is shown: the board on a terminal, a line for each happening elsewhere, or JSON."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.state import CaseState
from voicelog.views.board import LiveStatus, board
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console
    from rich.live import Live

_EVERY_S = 0.25
_SPOKEN = {"read_back", "question", "notice"}


class Show(Protocol):
    """Where a session shows what happens."""

    def entered(self, entries: Sequence[EntryDraft]) -> None:
        """What one utterance led to."""

    def happened(self, kind: str, at: datetime, text: str) -> None:
        """Something about the session itself, such as ``deaf``."""

    def refresh(self, state: Callable[[], CaseState], status: Callable[[], LiveStatus]) -> None:
        """Called often; shows how things are, if that is shown."""

    def close(self) -> None:
        """Leave the terminal as it was."""


class JsonLines:
    """One JSON object a line."""

    def entered(self, entries: Sequence[EntryDraft]) -> None:
        """See ``Show``."""
        for entry in entries:
            self._write({"type": entry.type, "at": entry.at.isoformat(), **shown_body(entry)})

    def happened(self, kind: str, at: datetime, text: str) -> None:
        """See ``Show``."""
        self._write({"type": kind, "at": at.isoformat(), "text": text})

    def refresh(self, state: Callable[[], CaseState], status: Callable[[], LiveStatus]) -> None:
        """Nothing: only what happens is told."""

    def close(self) -> None:
        """Nothing to leave."""

    def _write(self, fields: dict[str, Any]) -> None:
        sys.stdout.write(json_line(fields) + "\n")
        sys.stdout.flush()


class PlainLines:
    """One line for each happening."""

    def entered(self, entries: Sequence[EntryDraft]) -> None:
        """See ``Show``."""
        for entry in entries:
            if entry.type == "utterance" and (words := words_of_entry(entry)):
                self._write(entry.at, "heard", words)
            elif entry.type in _SPOKEN:
                self._write(entry.at, "says", str(entry.body["text"]))
            elif entry.type == "not_understood":
                self._write(entry.at, "left", str(entry.body["reason"]))

    def happened(self, kind: str, at: datetime, text: str) -> None:
        """See ``Show``."""
        self._write(at, kind, text)

    def refresh(self, state: Callable[[], CaseState], status: Callable[[], LiveStatus]) -> None:
        """Nothing: only what happens is told."""

    def close(self) -> None:
        """Nothing to leave."""

    def _write(self, at: datetime, kind: str, text: str) -> None:
        sys.stdout.write(f"{at.strftime('%H:%M:%S')}  {kind:<9}  {printable(text)}\n")
        sys.stdout.flush()


class BoardScreen:
    """The board, redrawn in its place four times a second."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live: Live | None = None
        self._state: CaseState = CaseState()
        self._changed = True
        self._next = 0.0

    def entered(self, entries: Sequence[EntryDraft]) -> None:
        """See ``Show``."""
        self._changed = True

    def happened(self, kind: str, at: datetime, text: str) -> None:
        """See ``Show``; the board itself tells how things are, and what happened stands above it."""
        from rich.text import Text

        self._changed = True
        self._console.print(Text(f"{at.strftime('%H:%M:%S')}  {printable(text)}", "dim"), soft_wrap=True)

    def refresh(self, state: Callable[[], CaseState], status: Callable[[], LiveStatus]) -> None:
        """See ``Show``."""
        now = time.monotonic()
        if now < self._next:
            return
        self._next = now + _EVERY_S
        if self._changed:
            self._state, self._changed = state(), False
        picture = board(self._state, status(), self._console.width)
        if self._live is None:
            from rich.live import Live

            self._live = Live(picture, console=self._console, auto_refresh=False, redirect_stderr=False)
            self._live.start(refresh=True)
        self._live.update(picture, refresh=True)

    def close(self) -> None:
        """See ``Show``; the last board stays on the screen."""
        if self._live is not None:
            self._live.stop()
            self._live = None


def open_show(*, as_json: bool, with_board: bool) -> Show:
    """The way to show a session that fits the output."""
    if as_json:
        return JsonLines()
    if with_board and sys.stdout.isatty():
        from rich.console import Console

        return BoardScreen(Console(highlight=False))
    return PlainLines()


def words_of_entry(entry: EntryDraft) -> str:
    """The words of an utterance as heard, first reading."""
    alternatives = entry.body["alternatives"]
    return " ".join(word["text"] for word in alternatives[0]["words"]) if alternatives else ""


def shown_body(entry: EntryDraft) -> dict[str, Any]:
    """An entry's body for printing: an utterance shows its first reading as text."""
    if entry.type != "utterance":
        return entry.body
    body = {name: value for name, value in entry.body.items() if name not in {"alternatives", "second"}}
    return {**body, "words": words_of_entry(entry)}
