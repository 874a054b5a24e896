"""How well an utterance could be heard: level, noise, clipping and band, measured on its own samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    from numpy.typing import NDArray

Fault = Literal["noisy", "clipped", "too_soft", "narrow_band"]
FRAME = 512
"""Samples in a frame: 32 ms."""
FULL_SCALE = 32768.0
NOISY_DB = 10.0
"""Speech less than this above the noise is heard wrongly more often than not by one listener alone."""
SOFT_DBFS = -50.0
"""Speech below this level is near the floor of a cheap microphone: common practice, no source."""
CLIPPED_SHARE = 0.002
"""Share of samples at full scale from which speech is distorted audibly: common practice, no source."""
_AT_FULL_SCALE = 32700
_BEFORE, _AFTER = 14, 5
"""Frames before and after the speech: the endpointer keeps 600 and 224 ms, the edges of the speech left out."""
_LOW_BAND, _HIGH_BAND = (300, 3400), (4200, 7500)
"""Hertz. A telephone or radio channel ends at 3.4 kHz: ITU-T G.712."""
NARROW_DB = -45.0
"""High band against low band, dB, below which the sound came through a narrow channel."""


@dataclass(frozen=True)
class Quality:
    """What was measured on one utterance."""

    speech_dbfs: float
    """Level of its louder frames, dB below full scale."""
    noise_dbfs: float
    """Mean level before and after the speech, dB below full scale."""
    clipped: float
    """Share of samples at full scale, 0 to 1."""
    high_band_db: float
    """Level from 4.2 to 7.5 kHz against that from 0.3 to 3.4 kHz, dB."""

    @property
    def snr_db(self) -> float:
        """Speech over noise, dB, the noise under the speech taken off."""
        speech, noise = 10 ** (self.speech_dbfs / 10), 10 ** (self.noise_dbfs / 10)
        return 10 * math.log10(max(speech - noise, noise * 1e-3) / noise)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What makes it hard to hear, the worst first."""
        found: list[Fault] = []
        if self.snr_db < NOISY_DB:
            found.append("noisy")
        if self.clipped > CLIPPED_SHARE:
            found.append("clipped")
        if self.speech_dbfs < SOFT_DBFS:
            found.append("too_soft")
        if self.high_band_db < NARROW_DB:
            found.append("narrow_band")
        return tuple(found)


def measure(samples: NDArray[np.int16]) -> Quality:
    """Measure one utterance as the endpointer cut it, pre-roll and all.

    Args:
        samples: int16 mono at 16 kHz, shape (n,); half a second before the speech and a fifth after it are its noise.
    """
    count = len(samples) // FRAME
    if count == 0:
        return Quality(-120.0, -120.0, 0.0, 0.0)
    frames = samples[: count * FRAME].reshape(count, FRAME).astype(np.float64) / FULL_SCALE
    power = np.mean(frames**2, axis=1) + 1e-12
    spectrum = np.mean(np.abs(np.fft.rfft(frames * np.hanning(FRAME), axis=1)) ** 2, axis=0)
    hertz = np.fft.rfftfreq(FRAME, 1 / SAMPLE_RATE)

    def band(low: int, high: int) -> float:
        return float(np.sum(spectrum[(hertz >= low) & (hertz <= high)])) + 1e-15

    return Quality(
        speech_dbfs=10 * math.log10(float(np.percentile(power, 90))),
        noise_dbfs=10 * math.log10(float(np.mean(np.concatenate((power[:_BEFORE], power[-_AFTER:]))))),
        clipped=float(np.mean(np.abs(samples.astype(np.int32)) >= _AT_FULL_SCALE)),
        high_band_db=10 * math.log10(band(*_HIGH_BAND) / band(*_LOW_BAND)),
    )
