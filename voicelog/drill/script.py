"""Reads a drill script (TOML): who says which words when, in which noise, as frozen dataclasses."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

from pydantic import ValidationError

from voicelog.errors import VoicelogError
from voicelog.events import event_fields, event_from

Speaker = Literal["lead", "second"]
LineKind = Literal["callout", "talk", "confirm", "correction", "take_back", "command"]
Sound = Literal["diesel_idle", "diesel_drive", "bag_valve", "siren_wail", "siren_yelp"]

SPEAKERS: tuple[Speaker, ...] = get_args(Speaker)
LINE_KINDS: tuple[LineKind, ...] = get_args(LineKind)
SOUNDS: tuple[Sound, ...] = get_args(Sound)

Fields = dict[str, Any]
"""An event as ``voicelog.events.event_fields`` gives it."""
_T = TypeVar("_T", bound=str)
_WORDS = re.compile(r"[a-z']+( [a-z']+)*")
_SCRIPT_KEYS = {"title", "started_at", "patient", "length_s", "snr_db", "seed", "voices", "noise", "line"}
_NOISE_KEYS = {"sound", "start", "end", "level_db"}
_LINE_KEYS = {"at", "speaker", "kind", "say", "means", "over"}


class DrillError(VoicelogError):
    """A drill script, a voice or a sample cannot be used."""


@dataclass(frozen=True)
class Line:
    """One stretch of speech."""

    at: float
    """Seconds from the start of the recording at which the first word begins."""
    speaker: Speaker
    """Which of the two crew members speaks."""
    kind: LineKind
    """What the line is to the record; ``talk`` must yield nothing."""
    say: str
    """The words, lower case, one blank between, numbers in words, letters apart."""
    means: tuple[Fields, ...] | None = None
    """The events it must lead to, as ``voicelog.events.event_fields`` gives them; None where
    the script does not say."""
    over: bool = False
    """It is said while the line before it still goes on; any other line waits for the one before."""


@dataclass(frozen=True)
class NoisePart:
    """One sound in the background, from a start to an end."""

    sound: Sound
    """Which synthetic sound."""
    start: float
    """Seconds on the recording."""
    end: float
    """Seconds on the recording, after ``start``."""
    level_db: float
    """Level against a part at 0 dB, dB; the whole mix is then set by ``Script.snr_db``."""


@dataclass(frozen=True)
class Script:
    """One drill, complete: the same script and voices give the same recording."""

    title: str
    """Short name of the case."""
    started_at: datetime
    """Aware clock time of the first sample."""
    patient: str
    """The invented patient in one sentence."""
    length_s: float
    """Length of the recording, seconds; grows when slow voices need more."""
    snr_db: float
    """RMS of active speech over RMS of all noise, dB (see ``render.py``)."""
    seed: int
    """Seed of the noise."""
    voices: dict[Speaker, str]
    """Voice name (see ``voices.py``) of each speaker."""
    noise: tuple[NoisePart, ...]
    """Background sounds; none means a clean recording."""
    lines: tuple[Line, ...]
    """What is said, in order of time."""


def read_script(path: Path) -> Script:
    """Read and check one script file.

    Args:
        path: a TOML file.

    Raises:
        DrillError: the file is missing, is not TOML, or says something a drill cannot do; names file and line entry.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DrillError(f"{path}: the script cannot be read: {error}", "Name a readable TOML script.") from error
    return parse_script(text, str(path))


def parse_script(text: str, name: str = "script") -> Script:
    """Check a script given as TOML text; ``name`` stands in errors.

    Raises:
        DrillError: as ``read_script``.
    """
    try:
        table = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise DrillError(f"{name}: not TOML: {error}", "Mend the file at the line named.") from error
    _known(table, _SCRIPT_KEYS, name)
    lines = tuple(_line(entry, f"{name}: line {n}") for n, entry in enumerate(_tables(table, "line", name), 1))
    if not lines:
        raise DrillError(f"{name}: the script has no lines", "Add a [[line]] with at, speaker, kind and say.")
    for n, (before, after) in enumerate(pairwise(lines), 2):
        if after.at <= before.at:
            raise DrillError(
                f"{name}: line {n}: at {after.at} s is not after the line before it at {before.at} s",
                "Put the lines in order of time.",
            )
    length_s = _number(table, "length_s", name)
    if length_s <= lines[-1].at:
        raise DrillError(
            f"{name}: length_s {length_s} ends before the last line at {lines[-1].at} s", "Raise length_s."
        )
    noise = tuple(_noise(entry, f"{name}: noise {n}") for n, entry in enumerate(_tables(table, "noise", name), 1))
    return Script(
        title=_text(table, "title", name),
        started_at=_started_at(table, name),
        patient=_text(table, "patient", name),
        length_s=length_s,
        snr_db=_number(table, "snr_db", name),
        seed=_seed(table, name),
        voices=_voices(table, name),
        noise=noise,
        lines=lines,
    )


