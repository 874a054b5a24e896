"""Records a crew saying a script: a take for each line, checked as it comes, joined to a drill with its truth."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from voicelog.audio.endpoint import Endpointer, EndpointSettings
from voicelog.audio.microphone import Block, Deaf, Microphone, level_dbfs
from voicelog.audio.quality import Fault, measure
from voicelog.drill.make import events_of
from voicelog.drill.render import write_samples
from voicelog.drill.script import DrillError, Line, Script, Speaker
from voicelog.drill.truth import TrueLine, Truth, truth_path, write_truth
from voicelog.drill.typed import typed_course
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.grammar.model import Grammar

    Samples = NDArray[np.int16]

CONSENT = (
    "The recordings hold your voice. They are kept on this machine, to test how well voicelog hears, and whoever has "
    "the files can hear them; you may have them deleted at any time. Say no patient's name."
)
FLOOR_S = 2.0
"""How long the room is listened to before the first take."""
LOUD_FLOOR_DBFS = -40.0
"""A noise floor above this is loud: common practice, no source."""
WAIT_S = 20.0
"""How long speech is waited for."""
BEFORE_S, AFTER_S = 0.7, 0.9
"""Sound kept around the speech of a take, so that two takes in a row are two utterances."""
SETTINGS = EndpointSettings(min_silence_ms=1200)
"""A take ends later than an utterance does: who reads a line from a screen may stop in it."""
ADVICE: dict[Fault, str] = {
    "noisy": "the noise is nearly as loud as the voice: nearer to the microphone",
    "clipped": "distorted: farther from the microphone, or turn it down",
    "too_soft": "too soft: nearer to the microphone, or turn it up",
    "narrow_band": "sounds as through a telephone: another microphone or its wide-band mode",
}
_STEP_S = 0.1


@dataclass(frozen=True)
class Take:
    """One line as it was said."""

    line: Line
    samples: Samples
    """Int16 mono at 16 kHz."""
    start_s: float
    """Where speech begins in the samples."""
    end_s: float
    """Where it ends."""
    level_dbfs: float
    """Of the speech."""
    snr_db: float
    """Speech over noise."""
    faults: tuple[Fault, ...]
    """What makes it hard to hear, the worst first."""


Answer = str
KEEP, AGAIN, SKIP, STOP = "", "r", "s", "q"
ANSWERS = (KEEP, AGAIN, SKIP, STOP)


class Booth(Protocol):
    """Who is in front of the microphone, and the screen."""

    def prompt(self, number: int, count: int, line: Line, who: str) -> None:
        """Show what to say now."""

    def judge(self, take: Take | None) -> Answer:
        """Show how a take came out, None for no speech, and ask what to do with it: one of ANSWERS."""


def noise_floor(microphone: Microphone, seconds: float = FLOOR_S) -> float:
    """Level of the room in dB below full scale.

    Raises:
        DrillError: no sound comes from the microphone.
    """
    return level_dbfs(_sound(microphone, seconds))


def takes(microphone: Microphone, lines: Sequence[Line], who: dict[Speaker, str], booth: Booth) -> Iterator[Take]:
    """Record each line until it is kept or skipped; yields what is kept as soon as it is.

    Raises:
        DrillError: no sound comes from the microphone.
    """
    for number, line in enumerate(lines, 1):
        answer = AGAIN
        while answer == AGAIN:
            booth.prompt(number, len(lines), line, who[line.speaker])
            take = one_take(microphone, line)
            answer = booth.judge(take)
            if answer == KEEP and take:
                yield take
        if answer == STOP:
            return


def one_take(microphone: Microphone, line: Line, wait_s: float = WAIT_S) -> Take | None:
    """Record until speech has begun and ended; None when nobody spoke in time.

    What came in before is dropped: it is of the take before, or of talk about it.

    Raises:
        DrillError: no sound comes from the microphone.
    """
    import numpy as np

    while microphone.read(0.0) is not None:
        pass
    endpointer, pieces, fed = Endpointer(SETTINGS), [], 0
    begin, deadline = -1, time.monotonic() + wait_s
    while begin >= 0 or time.monotonic() < deadline:
        samples = _sound(microphone, _STEP_S)
        pieces.append(samples)
        fed += len(samples)
        for block in endpointer.feed(samples):
            if block.first:
                begin = block.start_sample + round(SAMPLE_RATE * SETTINGS.pre_roll_ms / 1000)
            if block.last:
                end = block.end_sample - round(SAMPLE_RATE * SETTINGS.post_roll_ms / 1000)
                while fed < end + round(AFTER_S * SAMPLE_RATE):
                    pieces.append(_sound(microphone, _STEP_S))
                    fed += len(pieces[-1])
                return _cut(line, np.concatenate(pieces), min(begin, end), end)
    return None


def _cut(line: Line, sound: Samples, begin: int, end: int) -> Take:
    first = max(0, begin - round(BEFORE_S * SAMPLE_RATE))
    samples = sound[first : end + round(AFTER_S * SAMPLE_RATE)]
    # The measure wants what the endpointer would keep around an utterance.
    quality = measure(sound[max(0, begin - 9600) : end + 3584])
    return Take(
        line,
        samples,
        (begin - first) / SAMPLE_RATE,
        (end - first) / SAMPLE_RATE,
        quality.speech_dbfs,
        quality.snr_db,
        quality.faults,
    )


def _sound(microphone: Microphone, seconds: float) -> Samples:
    """The next stretch of sound, a little longer than asked for.

    Raises:
        DrillError: the microphone is deaf.
    """
    import numpy as np

    pieces: list[Samples] = []
    while sum(map(len, pieces)) < seconds * SAMPLE_RATE:
        heard = microphone.read(1.0)
        if isinstance(heard, Block):
            pieces.append(heard.samples)
        elif isinstance(heard, Deaf):
            raise DrillError(f"the microphone is deaf: {heard.reason}", "Try it with: voicelog doctor --audio")
    return np.concatenate(pieces)


def write_drill(
    kept: Sequence[Take],
    script: Script,
    name: str,
    who: dict[Speaker, str],
    conditions: str,
    grammar: Grammar,
    out: Path,
    started_at: datetime,
) -> Truth:
    """Join takes to one recording with its truth, under a name that is still free.

    Args:
        kept: at least one take.
        script: where they are from.
        name: of the script.
        who: label of each speaker.
        conditions: where and how it was recorded, in short.
        grammar: tells what a line means where the script does not say.
        out: folder to write to; made if need be.
        started_at: when the first take began, aware.

    Raises:
        DrillError: a file cannot be written.
    """
    import numpy as np

    typed = typed_course([(take.line.say, float(n)) for n, take in enumerate(kept)], grammar)
    lines, place = [], 0
    for take, heard in zip(kept, typed, strict=True):
        start = place / SAMPLE_RATE
        lines.append(
            TrueLine(
                who[take.line.speaker],
                take.line.kind,
                take.line.say,
                round(start + take.start_s, 3),
                round(start + take.end_s, 3),
                events_of(take.line, heard),
            )
        )
        place += len(take.samples)
    recording = free_name(out, f"{name}-{who['lead']}")
    write_samples(np.concatenate([take.samples for take in kept]), script.title, started_at, "A drill.", recording)
    truth = Truth(
        recording=recording.name,
        title=script.title,
        origin="recorded",
        script=name,
        length_s=round(place / SAMPLE_RATE, 3),
        noise=conditions,
        snr_db=round(statistics.median(take.snr_db for take in kept), 1),
        lines=tuple(lines),
        consent=CONSENT,
    )
    write_truth(truth, truth_path(recording))
    return truth


def free_name(out: Path, stem: str) -> Path:
    """A FLAC file of a folder that is not there yet; the folder is made if need be.

    Raises:
        DrillError: the folder cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise DrillError(f"{out} cannot be made: {error.strerror}", "Name a folder you may write to.") from error
    plain = "".join(sign if sign.isalnum() or sign in "-_" else "_" for sign in stem)
    paths = (out / f"{plain}{f'-{number}' if number > 1 else ''}.flac" for number in range(1, 10_000))
    return next(path for path in paths if not path.exists())
