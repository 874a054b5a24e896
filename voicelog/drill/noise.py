"""Synthetic background sounds from a seed: diesel engine, bag-valve puffs, siren, babble; no recordings of anything."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.drill.script import NoisePart, Sound

    Signal = NDArray[np.float64]

IDLE_FIRING_HZ = 43.0
"""Eight cylinders, four strokes, 650 turns a minute: 650 / 60 * 4 firings a second."""
DRIVE_FIRING_HZ = 120.0
"""The same engine at 1800 turns a minute."""
PUFF_PERIOD_S = 6.0
"""One breath every 6 s, the adult rate for a patient who has a pulse and does not breathe."""
PUFF_LENGTH_S = 1.0
"""How long a squeeze of the bag hisses."""
WAIL_CYCLES_PER_S = 15 / 60
"""Slow siren sweep: 11 to 20 cycles a minute is common practice (from memory)."""
YELP_CYCLES_PER_S = 200 / 60
"""Fast siren sweep: 150 to 250 cycles a minute is common practice (from memory)."""
SIREN_LOW_HZ, SIREN_HIGH_HZ = 500.0, 1700.0
"""Ends of the siren's sweep (from memory)."""

_FADE_S = 0.5


def background(parts: tuple[NoisePart, ...], samples: int, seed: int) -> Signal:
    """All parts mixed at their relative levels: float64 at 16 kHz, zeros where no part sounds.

    Args:
        parts: what sounds when; each part has RMS 1 while on at ``level_db`` 0 (a puff: RMS 1 within the puff).
        samples: length of the result.
        seed: the same seed gives the same samples; each part has its own stream of it.
    """
    import numpy as np

    mix = np.zeros(samples)
    for number, part in enumerate(parts):
        first, last = round(part.start * SAMPLE_RATE), min(samples, round(part.end * SAMPLE_RATE))
        if last <= first:
            continue
        rng = np.random.default_rng([seed, number])
        signal = sound(part.sound, last - first, rng) * 10 ** (part.level_db / 20)
        mix[first:last] += signal * _fades(last - first)
    return mix


def sound(name: Sound, samples: int, rng: np.random.Generator) -> Signal:
    """One sound at RMS 1 while it sounds, float64 at 16 kHz."""
    match name:
        case "diesel_idle":
            return diesel(samples, IDLE_FIRING_HZ, 0.0, rng)
        case "diesel_drive":
            return diesel(samples, DRIVE_FIRING_HZ, 0.5, rng)
        case "bag_valve":
            return bag_valve(samples, rng)
        case "siren_wail":
            return siren(samples, WAIL_CYCLES_PER_S)
        case "siren_yelp":
            return siren(samples, YELP_CYCLES_PER_S)


def diesel(samples: int, firing_hz: float, road: float, rng: np.random.Generator) -> Signal:
    """Engine hum: harmonics of the firing rate that wander a little, over a low rumble.

    Args:
        samples: length.
        firing_hz: firings a second.
        road: how much tyre and wind noise is added to the rumble, 0 to 1.
        rng: source of the noise.
    """
    import numpy as np

    wander = 1 + 0.02 * _slow(samples, 0.3, rng)
    phase = 2 * np.pi * np.cumsum(firing_hz * wander) / SAMPLE_RATE
    hum = np.zeros(samples)
    # Half orders give the uneven beat of a real engine.
    for order in np.arange(0.5, 8.01, 0.5):
        strength = order**-1.3 * (1.0 if order == int(order) else 0.4)
        hum += strength * (1 + 0.3 * _slow(samples, 2.0, rng)) * np.sin(order * phase + rng.uniform(0, 2 * np.pi))
    rumble = _shaped(samples, rng, lambda f: 1 / (1 + (f / 90) ** 2))
    hiss = _shaped(samples, rng, lambda f: 1 / (1 + (f / 600) ** 1.5))
    return _unit(0.8 * _unit(hum) + 0.6 * rumble + (0.10 + 0.15 * road) * hiss)


def bag_valve(samples: int, rng: np.random.Generator) -> Signal:
    """Hiss of a hand bag: a puff about every 6 s, silence between; RMS 1 within the puffs."""
    import numpy as np

    air = _shaped(samples, rng, lambda f: (f / 900) ** 2 / (1 + (f / 900) ** 4))
    gate = np.zeros(samples)
    length = round(PUFF_LENGTH_S * SAMPLE_RATE)
    shape = np.sin(np.pi * np.linspace(0, 1, length)) ** 0.7
    start_s = float(rng.uniform(0.5, 1.5))
    while (first := round(start_s * SAMPLE_RATE)) < samples:
        gate[first : first + length] = shape[: samples - first]
        start_s += PUFF_PERIOD_S + float(rng.uniform(-0.4, 0.4))
    level = float(np.sqrt(np.mean(shape**2)))
    return air * gate / level


def siren(samples: int, cycles_per_s: float) -> Signal:
    """Siren sweeping up and down, with two harmonics."""
    import numpy as np

    time = np.arange(samples) / SAMPLE_RATE
    sweep = 0.5 - 0.5 * np.cos(2 * np.pi * cycles_per_s * time)
    phase = 2 * np.pi * np.cumsum(SIREN_LOW_HZ + (SIREN_HIGH_HZ - SIREN_LOW_HZ) * sweep) / SAMPLE_RATE
    return _unit(np.sin(phase) + 0.4 * np.sin(2 * phase) + 0.2 * np.sin(3 * phase))


def babble(talkers: Sequence[NDArray[np.float32]], samples: int, rng: np.random.Generator) -> Signal:
    """Many people talking at once, at RMS 1: each talker's speech in a loop, from a place of its own.

    Args:
        talkers: speech of different voices, 16 kHz, one level; none empty.
        samples: length.
        rng: where each loop begins.
    """
    import numpy as np

    mix = np.zeros(samples)
    for speech in talkers:
        start = int(rng.integers(speech.size))
        mix += np.resize(np.roll(speech, -start), samples)
    return _unit(mix)


def _shaped(samples: int, rng: np.random.Generator, gain: Callable[[Signal], Signal]) -> Signal:
    """White noise with its amplitude spectrum multiplied by ``gain`` of the frequency in Hz, at RMS 1."""
    import numpy as np

    spectrum = np.fft.rfft(rng.standard_normal(samples))
    frequency: Signal = np.fft.rfftfreq(samples, 1 / SAMPLE_RATE).astype(np.float64)
    return _unit(np.fft.irfft(spectrum * gain(frequency), samples))


def _slow(samples: int, rate_hz: float, rng: np.random.Generator) -> Signal:
    """A smooth random curve between about -1 and 1 that changes ``rate_hz`` times a second."""
    import numpy as np

    knots = rng.uniform(-1, 1, max(2, int(samples / SAMPLE_RATE * rate_hz) + 2))
    return np.interp(np.linspace(0, knots.size - 1, samples), np.arange(knots.size), knots)


def _fades(samples: int) -> Signal:
    """Ones with a half-second ramp at both ends, so that a part neither starts nor ends with a click."""
    import numpy as np

    ramp = (np.arange(samples) + 1) / (_FADE_S * SAMPLE_RATE)
    return np.minimum(1.0, np.minimum(ramp, ramp[::-1]))


def _unit(signal: Signal) -> Signal:
    """The signal at RMS 1; silence stays silence."""
    import numpy as np

    level = float(np.sqrt(np.mean(signal**2))) if signal.size else 0.0
    return signal / level if level else signal
