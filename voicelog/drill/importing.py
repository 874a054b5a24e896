"""Brings recordings in that exist already, with a plain-text transcript: a line for each callout, in order."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.audio.endpoint import Endpointer, EndpointSettings
from voicelog.audio.quality import measure
from voicelog.audio.source import read_recording
from voicelog.drill.record import free_name
from voicelog.drill.render import write_samples
from voicelog.drill.script import DrillError, LineKind
from voicelog.drill.truth import TrueLine, Truth, truth_path, write_truth
from voicelog.drill.typed import typed_course
from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.drill.judge import Heard
    from voicelog.grammar.model import Grammar

_LINE = re.compile(
    r"(?:(?P<start>\d+(?:\.\d+)?)(?:-(?P<end>\d+(?:\.\d+)?))?\s+)?(?P<talk>-\s+)?(?:(?P<who>[\w][\w -]{0,29}):\s+)?"
    r"(?P<say>[a-z' ]+?)(?:\s*=>\s*(?P<means>[a-z' ]+))?"
)
_HINT = (
    "Write lines such as: heart rate ninety; or with the second, and who: 12.5 anna: heart rate ninety. "
    "Begin talk that is not for the record with - and a blank."
)
_KINDS: dict[str, LineKind] = {"confirm": "confirm", "correction": "correction", "take_back": "take_back"}


@dataclass(frozen=True)
class Said:
    """One line of a transcript."""

    place: int
    """Number of the line in the file."""
    say: str
    who: str
    """'' when the line does not say."""
    talk: bool
    start: float | None
    """Seconds; None when the line does not say."""
    end: float | None
    means: str
    """The same in words of the grammar, where the crew's own are not in it; '' when they are."""


