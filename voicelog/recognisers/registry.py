"""The recognisers by name; a module is imported only when it is asked for."""

from __future__ import annotations

import importlib
from typing import cast

from voicelog.recognisers.base import RecogniserModule

FOR_AUDIO = ("sphinx", "vosk", "pair", "trio")
"""Names that ``--listener`` takes."""
ALL = (*FOR_AUDIO, "moonshine", "whisper", "script")
"""Every recogniser; free text never enters anything by itself, so no command listens with moonshine or whisper."""
BUILT_IN = frozenset({"sphinx", "script"})
"""Those that a plain install must have."""


def preferred() -> str:
    """The best recogniser that can run here: three listeners before two before one, a user's own model before ours."""
    return next(
        name for name in ("trio", "pair", "vosk", "sphinx") if name == "sphinx" or recogniser(name).is_available().ready
    )


def recogniser(name: str) -> RecogniserModule:
    """The module of a recogniser, by one of the names in ALL."""
    if name not in ALL:
        raise ValueError(f"no recogniser is called {name!r}")
    return cast(RecogniserModule, importlib.import_module(f"voicelog.recognisers.{name}"))
