"""What drills and benchmarks sound like beyond one voice: pace, babble and the echo of a cabin."""

from __future__ import annotations

import numpy as np
import pytest

from voicelog.drill.noise import babble
from voicelog.drill.room import CABIN_RT60_S, DIRECT_DB, reverberant
from voicelog.drill.script import DrillError
from voicelog.drill.voices import speak


@pytest.mark.parametrize("name", ["flite-slt", "espeak-gb"])
def test_a_faster_pace_is_shorter_speech(name: str) -> None:
    assert speak("heart rate one eighteen", f"{name}@1.3").size < speak("heart rate one eighteen", name).size * 0.9


@pytest.mark.parametrize("pace", ["fast", "3", "0.2", "1.2.3"])
def test_a_pace_that_is_none_is_refused(pace: str) -> None:
    with pytest.raises(DrillError, match="pace"):
        speak("pulse fifty", f"flite-slt@{pace}")


def test_the_echo_falls_by_sixty_decibels_in_its_time() -> None:
    click = np.zeros(16_000, dtype=np.float32)
    click[0] = 1
    echo = reverberant(click, seed=1)[1:].astype(float)
    early, late = echo[800:1600], echo[4000:4800]
    fall = 10 * np.log10(np.sum(early**2) / np.sum(late**2))
    # Two windows 0.2 s apart: half of 60 dB at a reverberation time of 0.4 s.
    assert CABIN_RT60_S == 0.4
    assert fall == pytest.approx(30, abs=1)


def test_the_direct_sound_stays_and_outweighs_the_echo() -> None:
    click = np.zeros(16_000, dtype=np.float32)
    click[0] = 1
    heard = reverberant(click, seed=1).astype(float)
    assert heard[0] == pytest.approx(1, abs=1e-5)
    assert -10 * np.log10(np.sum(heard[1:] ** 2)) == pytest.approx(DIRECT_DB, abs=0.01)


def test_babble_has_level_one_and_the_same_seed_gives_the_same() -> None:
    talkers = [np.sin(np.arange(8000) * step).astype(np.float32) for step in (0.1, 0.23, 0.37)]
    first = babble(talkers, 20_000, np.random.default_rng(3))
    assert np.sqrt(np.mean(first**2)) == pytest.approx(1)
    assert np.array_equal(first, babble(talkers, 20_000, np.random.default_rng(3)))
