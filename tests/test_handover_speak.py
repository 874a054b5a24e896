"""``handover --speak`` without a loudspeaker: ALSA writes what would sound to a file, and it is the report itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from checks_case import DRUGS, PROTOCOL
from report_cases import state_and_end, told_file

from voicelog.audio.portaudio import devices
from voicelog.errors import AudioError
from voicelog.speech.voices import open_voice
from voicelog.views.handover import handover

ALSA = Path("/usr/share/alsa/alsa.conf")
_TO_FILE = 'pcm.!default { type file file "%s" format "raw" slave.pcm "null" }\n'
_PAGE = "Last: heart rate 90/min."


def _no_sound() -> str:
    try:
        import sounddevice  # noqa: F401

        open_voice()
    except (ImportError, OSError, AudioError) as error:
        return str(error)
    return "" if ALSA.exists() else "no ALSA configuration here (Debian: libasound2-data)"


@pytest.fixture(scope="module", autouse=True)
def sound() -> None:
    """Skip where there is neither a voice nor the sound library."""
    if reason := _no_sound():
        pytest.skip(reason)


@pytest.fixture
def case(tmp_path: Path) -> Path:
    return told_file(tmp_path / "case.voicelog", (0.0, "heart rate ninety"))


def speak(case: Path, alsa: str) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own, with an ALSA configuration and no sound server."""
    environment = {**os.environ, "ALSA_CONFIG_PATH": alsa, "PULSE_SERVER": "unix:/nowhere"}
    command = [sys.executable, "-m", "voicelog", "handover", str(case), "--speak"]
    return subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60)


def test_what_sounds_is_the_report_word_for_word(case: Path, tmp_path: Path) -> None:
    (tmp_path / "asound.conf").write_text(_TO_FILE % (tmp_path / "sound.raw"), encoding="utf-8")
    done = speak(case, f"{ALSA}:{tmp_path / 'asound.conf'}")
    assert (done.returncode, done.stderr) == (0, "")
    assert _PAGE in done.stdout
    state, end = state_and_end(case)
    said = handover(state, PROTOCOL, DRUGS, end).spoken
    assert said == "Last: pulse nine zero."
    # At 24 kHz nothing is resampled, so that the samples of the voice stand in the file as they are.
    wanted, rate = open_voice().render(said)
    if rate != 24_000:
        pytest.skip(f"the voice here speaks at {rate} Hz, and is resampled")
    sounded = np.fromfile(tmp_path / "sound.raw", dtype=np.int16)
    sounded, wanted = np.trim_zeros(sounded), np.trim_zeros(wanted)
    assert np.array_equal(sounded, wanted)
    other, _ = open_voice().render("Last: pulse nine one.")
    assert not np.array_equal(sounded, np.trim_zeros(other))


def test_without_a_sound_output_the_report_is_printed_and_one_line_says_so(
    case: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PULSE_SERVER", "unix:/nowhere")
    if any(device.outputs for device in devices()):
        pytest.skip("this machine has a sound output")
    done = speak(case, str(ALSA))
    assert done.returncode == 2
    assert _PAGE in done.stdout
    complaint, hint = done.stderr.splitlines()
    assert complaint == "voicelog: there is no sound output on this machine"
    assert hint == "hint: See: voicelog doctor --audio"