def read_transcript(path: Path) -> tuple[Said, ...]:
    """Read a transcript.

    Raises:
        DrillError: it cannot be read, is empty, or has a line that is no such line; names the line.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DrillError(f"{path}: the transcript cannot be read: {error}", "Name a text file in UTF-8.") from error
    found = []
    for number, row in enumerate(text.splitlines(), 1):
        line = row.partition("#")[0].strip().lower()
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if not match:
            raise DrillError(f"{path}:{number}: {row.strip()!r} is no line of a transcript", _HINT)
        start, end = (float(match[name]) if match[name] else None for name in ("start", "end"))
        if start is not None and end is not None and end <= start:
            raise DrillError(f"{path}:{number}: it ends before it begins", _HINT)
        said = " ".join(match["say"].split())
        found.append(
            Said(number, said, match["who"] or "", bool(match["talk"]), start, end, (match["means"] or "").strip())
        )
    if not found:
        raise DrillError(f"{path}: the transcript is empty", _HINT)
    return tuple(found)


def bring_in(
    audio: Path, transcript: Path, who: str, conditions: str, consent: str, grammar: Grammar, out: Path
) -> tuple[Truth, tuple[str, ...]]:
    """Copy a recording into a folder of drills, with the truth that its transcript tells.

    Args:
        audio: WAV, FLAC or Ogg, any rate.
        transcript: its words.
        who: label of the speaker where a line names none.
        conditions: where and how it was recorded, in short.
        consent: what the speakers agreed to.
        grammar: tells what the lines mean.
        out: folder to write to; made if need be.

    Returns:
        The truth, and the callouts that the grammar does not understand, of which nothing can be expected.

    Raises:
        AudioError: the recording cannot be used.
        DrillError: the transcript does not fit it, or a file cannot be written.
    """
    said = read_transcript(transcript)
    recording = read_recording(audio)
    stretches = speech_in(recording.samples)
    places = _placed(said, stretches, recording.duration_s, transcript)
    typed = typed_course([(one.means or one.say, start) for one, (start, _) in zip(said, places, strict=True)], grammar)
    lines = tuple(
        TrueLine(
            one.who or who,
            _kind(one, heard),
            one.say,
            round(start, 3),
            round(end, 3),
            () if one.talk else tuple(entered.fields for entered in heard.events),
        )
        for one, heard, (start, end) in zip(said, typed, places, strict=True)
    )
    kept = free_name(out, audio.stem)
    started_at = recording.started_at or datetime.fromtimestamp(audio.stat().st_mtime, UTC)
    write_samples(recording.samples, audio.stem, started_at, "A drill.", kept)
    truth = Truth(
        recording=kept.name,
        title=audio.stem,
        origin="imported",
        script="",
        length_s=round(recording.duration_s, 3),
        noise=conditions,
        snr_db=_snr(recording.samples, stretches),
        lines=lines,
        consent=consent,
    )
    write_truth(truth, truth_path(kept))
    unknown = tuple(
        one.say
        for one, heard in zip(said, typed, strict=True)
        if not one.talk and not heard.events and not heard.commands
    )
    return truth, unknown


def _kind(said: Said, heard: Heard) -> LineKind:
    if said.talk:
        return "talk"
    if not heard.commands:
        return "callout"
    return _KINDS.get(heard.commands[0], "command")


def speech_in(samples: NDArray[np.int16]) -> list[tuple[float, float]]:
    """The stretches of speech in a recording: seconds of begin and end, as the live session would cut them."""
    settings = EndpointSettings()
    endpointer, found, start = Endpointer(settings), [], 0.0
    for block in (*endpointer.feed(samples), *endpointer.flush()):
        if block.first:
            start = min(block.start_sample / SAMPLE_RATE + settings.pre_roll_ms / 1000, block.end_sample / SAMPLE_RATE)
        if block.last:
            found.append((start, block.end_sample / SAMPLE_RATE - settings.post_roll_ms / 1000))
    return found


def _placed(
    said: Sequence[Said], stretches: Sequence[tuple[float, float]], length_s: float, path: Path
) -> list[tuple[float, float]]:
    """Begin and end of each line: as the transcript tells, else one stretch of speech a line."""
    if all(one.start is None for one in said):
        if len(said) != len(stretches):
            heard = ", ".join(f"{start:.1f}-{end:.1f}" for start, end in stretches) or "none"
            raise DrillError(
                f"{path}: {len(said)} lines, but {len(stretches)} stretches of speech ({heard} s)",
                "Write the second at which it begins before each line, such as: 12.5 heart rate ninety",
            )
        return list(stretches)
    if any(one.start is None for one in said):
        place = next(one.place for one in said if one.start is None)
        raise DrillError(f"{path}:{place}: it has no second, but others have", "Write it before every line, or none.")
    return list(_by_times(said, stretches, length_s, path))


def _by_times(
    said: Sequence[Said], stretches: Sequence[tuple[float, float]], length_s: float, path: Path
) -> Iterator[tuple[float, float]]:
    starts = [one.start or 0.0 for one in said]
    for number, (one, start) in enumerate(zip(said, starts, strict=True)):
        if number and start < starts[number - 1]:
            raise DrillError(f"{path}:{one.place}: {start:g} s is before the line above", "Put the lines in order.")
        if start >= length_s:
            raise DrillError(f"{path}:{one.place}: {start:g} s is behind the end, {length_s:.1f} s", "Mend the second.")
        latest = starts[number + 1] if number + 1 < len(said) else length_s
        ends = [end for begin, end in stretches if begin < latest and start < end <= latest + 0.5]
        yield start, one.end or min(max(ends, default=latest), max(latest, start + 0.1))


def _snr(samples: NDArray[np.int16], stretches: Sequence[tuple[float, float]]) -> float | None:
    """Median speech over noise of the stretches, dB; None for no speech."""
    import statistics

    found = [
        measure(samples[max(0, round((start - 0.6) * SAMPLE_RATE)) : round((end + 0.22) * SAMPLE_RATE)]).snr_db
        for start, end in stretches
    ]
    return round(statistics.median(found), 1) if found else None
