"""Turns the plan of a clip into samples: speech spoken or read from recordings, echo, noise; all from seeds, cached."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from voicelog.drill.noise import babble, sound
from voicelog.drill.render import SPEECH_DBFS
from voicelog.drill.room import reverberant
from voicelog.drill.script import DrillError
from voicelog.drill.voices import active_rms, resampled, speak, trimmed
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Signal = NDArray[np.float32]

Noise = Literal["diesel_idle", "diesel_drive", "siren_wail", "siren_yelp", "bag_valve", "babble"]
LEAD_S, TAIL_S = 0.6, 0.5
"""What stands before and after a callout's speech, as the endpointer would leave it."""
_BANK_S = 40
_VERSION = "1"


@dataclass(frozen=True)
class Say:
    """Speech of a synthetic voice."""

    text: str
    voice: str
    """See ``voicelog.drill.voices``."""


@dataclass(frozen=True)
class Take:
    """A recording of a human voice."""

    path: Path


@dataclass(frozen=True)
class Sounds:
    """How a clip sounds."""

    parts: tuple[Say | Take, ...]
    """In the order said."""
    gap_s: float = 0.1
    """Silence between two parts."""
    snr_db: float | None = None
    """RMS of active speech over RMS of the noise, full band, dB; None is without noise. Of the bag-valve hiss the RMS
    within a puff counts."""
    noise: Noise = "diesel_idle"
    babblers: tuple[Say, ...] = ()
    """Who babbles, when that is the noise."""
    echo: bool = False
    """Heard in a cabin with a reverberation time of 0.4 s."""

    @property
    def seed(self) -> int:
        """Of noise and echo: the same plan always sounds the same."""
        return int.from_bytes(hashlib.sha256(repr(self).encode()).digest()[:4], "big")


def cache_folder(named: Path | None = None) -> Path:
    """Where speech is kept between runs: the folder named, else the user's cache (XDG base directories)."""
    base = os.environ.get("XDG_CACHE_HOME") or ""
    folder = named or (Path(base) if Path(base).is_absolute() else Path.home() / ".cache") / "voicelog" / "bench"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def samples_of(sounds: Sounds, folder: Path, *, lead_s: float = LEAD_S, tail_s: float = TAIL_S) -> NDArray[np.int16]:
    """The clip as int16 mono at 16 kHz.

    Raises:
        DrillError: a voice or a program is missing.
    """
    import numpy as np

    pieces = [speech(part, folder) for part in sounds.parts]
    gap = np.zeros(round(sounds.gap_s * SAMPLE_RATE), dtype=np.float32)
    joined = np.concatenate([piece for part in pieces for piece in (part, gap)][:-1])
    if sounds.echo:
        joined = reverberant(joined, sounds.seed)
        joined /= active_rms(joined)
    whole = np.concatenate([np.zeros(round(lead_s * SAMPLE_RATE)), joined, np.zeros(round(tail_s * SAMPLE_RATE))])
    if sounds.snr_db is not None:
        whole = whole + _noise(sounds, whole.size, folder) * 10 ** (-sounds.snr_db / 20)
    scaled = whole * 32768 * 10 ** (SPEECH_DBFS / 20)
    return np.clip(np.round(scaled), -32768, 32767).astype(np.int16)


def speech(part: Say | Take, folder: Path) -> Signal:
    """One part, silence at its edges dropped, active speech at RMS 1; from the cache where it is there."""
    import numpy as np
    import soundfile

    key = repr(part) if isinstance(part, Say) else hashlib.sha256(part.path.read_bytes()).hexdigest()
    kept = folder / f"{hashlib.sha256(f'{_VERSION} {key}'.encode()).hexdigest()[:24]}.flac"
    if kept.exists():
        return np.asarray(soundfile.read(kept, dtype="float32")[0] * 32, dtype=np.float32)
    if isinstance(part, Say):
        signal = speak(part.text, part.voice)
    else:
        signal = trimmed(_recorded(part.path))
        signal = signal / max(active_rms(signal), 1e-9)
    # RMS 1 leaves peaks far above 1; FLAC holds -1 to 1. Written beside and renamed: two processes may make it at once.
    beside = kept.with_name(f"{kept.stem}.{os.getpid()}.part")
    soundfile.write(beside, np.clip(signal / 32, -1, 1), SAMPLE_RATE, format="FLAC", subtype="PCM_24")
    beside.replace(kept)
    return np.asarray(signal, dtype=np.float32)


def _recorded(path: Path) -> Signal:
    """A recording as float32 at 16 kHz; G.722, which has no header, by way of ffmpeg."""
    import numpy as np
    import soundfile

    if path.suffix == ".g722":
        command = [
            "ffmpeg",
            "-v",
            "error",
            "-f",
            "g722",
            "-i",
            str(path),
            "-f",
            "s16le",
            "-ar",
            "16000",
            "-ac",
            "1",
            "-",
        ]
        try:
            raw = subprocess.run(command, capture_output=True, check=True, timeout=60).stdout
        except (OSError, subprocess.SubprocessError) as error:
            raise DrillError(f"{path}: ffmpeg does not read it: {error}", "Install ffmpeg.") from error
        return np.frombuffer(raw, dtype="<i2").astype(np.float32) / np.float32(32768)
    if path.suffix == ".raw":
        return np.frombuffer(path.read_bytes(), dtype="<i2").astype(np.float32) / np.float32(32768)
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    return resampled(np.ascontiguousarray(samples.mean(axis=1)), int(rate))


def _noise(sounds: Sounds, samples: int, folder: Path) -> NDArray[np.float64]:
    """Noise at RMS 1 over the clip, or within a puff."""
    import numpy as np

    rng = np.random.default_rng(sounds.seed)
    if sounds.noise == "bag_valve":
        # The first puff comes 0.5 to 1.5 s after the start, so it always meets the speech.
        return sound("bag_valve", samples, rng)
    bank = _bank(sounds.noise, sounds.babblers, folder)
    start = int(rng.integers(bank.size))
    part = np.resize(np.roll(bank, -start), samples)
    level = float(np.sqrt(np.mean(part**2)))
    return np.asarray(part / level, dtype=np.float64)


@cache
def _bank(noise: Noise, babblers: Sequence[Say], folder: Path) -> NDArray[np.float64]:
    import numpy as np

    rng = np.random.default_rng(7)
    if noise == "babble":
        return babble([speech(talker, folder) for talker in babblers], _BANK_S * SAMPLE_RATE, rng)
    return sound(noise, _BANK_S * SAMPLE_RATE, rng)