def _line(entry: dict[str, Any], place: str) -> Line:
    _known(entry, _LINE_KEYS, place)
    at = _number(entry, "at", place)
    if at < 0:
        raise DrillError(f"{place}: at {at} is before the recording starts", "Use seconds from the start, 0 or more.")
    say = _text(entry, "say", place)
    if not _WORDS.fullmatch(say):
        raise DrillError(
            f'{place}: say "{say}" is not plain words',
            "Write lower-case words with one blank between; numbers in words, letters apart, no digits or signs.",
        )
    speaker: Speaker = _choice(entry, "speaker", SPEAKERS, place)
    kind: LineKind = _choice(entry, "kind", LINE_KINDS, place)
    over = entry.get("over", False)
    if not isinstance(over, bool):
        raise DrillError(f"{place}: over is not true or false", "Write over = true, or leave it out.")
    return Line(at=at, speaker=speaker, kind=kind, say=say, means=_means(entry, place), over=over)


def _means(entry: dict[str, Any], place: str) -> tuple[Fields, ...] | None:
    """The events of a line, each checked to be one that can be."""
    if "means" not in entry:
        return None
    try:
        return tuple(event_fields(event_from(fields)) for fields in _tables(entry, "means", place))
    except (ValidationError, TypeError) as error:
        detail = str(error).splitlines()[0]
        raise DrillError(
            f"{place}: means holds no event: {detail}",
            'Write each as {kind = "vital_sign", sign = "heart_rate", value = 90, unit = "/min"}.',
        ) from error


def _noise(entry: dict[str, Any], place: str) -> NoisePart:
    _known(entry, _NOISE_KEYS, place)
    start, end = _number(entry, "start", place), _number(entry, "end", place)
    if not 0 <= start < end:
        raise DrillError(f"{place}: start {start} and end {end} are not a stretch of time", "Use 0 <= start < end.")
    sound: Sound = _choice(entry, "sound", SOUNDS, place)
    return NoisePart(sound=sound, start=start, end=end, level_db=_number(entry, "level_db", place))


def _started_at(table: dict[str, Any], place: str) -> datetime:
    value = table.get("started_at")
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise DrillError(
            f"{place}: started_at is not a date and time with an offset",
            "Write it unquoted, such as 2026-11-20T10:40:00-05:00.",
        )
    return value


def _voices(table: dict[str, Any], place: str) -> dict[Speaker, str]:
    named = table.get("voices")
    if not isinstance(named, dict):
        raise DrillError(
            f"{place}: the [voices] table is missing", 'Add [voices] with lead = "..." and second = "...".'
        )
    _known(named, set(SPEAKERS), f"{place}: voices")
    return {speaker: _text(named, speaker, f"{place}: voices") for speaker in SPEAKERS}


def _seed(table: dict[str, Any], place: str) -> int:
    value = table.get("seed")
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise DrillError(f"{place}: seed is not a whole number of 0 or more", "Add seed = 1.")
    return value


def _known(table: dict[str, Any], keys: set[str], place: str) -> None:
    for key in table:
        if key not in keys:
            raise DrillError(f'{place}: unknown key "{key}"', f"Known here: {', '.join(sorted(keys))}.")


def _tables(table: dict[str, Any], key: str, place: str) -> list[dict[str, Any]]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise DrillError(f"{place}: {key} is not a list of tables", f"Write each as [[{key}]].")
    return value


def _text(table: dict[str, Any], key: str, place: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise DrillError(f"{place}: {key} is missing or not text", f'Add {key} = "...".')
    return value


def _number(table: dict[str, Any], key: str, place: str) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not abs(float(value)) < 1e6:
        raise DrillError(f"{place}: {key} is missing or not a number", f"Add {key} = a number.")
    return float(value)


def _choice(table: dict[str, Any], key: str, allowed: tuple[_T, ...], place: str) -> _T:
    value = table.get(key)
    for candidate in allowed:
        if candidate == value:
            return candidate
    raise DrillError(f'{place}: {key} "{value}" is not known', f"Use one of: {', '.join(allowed)}.")
