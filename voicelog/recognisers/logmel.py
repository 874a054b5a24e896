"""The log-mel spectrogram that Whisper models were trained on.

Source: the published front end of Whisper (80 or 128 mel bands, Hann window of 25 ms every 10 ms, Slaney mel scale),
from memory; tests compare it with a second implementation written from the definition of the transform.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

WINDOW = 400
"""Samples of one analysis window."""
HOP = 160
"""Samples from one frame to the next."""
FRAMES_PER_SECOND = SAMPLE_RATE // HOP
_LINEAR_HZ = 200 / 3
"""Width of one mel below 1 kHz; above it mels are logarithmic, 27 to a factor of 6.4."""
_BREAK_MEL = 15.0
_LOG_STEP_MELS = 27.0
_FLOOR = 1e-10


def log_mel(samples: NDArray[np.int16], bands: int, length_s: float) -> NDArray[np.float32]:
    """The features of one stretch of audio, padded with silence.

    Args:
        samples: int16 mono at SAMPLE_RATE, at most length_s long.
        bands: mel bands the model takes, 80 or 128.
        length_s: seconds that the features cover.

    Returns:
        float32 of shape (bands, length_s * FRAMES_PER_SECOND).
    """
    import numpy as np

    frames = round(length_s * FRAMES_PER_SECOND)
    audio = np.zeros(frames * HOP, dtype=np.float32)
    audio[: len(samples)] = samples / np.float32(32_768)
    around = np.pad(audio, WINDOW // 2, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(around, WINDOW)[::HOP][:frames]
    # Frames of pure padding have no power; leaving them out is most of the work saved.
    used = min(frames, (len(samples) + WINDOW // 2) // HOP + 1)
    power = np.zeros((frames, WINDOW // 2 + 1), dtype=np.float32)
    power[:used] = np.abs(np.fft.rfft(windows[:used] * _hann(), axis=1)) ** 2
    logs = np.log10(np.maximum(mel_filters(bands) @ power.T, _FLOOR))
    logs = np.maximum(logs, logs.max() - 8)
    return np.ascontiguousarray((logs + 4) / 4, dtype=np.float32)


@lru_cache(maxsize=2)
def mel_filters(bands: int) -> NDArray[np.float32]:
    """Triangles of equal area on the Slaney mel scale from 0 Hz to half the sample rate: (bands, WINDOW // 2 + 1)."""
    import numpy as np

    top = _BREAK_MEL + np.log(SAMPLE_RATE / 2 / 1000) * _LOG_STEP_MELS / np.log(6.4)
    mels = np.linspace(0, top, bands + 2)
    edges = np.where(
        mels < _BREAK_MEL, mels * _LINEAR_HZ, 1000 * np.exp((mels - _BREAK_MEL) * np.log(6.4) / _LOG_STEP_MELS)
    )
    bins = np.linspace(0, SAMPLE_RATE / 2, WINDOW // 2 + 1)
    rising = (bins - edges[:-2, None]) / np.diff(edges)[:-1, None]
    falling = (edges[2:, None] - bins) / np.diff(edges)[1:, None]
    triangles = np.maximum(0, np.minimum(rising, falling))
    return np.asarray(triangles * (2 / (edges[2:] - edges[:-2]))[:, None], dtype=np.float32)


@lru_cache(maxsize=1)
def _hann() -> NDArray[np.float32]:
    import numpy as np

    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW), dtype=np.float32)
