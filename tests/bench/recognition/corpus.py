"""The plan of the corpus: which callout is spoken by which voice in which noise; made of rotations, not of chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import cycle, islice
from pathlib import Path
from typing import Literal, get_args

from .callouts import Callout, every_callout
from .sounds import Noise, Say, Sounds, Take

Set = Literal["tune", "report", "strange"]
SETS: tuple[Set, ...] = ("tune", "report")
"""The sets that also hold human speech and talk."""
SNRS: tuple[float | None, ...] = (None, 20, 15, 10, 5, 0)
"""dB; None is without noise and echo."""
VOICES: dict[Set, tuple[str, ...]] = {
    "tune": ("joe", "joe@1.2", "joe@0.85", "flite-slt", "espeak-us", "espeak-f3", "espeak-caribbean"),
    "report": (
        "hibari",
        "flite-rms",
        "espeak-gb",
        "hibari@1.2",
        "flite-awb",
        "espeak-f2@1.1",
        "hibari@0.85",
        "flite-kal16",
        "espeak-scotland",
        "flite-rms@1.2",
        "espeak-m3@1.3",
        "flite-awb@0.9",
        "espeak-rp@0.9",
    ),
    "strange": (
        "kokoro-af_sarah",
        "kokoro-am_eric@1.15",
        "kokoro-bf_lily@0.9",
        "kokoro-am_puck",
        "kokoro-bm_lewis@1.15",
    ),
}
"""No voice is in two. Their number shares no factor with that of the noises, so the rotations never lock.

On "strange" no model was trained, though both adapted models were on others of their engine: for choosing between
models that know all voices of "tune". It needs the extra adapt, and VOICELOG_KOKORO for the folder of voices.
"""
TALK_SNR_DB = 15.0
_TALK_STREAM = 20
_HERE = Path(__file__).parent
_NOISES: tuple[Noise, ...] = get_args(Noise)


@dataclass(frozen=True)
class Clip:
    """One callout as it is played."""

    source: str
    """synthetic, human words (wide band) or human digits (narrow band)."""
    callout: Callout
    sounds: Sounds
    voice: str
    """Who speaks, for the breakdown."""


@dataclass(frozen=True)
class Stream:
    """A minute or two of talk that is not for the log."""

    source: str
    """human talk, small talk, near callouts."""
    sounds: Sounds


def synthetic_clips(chosen: Set) -> list[Clip]:
    """Every callout once at each SNR, voices and noises taking turns."""
    voices = VOICES[chosen]
    clips = []
    for level in range(len(SNRS)):
        for number, callout in enumerate(every_callout()):
            voice = voices[(number + 5 * level) % len(voices)]
            sounds = in_noise((Say(callout.say, voice),), chosen, number, level)
            clips.append(Clip("synthetic", callout, sounds, voice))
    return clips


def in_noise(parts: tuple[Say | Take, ...], chosen: Set, number: int, level: int) -> Sounds:
    """Speech in the noise whose turn it is at that place in SNRS; every second noisy clip has an echo."""
    snr = SNRS[level]
    if snr is None:
        return Sounds(parts)
    noise = _NOISES[(number + level) % len(_NOISES)]
    turn = number // len(_NOISES) + level
    return Sounds(
        parts,
        snr_db=snr,
        noise=noise,
        babblers=babblers(chosen) if noise == "babble" else (),
        echo=turn % 2 == 0,
    )


def babblers(chosen: Set) -> tuple[Say, ...]:
    """Who babbles behind the clips of a set: voices of the other set, so nobody talks over himself."""
    other = VOICES["tune" if chosen == "report" else "report"][:6]
    lines = small_talk()
    return tuple(Say(lines[number], voice) for number, voice in enumerate(voice for voice in other for _ in range(2)))


def small_talk() -> list[str]:
    """Talk that has nothing to do with callouts."""
    return _lines(_HERE / "smalltalk.txt")


def near_callouts() -> list[str]:
    """Talk made to look like callouts: questions, orders, plans, history, other people; the parser's own test table."""
    return [line.rstrip("?") for line in _lines(_HERE.parents[1] / "data" / "talk.txt")]


def synthetic_streams(chosen: Set) -> list[Stream]:
    """Small talk three times over and near callouts once, each line by the next voice."""
    voices = cycle(VOICES[chosen])
    small = [line for line in small_talk() for _ in range(3)]
    return [
        *streams("small talk", [Say(line, next(voices)) for line in small]),
        *streams("near callouts", [Say(line, next(voices)) for line in near_callouts()]),
    ]


def streams(source: str, parts: Sequence[Say | Take]) -> list[Stream]:
    """Cut a row of parts into streams, a second between parts; every second one with the engine running."""
    found = []
    for first in range(0, len(parts), _TALK_STREAM):
        snr = TALK_SNR_DB if first // _TALK_STREAM % 2 else None
        noise: Noise = "diesel_drive"
        found.append(Stream(source, Sounds(tuple(parts[first : first + _TALK_STREAM]), 1.0, snr, noise)))
    return found


def thinned(items: Sequence[Clip], every: int) -> list[Clip]:
    """One clip of so many at each SNR, beginning elsewhere at each so that more callouts occur; 1 keeps all."""
    kept: list[Clip] = []
    for level, snr in enumerate(SNRS):
        same = [clip for clip in items if clip.sounds.snr_db == snr]
        kept += islice(same, level % every, None, every)
    return kept


def addressed(clip: Clip, attention: str) -> Clip:
    """The same clip with the attention word said first, in one breath with what follows."""
    first, *rest = clip.sounds.parts
    if not attention or not isinstance(first, Say):
        return clip
    return replace(clip, sounds=replace(clip.sounds, parts=(replace(first, text=f"{attention} {first.text}"), *rest)))


def _lines(path: Path) -> list[str]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]
