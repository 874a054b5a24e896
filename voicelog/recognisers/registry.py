"""The recognisers by name; a module is imported only when it is asked for."""

from __future__ import annotations

import importlib
from typing import cast

from voicelog.recognisers.base import RecogniserModule

FOR_AUDIO = ("sphinx",)
"""Names that ``--listener`` takes, the preferred one first."""
ALL = (*FOR_AUDIO, "script")


def recogniser(name: str) -> RecogniserModule:
    """The module of a recogniser, by one of the names in ALL."""
    if name not in ALL:
        raise ValueError(f"no recogniser is called {name!r}")
    return cast(RecogniserModule, importlib.import_module(f"voicelog.recognisers.{name}"))
