"""Recordings as a source: a WAV, FLAC or Ogg file becomes 16 kHz mono samples, or is refused with a reason."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from voicelog.audio.container import missing_bytes
from voicelog.errors import AudioError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    from numpy.typing import NDArray

FORMATS = ("WAV", "WAVEX", "RF64", "FLAC", "OGG")
"""What libsndfile calls the formats read here: those in which a recording cut short can be told from a whole one."""

MIN_RATE, MAX_RATE = 8_000, 384_000
"""Sample rates taken, in Hz; speech recorded with less is not fit for numbers, more is a damaged header."""

_READ_VALUES = 1 << 16
"""Samples of all channels together decoded at a time: a quarter of a megabyte."""
_LENGTH_UNKNOWN = (1 << 63) - 1
"""Frames that libsndfile gives for a FLAC file written into a pipe, whose header was never completed."""
_CONVERT = "Convert it to FLAC or WAV with the program that made it, or record again."
_DAMAGED = "Copy it again from the recorder; to use what is readable, save it as a new file with an audio editor."


@dataclass(frozen=True)
class RecordingInfo:
    """What a recording's header says, found true as far as that can be seen without reading it all."""

    path: Path
    """The file as it was named."""
    original_rate: int
    """Samples per second in the file, Hz."""
    channels: int
    """Channels in the file."""
    frames: int
    """Samples per channel in the file."""
    started_at: datetime | None
    """When the first sample was heard, aware; None unless the DATE tag is a full ISO time with an offset."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.original_rate


@dataclass(frozen=True, eq=False)
class Recording:
    """A recording read whole."""

    path: Path
    """The file as it was named."""
    samples: NDArray[np.int16]
    """Mono at 16 kHz, shape (n,)."""
    original_rate: int
    """Samples per second in the file, Hz."""
    channels: int
    """Channels in the file."""
    started_at: datetime | None
    """When the first sample was heard, aware; None unless the DATE tag is a full ISO time with an offset."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / SAMPLE_RATE


def probe(path: Path) -> RecordingInfo:
    """Check that a recording can be used; quick, since only the two ends of it are looked at.

    Raises:
        AudioError: missing, not a file, no permission, not WAV, FLAC or Ogg, empty, or cut short.
    """
    with _opened(path) as file:
        missing = missing_bytes(file)
        with _decoded(path, file) as sound:
            info = _described(path, sound)
            if missing:
                raise _cut_short(path, info.frames, info)
            whole = _has_last_frame(sound)
    if not whole:
        # Reading up to the damage raises the error that says where it is; anew, since a failed seek spoils the decoder.
        for _ in _pieces(path, info):
            pass
    return info


def read_blocks(path: Path, block_samples: int = SAMPLE_RATE) -> Iterator[NDArray[np.int16]]:
    """Stream a recording as int16 mono blocks at 16 kHz: ``block_samples`` each, the last one shorter.

    Channels are mixed by their mean. Needs memory for a block or two, however long the recording is.

    Raises:
        AudioError: at once for all that ``probe`` refuses; while streaming, after every block before the place, where
            the recording is damaged inside.
        ValueError: ``block_samples`` is not positive.
    """
    if block_samples <= 0:
        raise ValueError("block_samples must be positive")
    return _rechunked(_pieces(path, probe(path)), block_samples)


def read_recording(path: Path) -> Recording:
    """Read a recording whole, at 2 bytes for each 16 kHz sample; ``read_blocks`` suits long ones better.

    Raises:
        AudioError: as ``read_blocks``.
    """
    info = probe(path)
    samples = np.concatenate([np.empty(0, np.int16), *_pieces(path, info)])
    return Recording(path, samples, info.original_rate, info.channels, info.started_at)


