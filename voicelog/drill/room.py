"""The echo of a room, synthesised from a seed: the sound itself, then noise that dies away at the room's rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Signal = NDArray[np.float32]

CABIN_RT60_S = 0.4
"""Time in which the echo falls by 60 dB, seconds; an ambulance cabin measured 0.37 s (Oliveira 2013, Building
Acoustics 20(3):229-242)."""
DIRECT_DB = 3.0
"""Energy of the direct sound over all of the echo, dB: a talker about an arm's length from the microphone."""
_FIRST_ECHO_S = 0.003


def reverberant(signal: Signal, seed: int, rt60_s: float = CABIN_RT60_S, direct_db: float = DIRECT_DB) -> Signal:
    """The signal as heard in a room: float32 at 16 kHz, longer by the echo, the direct sound unchanged and first.

    Args:
        signal: dry sound, 16 kHz.
        seed: of the echo; the same seed is the same place in the same room.
        rt60_s: time in which the echo falls by 60 dB, seconds.
        direct_db: energy of the direct sound over that of the echo, dB.
    """
    import numpy as np

    length = round(rt60_s * SAMPLE_RATE)
    rng = np.random.default_rng(seed)
    # 60 dB are a factor of 1000 in amplitude.
    echo = rng.standard_normal(length) * 1000.0 ** (-np.arange(length) / length)
    echo[: round(_FIRST_ECHO_S * SAMPLE_RATE)] = 0
    response = echo * 10 ** (-direct_db / 20) / np.sqrt(np.sum(echo**2))
    response[0] = 1.0
    total = signal.size + length - 1
    size = 1 << (total - 1).bit_length()
    heard = np.fft.irfft(np.fft.rfft(signal, size) * np.fft.rfft(response, size), size)
    return heard[:total].astype(np.float32)
