"""Gives memory that is free inside the process back to the system: a session may last twelve hours."""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any


def give_back() -> None:
    """Hand back what the C library keeps for later; nothing happens where it is not glibc.

    The recognisers take and free large blocks from several threads, and glibc keeps what lies free between them: after
    48 utterances of three listeners 90 MB were given back at once.
    """
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> Any:
    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError):
        return None
