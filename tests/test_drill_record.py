"""``voicelog drill record`` on a real sound server: prompts, takes checked and repeated, consent before all."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pulse import Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.audio.source import read_recording
from voicelog.cli import main
from voicelog.drill.truth import read_truth
from voicelog.drill.voices import speak

SCRIPT = """
title = "Two lines"
started_at = 2026-11-20T10:00:00-05:00
patient = "Invented."
length_s = 9
snr_db = 20
seed = 3
[voices]
lead = "flite-slt"
second = "flite-slt"
[[line]]
at = 1
speaker = "lead"
kind = "callout"
say = "pulse ninety"
[[line]]
at = 4
speaker = "second"
kind = "callout"
say = "patient contact"
"""


@pytest.fixture(name="script")
def two_lines(tmp_path: Path) -> Path:
    path = tmp_path / "two.toml"
    path.write_text(SCRIPT)
    return path


class Typist:
    """Standard input that does something with each answer it gives."""

    def __init__(self, answers: list[tuple[str, Callable[[], object] | None]]) -> None:
        self._answers = iter(answers)

    def readline(self) -> str:
        """The next answer."""
        answer, act = next(self._answers, ("", None))
        if act:
            act()
        return f"{answer}\n"


def spoken(text: str, level: float) -> NDArray[np.int16]:
    """Speech of that RMS, of full scale 1."""
    samples: NDArray[np.int16] = np.clip(speak(text, "flite-slt") * 32768 * level, -32768, 32767).astype(np.int16)
    return samples


@pytest.mark.realtime
@pytest.mark.skipif(bool(why_not()), reason=why_not())
def test_a_crew_is_prompted_and_its_takes_become_a_drill(
    pulse: Pulse, script: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def saying(text: str, level: float = 0.06, after_s: float = 1.0) -> Callable[[], object]:
        return lambda: threading.Timer(after_s, pulse.play, [spoken(text, level)]).start()

    answers: list[tuple[str, Callable[[], object] | None]] = [
        ("yes", saying("pulse ninety", 0.9, after_s=4.5)),
        ("r", saying("pulse ninety")),
        ("", saying("patient contact")),
        ("", None),
    ]
    monkeypatch.setattr("sys.stdin", Typist(answers))
    out = tmp_path / "drills"
    command = ["drill", "record", str(script), "--out", str(out), "--who", "blue", "--second", "red"]
    assert main([*command, "--conditions", "test bench"]) == 0
    printed = capsys.readouterr().out
    assert printed.index("hold your voice") < printed.index("Microphone:")
    assert "Noise floor -" in printed
    assert "distorted: farther from the microphone" in printed
    assert "two-blue.flac: 2 of 2 lines kept." in printed

    truth = read_truth(out / "two-blue.truth.json")
    assert (truth.origin, truth.script, truth.noise) == ("recorded", "two", "test bench")
    assert "hold your voice" in truth.consent
    assert [(line.who, line.say) for line in truth.lines] == [("blue", "pulse ninety"), ("red", "patient contact")]
    assert [line.events[0]["kind"] for line in truth.lines] == ["vital_sign", "milestone"]
    samples = read_recording(out / truth.recording).samples.astype(float)
    for line in truth.lines:
        inside = samples[round(line.start * 16_000) : round(line.end * 16_000)]
        around = np.concatenate(
            [samples[round((line.start - 0.5) * 16_000) : round((line.start - 0.2) * 16_000)], np.zeros(1)]
        )
        assert np.sqrt(np.mean(inside**2)) > 20 * np.sqrt(np.mean(around**2))
        said = speak(line.say, "flite-slt").size / 16_000
        assert line.end - line.start == pytest.approx(said, abs=0.4)
    assert truth.lines[1].start - truth.lines[0].end > 1.0


def test_without_consent_nothing_is_recorded(
    script: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("no\n"))
    assert main(["drill", "record", str(script), "--out", str(tmp_path / "drills"), "--who", "blue"]) == 2
    assert "nothing was recorded" in capsys.readouterr().err
    assert not (tmp_path / "drills").exists()


@pytest.mark.parametrize("label", ["", "../blue", "a" * 31])
def test_a_label_fits_a_file_name(label: str, script: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drill", "record", str(script), "--out", str(tmp_path), "--who", label]) == 2
    assert "is no label" in capsys.readouterr().err
