"""What is said, and doubted, when the sound itself is bad: heard is not the same as heard well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from voicelog.parse.agreement import HARD_TO_HEAR
from voicelog.parse.result import ParseResult

if TYPE_CHECKING:
    from voicelog.audio.quality import Fault

_SAID: dict[Fault, str] = {
    "noisy": "Too noisy, I cannot hear you well. Come closer.",
    "clipped": "Too loud, the sound is distorted. Move the microphone away.",
    "too_soft": "Too soft. Come closer to the microphone.",
    "narrow_band": "The sound is thin, as on a telephone. Numbers may be misheard.",
}
AGAIN = timedelta(minutes=2)
"""How long a fault is not spoken of again: a voice that nags is switched off."""


def doubted(result: ParseResult, faults: Sequence[Fault]) -> ParseResult:
    """The result marked ``hard_to_hear``, where one listener alone heard it in bad sound."""
    return replace(result, marks=(*result.marks, HARD_TO_HEAR)) if faults else result


def notice(faults: Sequence[Fault], at: datetime, told: Mapping[Fault, datetime]) -> tuple[Fault, str] | None:
    """The worst fault that was not spoken of lately, and what to say of it.

    Args:
        faults: of one utterance, the worst first.
        at: when it was heard.
        told: when each fault was spoken of last.
    """
    new = (fault for fault in faults if fault not in told or at - told[fault] >= AGAIN)
    fault = next(new, None)
    return (fault, _SAID[fault]) if fault else None
