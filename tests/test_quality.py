"""Level, noise, clipping and band of an utterance, on signals whose values are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from voicelog.audio.quality import measure

RATE = 16_000
SPEECH = slice(int(0.6 * RATE), int(2.6 * RATE))
"""Where the speech is: the endpointer keeps 0.6 s before it and 0.2 s after it."""


def utterance(speech_dbfs: float, noise_dbfs: float, top_hz: float = 7600) -> NDArray[np.int16]:
    """Noise of a level throughout and band-limited noise of another as speech in the middle."""
    random = np.random.default_rng(1)
    whole = random.standard_normal(int(2.83 * RATE)) * 10 ** (noise_dbfs / 20)
    speech = signal.sosfiltfilt(signal.butter(8, top_hz, fs=RATE, output="sos"), random.standard_normal(2 * RATE))
    speech *= 10 ** (speech_dbfs / 20) / np.std(speech)
    whole[SPEECH] += speech
    return np.clip(np.round(whole * 32768), -32768, 32767).astype(np.int16)


@pytest.mark.parametrize("snr", [0, 5, 10, 20, 30])
def test_speech_over_noise_is_what_was_mixed(snr: int) -> None:
    # The louder tenth of frames stands for the speech: of steady noise, under a decibel above its mean.
    assert measure(utterance(-20, -20 - snr)).snr_db == pytest.approx(snr, abs=2)


def test_levels_are_below_full_scale() -> None:
    found = measure(utterance(-26, -60))
    assert found.speech_dbfs == pytest.approx(-26, abs=1)
    assert found.noise_dbfs == pytest.approx(-60, abs=1)


def test_clean_wide_band_speech_has_no_fault() -> None:
    assert measure(utterance(-26, -60)).faults == ()


@pytest.mark.parametrize(
    ("samples", "fault"),
    [
        (utterance(-26, -30), "noisy"),
        (utterance(2, -60), "clipped"),
        (utterance(-58, -90), "too_soft"),
        (utterance(-26, -80, top_hz=3400), "narrow_band"),
    ],
    ids=["noisy", "clipped", "too_soft", "narrow_band"],
)
def test_each_fault_is_found(samples: NDArray[np.int16], fault: str) -> None:
    assert fault in measure(samples).faults


def test_noise_hides_whether_the_band_is_narrow() -> None:
    assert "narrow_band" not in measure(utterance(-26, -30, top_hz=3400)).faults


@pytest.mark.parametrize("count", [0, 1, 511, 512])
def test_hardly_any_samples_are_measured_all_the_same(count: int) -> None:
    assert measure(np.zeros(count, np.int16)).clipped == 0
