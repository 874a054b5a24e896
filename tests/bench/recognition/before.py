"""What is done to the sound before a listener gets it, to find out whether it helps or does harm."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal, get_args

from voicelog.drill.render import SPEECH_DBFS
from voicelog.drill.voices import active_rms
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.int16]

Treatment = Literal["none", "highpass", "denoise", "quiet", "levelled"]
TREATMENTS: tuple[Treatment, ...] = get_args(Treatment)
HIGHPASS_HZ = 120
QUIET_DB = 24.0
_SUPPRESSION = 2
"""Of 1 to 4: how much the denoiser takes away."""
_STEP = SAMPLE_RATE // 100
"""Samples that the denoiser takes at a time."""
_NEEDS: dict[Treatment, tuple[str, str]] = {
    "highpass": ("scipy", "pip install 'voicelog[drill]'"),
    "denoise": ("webrtc_noise_gain", "pip install webrtc-noise-gain"),
}
"""The package without which a treatment cannot be had, and how to get it."""


def treated(samples: Samples, treatment: Treatment) -> Samples:
    """The sound as a listener gets it, as long as before."""
    return _BY_NAME[treatment](samples)


def lacking(treatment: Treatment) -> str:
    """Why a treatment cannot be had here, and what to do; "" where it can."""
    package, hint = _NEEDS.get(treatment, ("", ""))
    if not package or importlib.util.find_spec(package):
        return ""
    return f"{treatment}: {package} is not installed; {hint}"


def _untouched(samples: Samples) -> Samples:
    return samples


def _highpass(samples: Samples) -> Samples:
    """Without hum and rumble, and without the lowest tone of a deep voice, by a filter fit for a live session."""
    from scipy import signal

    sections = signal.butter(4, HIGHPASS_HZ, "highpass", fs=SAMPLE_RATE, output="sos")
    return _in_16_bits(signal.sosfilt(sections, samples.astype(float)))


def _denoise(samples: Samples) -> Samples:
    """With less of the steady noise; the denoiser hears it all once before, as in a vehicle it would know the noise."""
    import numpy as np

    processor = importlib.import_module("webrtc_noise_gain").AudioProcessor(0, _SUPPRESSION)
    whole = np.pad(samples, (0, -len(samples) % _STEP))
    twice = np.concatenate((whole, whole)).astype("<i2")
    steps = (twice[first : first + _STEP].tobytes() for first in range(0, len(twice), _STEP))
    clean = b"".join(processor.Process10ms(step).audio for step in steps)
    return np.frombuffer(clean, dtype="<i2")[len(whole) :][: len(samples)].astype(np.int16)


def _quiet(samples: Samples) -> Samples:
    """As a microphone that is set too low gives it: what is softer than its smallest step is lost."""
    return _in_16_bits(samples * 10 ** (-QUIET_DB / 20))


def _levelled(samples: Samples) -> Samples:
    """Too quiet, then brought to the level of the corpus; what was lost stays lost."""
    import numpy as np

    quiet = _quiet(samples)
    level = active_rms(quiet.astype(np.float32) / np.float32(32768))
    return _in_16_bits(quiet * (10 ** (SPEECH_DBFS / 20) / level)) if level else quiet


def _in_16_bits(signal: NDArray[np.floating[Any]]) -> Samples:
    import numpy as np

    return np.clip(np.round(signal), -32768, 32767).astype(np.int16)


_BY_NAME: dict[Treatment, Callable[[Samples], Samples]] = {
    "none": _untouched,
    "highpass": _highpass,
    "denoise": _denoise,
    "quiet": _quiet,
    "levelled": _levelled,
}
