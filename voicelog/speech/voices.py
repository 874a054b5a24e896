"""The voice of the read-backs: the best one installed here, or none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from voicelog.drill import voices as synthetic
from voicelog.drill.script import DrillError
from voicelog.errors import AudioError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PREFERRED = ("hibari", "espeak-us")
"""Voices tried when none is named, the best first."""
MUTE = "none"
"""Name of no voice."""
_SPEECH_RMS = 0.12
_PEAK = 0.95
_HINT = "Install one: pip install 'voicelog[live]', or the program espeak-ng; or go without: --mute."


class Voice(Protocol):
    """Turns words into sound."""

    @property
    def name(self) -> str:
        """Its name, for the doctor and the case file."""

    def render(self, text: str) -> tuple[NDArray[np.int16], int]:
        """Mono samples and their rate in Hz; no samples for nothing to say.

        Raises:
            AudioError: the voice cannot say it.
        """


class SilentVoice:
    """Says nothing (``--mute``)."""

    name = MUTE
    """Name of no voice."""

    def render(self, text: str) -> tuple[NDArray[np.int16], int]:
        """No samples, for any text."""
        import numpy as np

        return np.zeros(0, dtype=np.int16), SAMPLE_RATE


@dataclass(frozen=True)
class SpokenVoice:
    """One of the synthetic voices of ``voicelog.drill.voices``, at one level."""

    voice: synthetic.Voice
    """Which one."""

    @property
    def name(self) -> str:
        """Its name."""
        return self.voice.name

    def render(self, text: str) -> tuple[NDArray[np.int16], int]:
        """The words at the voice's own rate, active speech at -18 dBFS.

        Raises:
            AudioError: the voice is not installed, or gave no sound for words.
        """
        import numpy as np

        if not text.strip():
            return np.zeros(0, dtype=np.int16), SAMPLE_RATE
        try:
            raw, rate = self.voice.synthesise(synthetic.said_as(text, self.voice.say_as), 1.0)
        except DrillError as error:
            raise AudioError(f"the voice {self.name} does not speak: {error.message}", _HINT) from error
        except Exception as error:  # an engine may raise anything, and a session must go on and tell
            raise AudioError(f"the voice {self.name} failed: {error}", _HINT) from error
        # An engine may begin with a third of a second of silence: the crew would wait for it.
        signal = synthetic.trimmed(raw)
        level = synthetic.active_rms(signal)
        if level == 0:
            raise AudioError(f"the voice {self.name} gave no sound for what it had to say", _HINT)
        gain = min(_SPEECH_RMS / level, _PEAK / float(np.abs(signal).max()))
        return np.round(signal * gain * 32767).astype(np.int16), rate


def open_voice(name: str | None = None) -> Voice:
    """The voice of that name (any of ``voicelog.drill.voices``, or "none"), loaded; None for the best that works here.

    Raises:
        AudioError: no such voice, it does not work here, or none does.
    """
    if name == MUTE:
        return SilentVoice()
    if name is not None:
        try:
            chosen = SpokenVoice(synthetic.voice(name))
        except DrillError as error:
            raise AudioError(error.message, error.hint) from error
        chosen.render("ready")
        return chosen
    reasons = []
    for candidate in PREFERRED:
        try:
            return open_voice(candidate)
        except AudioError as error:
            reasons.append(error.message)
    raise AudioError(f"no voice works here: {'; '.join(reasons)}", _HINT)
