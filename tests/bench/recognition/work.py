"""What the worker processes do: make the speech, hear the clips; each holds one recogniser open."""

from __future__ import annotations

import resource
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from voicelog.drill.judge import FalseEntries, Heard, Score, false_entries
from voicelog.errors import VoicelogError

from .before import Treatment, treated
from .callouts import Fields
from .corpus import Clip, Stream
from .ear import Ear, Timing
from .score import score
from .sounds import Say, Take, samples_of, speech

SPEED_CLIPS = 48
"""How many clips are timed, in a process that has the machine to itself."""


@dataclass(frozen=True)
class Way:
    """By whom, and how, everything is heard."""

    listener: str
    attention: str = ""
    """Word that a callout must begin with, "" for none."""
    treatment: Treatment = "none"
    idle: bool = False
    """Nothing waits for an answer while talk is heard."""

    def ear(self) -> Ear:
        """An open one."""
        return Ear(self.listener, self.attention, self.idle)


@dataclass(frozen=True)
class ClipResult:
    """One clip, heard and judged."""

    clip: Clip
    heard: Heard
    score: Score


@dataclass(frozen=True)
class TalkResult:
    """One stream of talk, heard."""

    stream: Stream
    false: FalseEntries
    entered: tuple[tuple[str, Fields], ...]
    """The words heard and the event they led to."""


@dataclass(frozen=True)
class Speed:
    """Timings of one recogniser alone on the machine, and the memory of its process."""

    timings: tuple[Timing, ...]
    peak_mib: float
    """Largest resident memory of the process, MiB: Python, recogniser, grammar and the benchmark itself."""
    options: dict[str, str]
    """What the recogniser says made its results."""


class _Worker:
    """The state of a worker process."""

    ear: Ear | VoicelogError
    """Open, or why it is not: a pool starts a worker whose start fails again and again, so the first clip says it."""
    folder: Path
    treatment: Treatment

    @classmethod
    def open_ear(cls) -> Ear:
        if isinstance(cls.ear, VoicelogError):
            raise RuntimeError(f"{cls.ear.message}. {cls.ear.hint}")
        return cls.ear


def make_speech(parts: Sequence[Say | Take], folder: Path, jobs: int) -> Iterator[str]:
    """Speak or read what the cache lacks; yields after each part, "" or why it cannot be had."""
    with get_context("spawn").Pool(jobs, _start_maker, (folder,)) as pool:
        yield from pool.imap_unordered(_make, parts, chunksize=8)


def _start_maker(folder: Path) -> None:
    _Worker.folder = folder


def _make(part: Say | Take) -> str:
    try:
        speech(part, _Worker.folder)
    except VoicelogError as error:
        return f"{error.message}. {error.hint}"
    return ""


def hear_all(way: Way, items: Sequence[Clip | Stream], folder: Path, jobs: int) -> Iterator[ClipResult | TalkResult]:
    """Hear every item; results come in a fixed order, the long ones first."""
    ordered = sorted(items, key=lambda item: isinstance(item, Clip))
    with get_context("spawn").Pool(jobs, _start_ear, (way, folder)) as pool:
        yield from pool.imap(_hear, ordered)


def _start_ear(way: Way, folder: Path) -> None:
    _Worker.folder = folder
    _Worker.treatment = way.treatment
    try:
        _Worker.ear = way.ear()
    except VoicelogError as error:
        _Worker.ear = error


def _hear(item: Clip | Stream) -> ClipResult | TalkResult:
    ear = _Worker.open_ear()
    if isinstance(item, Clip):
        heard, _ = ear.callout(treated(samples_of(item.sounds, _Worker.folder), _Worker.treatment), item.callout.before)
        return ClipResult(item, heard, score(item.callout, heard))
    samples = treated(samples_of(item.sounds, _Worker.folder, lead_s=1.0, tail_s=1.5), _Worker.treatment)
    found = ear.talk(samples)
    entered = tuple((one.words, event.fields) for one in found for event in one.events)
    decided = tuple((one.words, {"decision": decision}) for one in found for decision in one.decisions)
    return TalkResult(item, false_entries(len(samples) / 16_000, found), (*entered, *decided))


def timed(way: Way, clips: Sequence[Clip], folder: Path) -> Speed:
    """Hear some clips one after the other in one fresh process that is alone on the machine."""
    step = max(1, len(clips) // SPEED_CLIPS)
    with get_context("spawn").Pool(1) as pool:
        return pool.apply(_time, (way, clips[::step][:SPEED_CLIPS], folder))


def _time(way: Way, clips: Sequence[Clip], folder: Path) -> Speed:
    with way.ear() as ear:
        ready = [(treated(samples_of(clip.sounds, folder), way.treatment), clip.callout.before) for clip in clips]
        # The first one warms caches and threads, as the start of a case does.
        ear.callout(*ready[0])
        timings = tuple(ear.callout(samples, before)[1] for samples, before in ready)
        return Speed(timings, _peak_mib(), ear.options)


def _peak_mib() -> float:
    status = Path("/proc/self/status")
    if status.exists():
        # Unlike ru_maxrss this does not count what the parent process used before it started this one.
        lines = status.read_text(encoding="ascii").splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024 / (1024 if sys.platform == "darwin" else 1)
