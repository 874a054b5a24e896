"""Audio clips for the case file: 16 kHz mono samples to FLAC bytes and back, without loss."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from voicelog.errors import AudioError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def encode_flac(samples: NDArray[np.int16]) -> bytes:
    """FLAC of int16 mono samples at 16 kHz, shape (n,).

    Raises:
        AudioError: there are no samples; FLAC cannot hold an empty clip.
    """
    import soundfile

    if samples.size == 0:
        raise AudioError("an audio clip needs at least one sample")
    clip = io.BytesIO()
    soundfile.write(clip, samples, SAMPLE_RATE, format="FLAC", subtype="PCM_16")
    return clip.getvalue()


def decode_flac(clip: bytes) -> NDArray[np.int16]:
    """The samples of a clip that ``encode_flac`` made: int16, shape (n,).

    Raises:
        AudioError: not FLAC, damaged, cut short, or not 16-bit mono at 16 kHz.
    """
    import soundfile

    hint = "The case file may be damaged: run 'voicelog audit' on it."
    try:
        with soundfile.SoundFile(io.BytesIO(clip)) as sound:
            if (sound.format, sound.subtype, sound.samplerate, sound.channels) != ("FLAC", "PCM_16", SAMPLE_RATE, 1):
                raise AudioError("an audio clip is not 16-bit mono FLAC at 16 kHz", hint)
            promised = sound.frames
            samples: NDArray[np.int16] = sound.read(dtype="int16")
    except soundfile.SoundFileError as error:
        raise AudioError("an audio clip cannot be decoded", hint) from error
    if len(samples) != promised:
        raise AudioError(f"an audio clip is cut short: {len(samples)} of {promised} samples", hint)
    return samples