@contextmanager
def _opened(path: Path) -> Iterator[BinaryIO]:
    """The file, opened without waiting, since a FIFO would wait for a writer; refused if it is not a regular file."""
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise AudioError(f"there is no recording {_shown(path)}", "Check the name and the folder.") from None
    except PermissionError:
        raise AudioError(f"{_shown(path)} may not be read", "Change its permissions, or copy it.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise AudioError(f"{_shown(path)} cannot be opened: {reason}", "Check the name and the disk.") from None
    try:
        mode = os.fstat(descriptor).st_mode
        if stat.S_ISDIR(mode):
            raise AudioError(f"{_shown(path)} is a folder, not a recording", "Name the recordings inside it.")
        if not stat.S_ISREG(mode):
            raise AudioError(f"{_shown(path)} is not a file but a pipe or a device", "Save the sound to a file first.")
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            yield file
    finally:
        os.close(descriptor)


@contextmanager
def _decoded(path: Path, file: BinaryIO) -> Iterator[Any]:
    """The file as an open ``soundfile.SoundFile``; the decoder is typed Any because soundfile carries no types."""
    import soundfile

    try:
        sound = soundfile.SoundFile(file)
    except soundfile.SoundFileError:
        raise AudioError(f"{_shown(path)} is not a recording that can be read", _CONVERT) from None
    with sound:
        yield sound


def _described(path: Path, sound: Any) -> RecordingInfo:
    """The header of an open recording; refused where nothing can be heard or known from it."""
    if sound.format not in FORMATS:
        raise AudioError(f"{_shown(path)} is {sound.format}, not WAV, FLAC or Ogg", _CONVERT)
    if sound.frames == 0:
        raise AudioError(f"{_shown(path)} holds no sound, or was never finished by the recorder", _DAMAGED)
    if sound.frames == _LENGTH_UNKNOWN:
        raise AudioError(f"{_shown(path)} does not say how long it is, so its end cannot be checked", _CONVERT)
    if not MIN_RATE <= sound.samplerate <= MAX_RATE:
        raise AudioError(f"{_shown(path)} has {sound.samplerate} samples a second, not {MIN_RATE} or more", _CONVERT)
    return RecordingInfo(path, sound.samplerate, sound.channels, sound.frames, _start_time(sound.date))


def _start_time(text: str) -> datetime | None:
    """A DATE tag as an aware time; None for a bare date, a local time or anything else."""
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return time if time.utcoffset() is not None else None


def _has_last_frame(sound: Any) -> bool:
    """Whether the last frame that the header promises can be decoded; True where the format cannot seek."""
    import soundfile

    if not sound.seekable():
        return True
    try:
        sound.seek(sound.frames - 1)
        return len(sound.read(1)) == 1
    except soundfile.SoundFileError:
        return False


def _mono_blocks(sound: Any, info: RecordingInfo) -> Iterator[NDArray[np.float32]]:
    """Blocks of an open recording mixed to one channel by the mean, at its own rate.

    Raises:
        AudioError: after the last readable block, when that is not the end of the recording.
    """
    import soundfile

    done = 0
    while done < info.frames:
        try:
            block = sound.read(max(1, _READ_VALUES // info.channels), dtype="float32", always_2d=True)
        except soundfile.SoundFileError:
            raise _cut_short(info.path, done, info) from None
        # A resampler would smear one sample that is not a number over all that follow.
        if len(block) == 0 or not np.isfinite(block).all():
            raise _cut_short(info.path, done, info)
        done += len(block)
        yield block.mean(axis=1, dtype=np.float32)


def _pieces(path: Path, info: RecordingInfo) -> Iterator[NDArray[np.int16]]:
    """A recording as int16 mono at 16 kHz, in pieces of any length."""
    import soxr

    with _opened(path) as file, _decoded(path, file) as sound:
        if info.original_rate == SAMPLE_RATE:
            yield from map(_to_int16, _mono_blocks(sound, info))
            return
        resampler = soxr.ResampleStream(info.original_rate, SAMPLE_RATE, 1, dtype="float32", quality="HQ")
        yield from (_to_int16(resampler.resample_chunk(block)) for block in _mono_blocks(sound, info))
        yield _to_int16(resampler.resample_chunk(np.empty(0, np.float32), last=True))


def _to_int16(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    """Full scale 1.0 to int16; exact for what was int16 in the file, clipped where resampling overshoots."""
    return np.clip(np.rint(samples * 32768), -32768, 32767).astype(np.int16)


def _rechunked(pieces: Iterator[NDArray[np.int16]], block_samples: int) -> Iterator[NDArray[np.int16]]:
    """The same samples in blocks of one length; when the pieces break off, what came before is still handed on."""
    rest = np.empty(0, np.int16)
    broken: AudioError | None = None
    try:
        for piece in pieces:
            rest = np.concatenate((rest, piece))
            for start in range(0, len(rest) - block_samples + 1, block_samples):
                yield rest[start : start + block_samples]
            rest = rest[len(rest) - len(rest) % block_samples :]
    except AudioError as error:
        broken = error
    if len(rest):
        yield rest
    if broken is not None:
        raise broken


def _cut_short(path: Path, readable: int, info: RecordingInfo) -> AudioError:
    seconds = readable / info.original_rate
    return AudioError(f"{_shown(path)} is cut short or damaged: only its first {seconds:.1f} s can be read", _DAMAGED)


def _shown(path: Path) -> str:
    """A path on one line, whatever its name holds."""
    text = str(path)
    return text if text.isprintable() else ascii(text)
