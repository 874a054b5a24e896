"""Makes drills: scripts spoken by chosen voices in chosen noise, each recording with its truth beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.drill.judge import Heard
from voicelog.drill.render import RecordingFormat, Rendering, render, write_recording
from voicelog.drill.samples import samples_dir
from voicelog.drill.script import SOUNDS, DrillError, Fields, Line, NoisePart, Script, read_script
from voicelog.drill.truth import TrueLine, Truth, truth_path, write_truth
from voicelog.drill.typed import typed_course

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.grammar.model import Grammar

SCRIPTS = "drills"
"""The folder of drill scripts in the folder of samples."""
AS_WRITTEN = ""
"""Stands for a voice or a noise as the script has it."""
SILENT = "none"


@dataclass(frozen=True)
class Conditions:
    """How one recording of a script is made; what is not chosen is as the script has it."""

    lead: str = AS_WRITTEN
    """Voice of the lead."""
    second: str = AS_WRITTEN
    """Voice of the second crew member."""
    noise: str = AS_WRITTEN
    """One of SOUNDS, ``none``, or the path of a recording."""
    snr_db: float | None = None
    """RMS of active speech over RMS of the noise, dB."""

    @property
    def tag(self) -> str:
        """What sets the recording's file name apart from the others of its script."""
        parts = [self.lead, Path(self.noise).stem if self.noise else "", self._snr]
        return "".join(f"-{part}" for part in parts if part)

    @property
    def _snr(self) -> str:
        return "" if self.snr_db is None or self.noise == SILENT else f"{self.snr_db:g}db"


def shipped_scripts() -> dict[str, Path]:
    """The scripts that come with voicelog, by name: the drills and the four samples."""
    folder = samples_dir()
    return {path.stem: path for path in (*sorted((folder / SCRIPTS).glob("*.toml")), *sorted(folder.glob("*.toml")))}


def named_script(named: str) -> tuple[str, Script]:
    """The script of that name or in that file, and its name.

    Raises:
        DrillError: no such script or file, or one that cannot be used.
    """
    path = Path(named)
    if path.suffix == ".toml":
        return path.stem, read_script(path)
    known = shipped_scripts()
    if named not in known:
        raise DrillError(
            f'there is no drill script "{named}"', "See them all: voicelog drill scripts; or name a .toml file."
        )
    return named, read_script(known[named])


def conditions_of(voices: Sequence[str], noises: Sequence[str], snrs: Sequence[float]) -> list[Conditions]:
    """Every combination of what was chosen; each voice leads once, and the next one in the row is the second.

    Raises:
        DrillError: a noise that is neither a known sound nor a file.
    """
    for noise in noises:
        if noise not in (AS_WRITTEN, SILENT, *SOUNDS) and not Path(noise).is_file():
            raise DrillError(
                f'there is no noise "{noise}"', f"Use {SILENT}, {', '.join(SOUNDS)}, or the path of a recording."
            )
    crews = [(voice, voices[(n + 1) % len(voices)]) for n, voice in enumerate(voices)] or [(AS_WRITTEN, AS_WRITTEN)]
    every: list[Conditions] = []
    for (lead, second), noise, snr in product(crews, noises or [AS_WRITTEN], tuple(snrs) or (None,)):
        chosen = Conditions(lead, second, noise, None if noise == SILENT else snr)
        if chosen not in every:
            every.append(chosen)
    return every


def make(
    name: str,
    script: Script,
    chosen: Conditions,
    grammar: Grammar,
    out: Path,
    format: RecordingFormat = "flac",
    seed: int | None = None,
) -> Truth:
    """Make one recording and its truth; the same arguments and voices give the same samples.

    Args:
        name: of the script.
        script: what is said.
        chosen: how.
        grammar: tells what a line means where the script does not say.
        out: folder to write to.
        format: of the recording.
        seed: of the noise; None for the script's own.

    Raises:
        DrillError: a voice is missing, the noise cannot be read, or a file cannot be written.
    """
    cast = apply(script, chosen)
    if seed is not None:
        cast = replace(cast, seed=seed)
    own = Path(chosen.noise) if chosen.noise not in (AS_WRITTEN, SILENT, *SOUNDS) else None
    rendering = render(cast, None if own is None else _recorded(own))
    recording = out / f"{name}{chosen.tag}.{format}"
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DrillError(f"{out} cannot be made: {error.strerror}", "Name a folder you may write to.") from error
    write_recording(rendering, cast, recording)
    truth = Truth(
        recording=recording.name,
        title=script.title,
        origin="made",
        script=name,
        length_s=round(rendering.samples.size / 16_000, 3),
        noise=own.stem if own else "+".join(dict.fromkeys(part.sound for part in cast.noise)) or SILENT,
        snr_db=None if rendering.snr_db is None else round(rendering.snr_db, 1),
        lines=_true_lines(rendering, cast, grammar),
    )
    write_truth(truth, truth_path(recording))
    return truth


def apply(script: Script, chosen: Conditions) -> Script:
    """The script with the chosen voices, noise and SNR."""
    cast = replace(
        script,
        voices={
            "lead": chosen.lead or script.voices["lead"],
            "second": chosen.second or script.voices["second"],
        },
        snr_db=script.snr_db if chosen.snr_db is None else chosen.snr_db,
    )
    if chosen.noise == AS_WRITTEN:
        return cast
    if chosen.noise in SOUNDS:
        # Longer than any recording: the voices may need more time than the script has.
        return replace(cast, noise=(NoisePart(chosen.noise, 0.0, 86_400.0, 0.0),))
    return replace(cast, noise=())


def _true_lines(rendering: Rendering, script: Script, grammar: Grammar) -> tuple[TrueLine, ...]:
    typed = typed_course([(spoken.line.say, spoken.start) for spoken in rendering.lines], grammar)
    found = []
    for spoken, heard in zip(rendering.lines, typed, strict=True):
        line = spoken.line
        found.append(
            TrueLine(
                who=script.voices[line.speaker],
                kind=line.kind,
                say=line.say,
                start=round(spoken.start, 3),
                end=round(spoken.end, 3),
                events=events_of(line, heard),
            )
        )
    return tuple(found)


def events_of(line: Line, typed: Heard) -> tuple[Fields, ...]:
    """What must be entered for a line: what the script says, else what the words lead to when they are typed."""
    if line.means is not None:
        return line.means
    return () if line.kind == "talk" else tuple(entered.fields for entered in typed.events)


def _recorded(path: Path) -> NDArray[np.float64]:
    import numpy as np

    from voicelog.audio.source import read_recording

    samples = read_recording(path).samples.astype(np.float64)
    if not samples.any():
        raise DrillError(f"{path}: the noise is silent", "Name a recording with sound in it.")
    return samples
