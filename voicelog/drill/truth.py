"""The truth beside a drill's recording: who said which words from when to when, and what must come of them (JSON)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ValidationError

from voicelog.drill.script import LINE_KINDS, DrillError, Fields, LineKind
from voicelog.events import event_fields, event_from
from voicelog.views.plain import json_line

Origin = Literal["made", "recorded", "imported"]
ORIGINS: tuple[Origin, ...] = get_args(Origin)
SUFFIX = ".truth.json"
"""Of the file beside a recording: ``night.flac`` has its truth in ``night.truth.json``."""
VERSION = 1
CAUTION = (
    "Drills measure a documentation and training aid, not a medical device. Local protocols, medical direction and "
    "licensed practice come first; verify every entry."
)


@dataclass(frozen=True)
class TrueLine:
    """One stretch of speech as it was."""

    who: str
    """A voice, or the label a speaker chose."""
    kind: LineKind
    """What it is to the record; ``talk`` must yield nothing."""
    say: str
    """The words, lower case, numbers in words, one blank between."""
    start: float
    """Seconds on the recording at which the first word begins."""
    end: float
    """Seconds on the recording at which the last word ends."""
    events: tuple[Fields, ...] = ()
    """What must be entered, as ``voicelog.events.event_fields`` gives it."""


@dataclass(frozen=True)
class Truth:
    """A drill's recording, described."""

    recording: str
    """File name of the recording, in the folder of the truth."""
    title: str
    origin: Origin
    script: str
    """Name of the script, '' for none."""
    length_s: float
    """Length of the recording, seconds."""
    noise: str
    """What sounds behind the speech, in short; ``none`` for nothing."""
    snr_db: float | None
    """RMS of active speech over RMS of the noise, dB: as mixed, or as measured on a recording; None without noise."""
    lines: tuple[TrueLine, ...]
    """In order of time."""
    consent: str = ""
    """What the speakers of a recording agreed to; '' for synthetic voices."""

    @property
    def hours(self) -> float:
        """Length in hours."""
        return self.length_s / 3600


def truth_path(recording: Path) -> Path:
    """Where the truth of a recording lies."""
    return recording.with_name(recording.stem + SUFFIX)


def write_truth(truth: Truth, path: Path) -> None:
    """Write a truth as JSON that people can read, a line of speech a line of text.

    Raises:
        DrillError: the file cannot be written.
    """
    head = {
        "voicelog_drill": VERSION,
        "caution": CAUTION,
        **{name: getattr(truth, name) for name in ("recording", "title", "origin", "script", "length_s", "noise")},
        "snr_db": truth.snr_db,
        "consent": truth.consent,
    }
    rows = ",\n".join("  " + json_line({**vars(line), "words": line.say.split()}) for line in truth.lines)
    text = json.dumps(head, indent=1)[:-2] + ',\n "lines": [\n' + rows + "\n ]\n}\n"
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise DrillError(f"{path}: the truth cannot be written: {error}", "Name a folder you may write to.") from error


def read_truth(path: Path) -> Truth:
    """Read a truth, every event checked.

    Raises:
        DrillError: missing, no truth, of a later version, or with an event that cannot be.
    """
    try:
        table = json.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
        if table["voicelog_drill"] != VERSION:
            raise DrillError(
                f"{path}: version {table['voicelog_drill']} of a drill's truth is not known here",
                "Use the voicelog that made it, or a later one.",
            )
        lines = tuple(_line(row) for row in table["lines"])
        if table["origin"] not in ORIGINS:
            raise ValueError(f"origin {table['origin']!r}")
        snr_db = table["snr_db"]
        return Truth(
            recording=Path(table["recording"]).name,
            title=str(table["title"]),
            origin=table["origin"],
            script=str(table["script"]),
            length_s=float(table["length_s"]),
            noise=str(table["noise"]),
            snr_db=None if snr_db is None else float(snr_db),
            lines=lines,
            consent=str(table["consent"]),
        )
    except (OSError, ValueError, KeyError, TypeError, ValidationError) as error:
        detail = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise DrillError(
            f"{path}: not the truth of a drill: {detail}", "Make or import the drill again, or mend the file."
        ) from error


def _line(row: dict[str, Any]) -> TrueLine:
    if row["kind"] not in LINE_KINDS:
        raise ValueError(f"kind {row['kind']!r}")
    events = tuple(event_fields(event_from(fields)) for fields in row["events"])
    return TrueLine(row["who"], row["kind"], row["say"], float(row["start"]), float(row["end"]), events)


def drills_in(folder: Path) -> tuple[tuple[Path, Truth], ...]:
    """The recordings of a folder that have a truth, with it, by name.

    Raises:
        DrillError: no such folder, no drill in it, or a truth without its recording.
    """
    if not folder.is_dir():
        raise DrillError(f"{folder} is no folder", "Make drills first: voicelog drill make calm_asthma --out drills")
    found = []
    for path in sorted(folder.glob(f"*{SUFFIX}")):
        truth = read_truth(path)
        recording = folder / truth.recording
        if not recording.is_file():
            raise DrillError(f"{path}: its recording {truth.recording} is not there", "Put it back, or delete both.")
        found.append((recording, truth))
    if not found:
        raise DrillError(
            f"there is no drill in {folder}", "Make one: voicelog drill make calm_asthma --out " + str(folder)
        )
    return tuple(found)


def speakers(truths: Sequence[Truth]) -> tuple[str, ...]:
    """Everybody who speaks for the record in some drills, by name."""
    return tuple(sorted({line.who for truth in truths for line in truth.lines if line.kind != "talk"}))
