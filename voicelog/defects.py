"""What is told of a defect of voicelog itself: what and where, never what was said."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from traceback import walk_tb

from voicelog.errors import VoicelogError

_HINT = "hint: What was entered is in the case file. Report the line above; it quotes nothing that anybody said."


def told(error: BaseException | None) -> tuple[str, str]:
    """The line and the hint for an error that nobody foresaw."""
    return f"voicelog: a defect of voicelog: {place_of(error)}", _HINT


def place_of(error: BaseException | None) -> str:
    """What an error is and where it came up; its message only if voicelog wrote it, for another may quote a patient."""
    if isinstance(error, VoicelogError):
        return error.message
    frames = walk_tb(error.__traceback__) if error else ()
    names = [(str(frame.f_globals.get("__name__", "")), line) for frame, line in frames]
    ours = [f"{name}, line {line}" for name, line in names if name.startswith("voicelog.")]
    return type(error).__name__ + (f" in {ours[-1]}" if ours else "")


@contextmanager
def told_threads(complain: Callable[..., None]) -> Iterator[None]:
    """Tells a defect in a thread in the same way, in place of the traceback that Python would print."""
    before = threading.excepthook
    threading.excepthook = lambda failed: complain(*told(failed.exc_value))
    try:
        yield
    finally:
        threading.excepthook = before
