"""The front end of Whisper against a second implementation, written from the definition of the transform."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from voicelog.recognisers.logmel import log_mel, mel_filters

Samples = NDArray[np.int16]


def slaney_hz(mel: float) -> float:
    """Slaney's mel scale (Auditory Toolbox, 1998; from memory): linear to 1 kHz, then 27 steps to a factor of 6.4."""
    return mel * 200 / 3 if mel < 15 else float(1000 * 6.4 ** ((mel - 15) / 27))


def slow_log_mel(samples: Samples, bands: int, frame: int) -> list[float]:
    """One frame before clamping and scaling, by the definition of the transform, sum by sum."""
    sound = np.concatenate([samples[200:0:-1], samples, samples[-2:-202:-1]]) / 32_768
    time = np.arange(400)
    windowed = sound[frame * 160 : frame * 160 + 400] * (0.5 - 0.5 * np.cos(2 * np.pi * time / 400))
    power = [abs(np.sum(windowed * np.exp(-2j * np.pi * k * time / 400))) ** 2 for k in range(201)]
    top = 15 + 27 * math.log(8) / math.log(6.4)
    edges = [slaney_hz(top * n / (bands + 1)) for n in range(bands + 2)]
    logs = []
    for low, middle, high in zip(edges, edges[1:], edges[2:], strict=False):
        weights = [
            max(0.0, min((40 * k - low) / (middle - low), (high - 40 * k) / (high - middle))) for k in range(201)
        ]
        total = sum(w * p for w, p in zip(weights, power, strict=True)) * 2 / (high - low)
        logs.append(math.log10(max(total, 1e-10)))
    return logs


@pytest.mark.parametrize("bands", [80, 128])
def test_spectrogram_is_that_of_the_definition(bands: int) -> None:
    samples = np.asarray(np.random.default_rng(3).normal(size=16_000) * 3_000, dtype=np.int16)
    found = log_mel(samples, bands, 1.0)
    for frame in (0, 1, 50, 99):
        assert found[:, frame] == pytest.approx((np.array(slow_log_mel(samples, bands, frame)) + 4) / 4, abs=1e-4)


def test_spectrogram_is_padded_with_silence_and_clamped() -> None:
    samples = np.asarray(8_000 * np.sin(np.arange(16_000) * 0.3), dtype=np.int16)
    found = log_mel(samples, 80, 10.0)
    assert found.shape == (80, 1_000)
    assert found.max() - found.min() == pytest.approx(2.0)
    assert np.all(found[:, 110:] == found.min())


def test_filters_are_those_published() -> None:
    # The first weights of the 80-band filters that come with Whisper; from memory.
    assert mel_filters(80)[0, 1] == pytest.approx(0.02486, abs=1e-4)
    assert mel_filters(80).shape == (80, 201)
