"""Our own tones: short sines with soft edges, told apart by their tune, for heard, ask, alarm, recovered and breath."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TONE_RATE = 24_000
"""Hz of every tone."""
Tone = Literal["heard", "ask", "alarm", "recovered", "breath"]
_EDGE_S = 0.012

# Notes as (Hz, seconds, amplitude 0 to 1); 0 Hz is a rest. All lie between 500 and 2000 Hz, where ears that lost
# their highs and small loudspeakers still reach. Only the alarm is long, loud and repeats.
_NOTES: dict[Tone, tuple[tuple[float, float, float], ...]] = {
    "heard": ((784, 0.07, 0.25),),
    "ask": ((587, 0.10, 0.35), (0, 0.03, 0), (880, 0.14, 0.35)),
    "alarm": ((1047, 0.16, 0.7), (740, 0.16, 0.7)) * 3,
    "breath": ((523, 0.12, 0.12),),
    "recovered": ((587, 0.09, 0.35), (740, 0.09, 0.35), (880, 0.16, 0.35)),
}
TONES: tuple[Tone, ...] = tuple(_NOTES)
"""Every tone's name."""


def tone(name: Tone) -> NDArray[np.int16]:
    """The samples of a tone, mono at ``TONE_RATE``."""
    import numpy as np

    notes = [_note(hertz, seconds, amplitude) for hertz, seconds, amplitude in _NOTES[name]]
    return np.round(np.concatenate(notes) * 32767).astype(np.int16)


def _note(hertz: float, seconds: float, amplitude: float) -> NDArray[np.float64]:
    """One sine whose first and last 12 ms rise and fall as a half cosine: a hard edge is a click."""
    import numpy as np

    count = round(seconds * TONE_RATE)
    edge = round(_EDGE_S * TONE_RATE)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    shape = np.ones(count)
    shape[:edge] = ramp
    shape[count - edge :] = ramp[::-1]
    wave: NDArray[np.float64] = amplitude * shape * np.sin(2 * np.pi * hertz * np.arange(count) / TONE_RATE)
    return wave
