"""The second listener: free text from a small model, never primed, to vouch for what another one heard."""

from __future__ import annotations

from voicelog.grammar.model import Grammar
from voicelog.recognisers import moonshine, whisper
from voicelog.recognisers.base import Availability
from voicelog.recognisers.free import FreeListener


def is_available() -> Availability:
    """Whether a model that may vouch can run here. Never raises, never downloads."""
    found = moonshine.is_available()
    return found if found.ready else whisper.is_available()


def open(grammar: Grammar) -> FreeListener:
    """Open a Moonshine model where there is one, which shares nothing with the adapted listener; else a Whisper model.

    Args:
        grammar: what may be said.

    Raises:
        RecogniserError: no model can run here.
    """
    return moonshine.open(grammar) if moonshine.is_available().ready else whisper.open(grammar)
