"""Renders a drill script: the recording as 16-bit samples and the truth of which line was said from when to when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from voicelog.drill.noise import background
from voicelog.drill.script import DrillError, Line, Script
from voicelog.drill.voices import speak
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

RecordingFormat = Literal["flac", "wav"]

SPEECH_DBFS = -24.0
"""RMS of active speech in the recording, dB below full scale: loud enough, with room for peaks."""
MIN_GAP_S = 0.6
"""A line that would start sooner than this after the end of the one before is pushed back."""
QUANTISING_MARGIN_DB = 24.0
"""How far the rounding error stays below the quietest half second of noise."""

_TAIL_S = 1.0


@dataclass(frozen=True)
class SpokenLine:
    """Where a line stands in the recording."""

    line: Line
    """The line of the script."""
    start: float
    """Seconds on the recording at which its first word begins."""
    end: float
    """Seconds on the recording at which its last word ends."""

    @property
    def words(self) -> tuple[str, ...]:
        """The words said, in order."""
        return tuple(self.line.say.split())


@dataclass(frozen=True)
class Rendering:
    """A recorded drill and its truth."""

    samples: NDArray[np.int16]
    """Mono at 16 kHz."""
    lines: tuple[SpokenLine, ...]
    """One for each line of the script, in order."""
    snr_db: float | None
    """RMS of active speech over RMS of noise as mixed, dB; None without noise."""


def render(script: Script, recorded_noise: NDArray[np.float64] | None = None) -> Rendering:
    """Speak and mix a script.

    SNR is RMS of active speech (all lines set to one level; 10 ms frames within 30 dB of a line's loudest) over RMS of
    the noise across the whole recording, both over the full band.

    Args:
        script: what is said, by whom and in which noise.
        recorded_noise: 16 kHz, any level, not silent; stands in place of the script's noise, from a place that the
            script's seed chooses, over and over.

    Raises:
        DrillError: a voice is missing, or the mix does not fit into 16 bits.
    """
    import numpy as np

    spoken = [speak(line.say, script.voices[line.speaker]) for line in script.lines]
    starts = placed(script.lines, [signal.size for signal in spoken])
    end = max(start + signal.size for start, signal in zip(starts, spoken, strict=True))
    total = max(round(script.length_s * SAMPLE_RATE), end + round(_TAIL_S * SAMPLE_RATE))
    speech_level = 32768 * 10 ** (SPEECH_DBFS / 20)
    mix = np.zeros(total)
    truth = []
    for line, start, signal in zip(script.lines, starts, spoken, strict=True):
        mix[start : start + signal.size] += signal * speech_level
        truth.append(SpokenLine(line, start / SAMPLE_RATE, (start + signal.size) / SAMPLE_RATE))
    if recorded_noise is None:
        noise = background(script.noise, total, script.seed)
    else:
        start = int(np.random.default_rng(script.seed).integers(recorded_noise.size))
        noise = np.resize(np.roll(recorded_noise, -start), total)
    raw_level = float(np.sqrt(np.mean(noise**2)))
    step, snr_db = 1, None
    if raw_level > 0:
        noise *= speech_level / raw_level * 10 ** (-script.snr_db / 20)
        snr_db = 20 * float(np.log10(speech_level / np.sqrt(np.mean(noise**2))))
        step = rounding_step(noise)
    rounded = np.round((mix + noise) / step) * step
    if np.abs(rounded).max() > 32767:
        raise DrillError("speech and noise together are too loud for 16 bits", "Raise snr_db or lower SPEECH_DBFS.")
    return Rendering(rounded.astype(np.int16), tuple(truth), snr_db)


def placed(lines: Sequence[Line], lengths: Sequence[int]) -> list[int]:
    """First sample of each line: its time in the script, later where the line before it is not over.

    A line that is said over the one before keeps its distance to that one's beginning instead.

    Args:
        lines: in order of time.
        lengths: samples of each line.
    """
    starts: list[int] = []
    free = 0
    for number, (line, length) in enumerate(zip(lines, lengths, strict=True)):
        start = round(line.at * SAMPLE_RATE)
        if line.over and starts:
            start = starts[-1] + round((line.at - lines[number - 1].at) * SAMPLE_RATE)
        else:
            start = max(start, free)
        starts.append(start)
        free = max(free, start + length + round(MIN_GAP_S * SAMPLE_RATE))
    return starts


def rounding_step(noise: NDArray[np.float64]) -> int:
    """Largest power of two to whose multiples samples may be rounded; FLAC packs the empty low bits away.

    The error of rounding to a step is step / sqrt(12); it stays QUANTISING_MARGIN_DB below the quietest half second of
    the noise, and there is no rounding where the noise has a silent stretch.
    """
    import numpy as np

    block = SAMPLE_RATE // 2
    whole = max(1, noise.size // block) * block
    padded = np.zeros(whole)
    padded[: min(whole, noise.size)] = noise[:whole]
    quietest = float(np.sqrt(np.mean(padded.reshape(-1, block) ** 2, axis=1)).min())
    allowed = quietest * 10 ** (-QUANTISING_MARGIN_DB / 20) * np.sqrt(12)
    return max(1, 2 ** int(np.floor(np.log2(allowed)))) if allowed >= 1 else 1


def write_recording(rendering: Rendering, script: Script, path: Path) -> None:
    """Write the samples as FLAC or WAV, as the path ends, the script's start time in the DATE comment.

    Raises:
        DrillError: the file cannot be written.
    """
    comment = "Invented patient, synthetic voices and noise. A drill, not a recording of care."
    write_samples(rendering.samples, script.title, script.started_at, comment, path)


def write_samples(samples: NDArray[np.int16], title: str, started_at: datetime, comment: str, path: Path) -> None:
    """Write 16 kHz mono samples as FLAC or WAV, as the path ends.

    Raises:
        DrillError: the file cannot be written.
    """
    import soundfile

    try:
        with soundfile.SoundFile(
            path, "w", samplerate=SAMPLE_RATE, channels=1, format=path.suffix[1:].upper(), subtype="PCM_16"
        ) as file:
            file.title = title
            file.date = started_at.isoformat()
            file.comment = comment
            file.write(samples)
    except (OSError, soundfile.SoundFileError) as error:
        raise DrillError(
            f"{path}: the recording cannot be written: {error}", "Name a folder you may write to."
        ) from error
