"""The microphone on a real sound server: what is played into it arrives, on one clock, and no deafness goes untold."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pulse import RATE, Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.audio.microphone import (
    SILENCE_DBFS,
    Block,
    Deaf,
    Lost,
    Microphone,
    Recovered,
    devices,
    level_dbfs,
)
from voicelog.audio.source import read_recording
from voicelog.errors import AudioError

pytestmark = [pytest.mark.realtime, pytest.mark.skipif(bool(why_not()), reason=why_not())]
SPEECH = Path(__file__).parent.parent / "samples" / "asthma.flac"

Told = Deaf | Recovered | Lost


class Ear:
    """Reads a microphone, and checks that no sample is missing or twice."""

    def __init__(self, microphone: Microphone) -> None:
        self.microphone = microphone
        self.blocks: list[Block] = []
        self.told: list[Told] = []
        self.late: list[float] = []

    def listen(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not until():
            heard = self.microphone.read(0.05)
            if isinstance(heard, Block):
                assert heard.start_sample == self.count
                self.blocks.append(heard)
                self.late.append(time.monotonic() - self.count / RATE)
            elif heard is not None:
                self.told.append(heard)

    @property
    def count(self) -> int:
        return self.blocks[-1].start_sample + len(self.blocks[-1].samples) if self.blocks else 0

    @property
    def samples(self) -> NDArray[np.int16]:
        return np.concatenate([block.samples for block in self.blocks])

    def behind_s(self) -> float:
        """How far what was read lies behind the wall clock."""
        return (self.microphone.sample_at(time.monotonic()) - self.count) / RATE


def speech(seconds: float) -> NDArray[np.int16]:
    samples = read_recording(SPEECH).samples
    start = int(np.argmax(np.abs(samples) > 3000))
    return samples[start : start + round(seconds * RATE)]


def found(played: NDArray[np.int16], heard: NDArray[np.int16]) -> tuple[int, float]:
    """Where in what was heard the played sound lies, and how alike the two are (1: the same but for loudness)."""
    size = 1 << (len(heard) + len(played)).bit_length()
    spectrum = np.fft.rfft(heard.astype(float), size) * np.conj(np.fft.rfft(played.astype(float), size))
    place = int(np.argmax(np.fft.irfft(spectrum)[: len(heard) - len(played) + 1]))
    return place, float(np.corrcoef(played, heard[place : place + len(played)])[0, 1])


@pytest.mark.parametrize("own_rate", [False, True], ids=["16 kHz", "the device's own rate"])
def test_what_is_played_arrives_and_at_its_time(pulse: Pulse, own_rate: bool) -> None:
    played = speech(1.5)
    with Microphone("headset", own_rate=own_rate) as microphone:
        ear = Ear(microphone)
        ear.listen(0.5)
        began = time.monotonic()
        pulse.play(played)
        ear.listen(2.6)
        place, likeness = found(played, ear.samples)
        assert likeness > 0.97
        # The player itself needs some time to begin.
        assert -0.05 < microphone.monotonic_at(place) - began < 0.5
    assert ear.told == []


def test_the_sample_clock_stays_with_the_wall_clock(pulse: Pulse) -> None:
    with Microphone() as microphone:
        ear = Ear(microphone)
        ear.listen(10.5)
        # A block may be read late, never early.
        assert min(ear.late[-40:]) == pytest.approx(min(ear.late[:40]), abs=0.05)
        assert abs(microphone.drift_s) < 0.05
        assert abs(microphone.device_drift_s) < 0.05
        assert ear.behind_s() < 0.2
    assert ear.told == []


def test_a_sound_server_that_ends_and_comes_back_is_told_and_padded(pulse: Pulse) -> None:
    with Microphone() as microphone:
        ear = Ear(microphone)
        ear.listen(1.0)
        pulse.kill()
        ended = time.monotonic()
        ear.listen(1.5)
        (deaf,) = ear.told
        assert isinstance(deaf, Deaf)
        assert deaf.since == pytest.approx(ended, abs=0.2)
        assert "stopped" in deaf.reason
        assert deaf.at_sample == ear.count
        assert microphone.deaf
        assert microphone.level_dbfs == SILENCE_DBFS
        pulse.start()
        ear.listen(8.0, lambda: len(ear.told) > 1)
        back = time.monotonic()
        recovered = ear.told[1]
        assert isinstance(recovered, Recovered)
        assert recovered.at_sample == deaf.at_sample
        assert recovered.seconds == pytest.approx(back - 0.3 - deaf.since, abs=0.5)
        played = speech(1.0)
        ear.listen(0.5)
        assert not microphone.deaf
        began = time.monotonic()
        pulse.play(played)
        ear.listen(2.0)
        place, likeness = found(played, ear.samples)
        assert likeness > 0.97
        assert -0.1 < microphone.monotonic_at(place) - began < 0.5
    assert sum(len(block.samples) for block in ear.blocks if block.padding) == recovered.samples_missed
    assert len(ear.told) == 2


def test_a_full_queue_is_counted_and_padded(pulse: Pulse) -> None:
    with Microphone(queue_s=0.5) as microphone:
        ear = Ear(microphone)
        ear.listen(0.5)
        time.sleep(3.6)
        assert ear.behind_s() > 3.4
        ear.listen(1.0)
        assert ear.behind_s() < 0.3
        assert abs(microphone.drift_s) < 0.05
    lost = [one.samples for one in ear.told if isinstance(one, Lost)]
    # Half a second lay in the queue and two in the pipe, and what came while they were read was kept.
    assert 0.5 * RATE < sum(lost) < 3.2 * RATE
    assert sum(lost) == sum(len(block.samples) for block in ear.blocks if block.padding)
    assert not [one for one in ear.told if not isinstance(one, Lost)]


def test_a_pause_of_the_reader_loses_nothing(pulse: Pulse) -> None:
    with Microphone() as microphone:
        ear = Ear(microphone)
        ear.listen(0.3)
        time.sleep(3.0)
        ear.listen(0.6)
        assert ear.behind_s() < 0.3
    assert ear.told == []


def test_a_device_is_chosen_by_a_part_of_its_name_or_by_number(pulse: Pulse) -> None:
    number = next(device.number for device in devices() if device.name == "headset")
    for wanted in ("HeadS", number, str(number)):
        with Microphone(wanted) as microphone:
            assert microphone.device_name == "headset"


def test_an_unknown_device_is_refused_with_those_there_are(pulse: Pulse) -> None:
    with pytest.raises(AudioError, match='there is no sound input "lapel"') as refused, Microphone("lapel"):
        pass
    assert "headset" in refused.value.hint


def test_a_name_that_several_have_is_refused_with_their_numbers(pulse: Pulse) -> None:
    with pytest.raises(AudioError, match="several sound inputs") as refused, Microphone("e"):
        pass
    assert "default" in refused.value.hint


def test_no_device_at_all_is_refused(pulse: Pulse) -> None:
    pulse.kill()
    with pytest.raises(AudioError) as refused, Microphone():
        pass
    assert "voicelog doctor --audio" in refused.value.hint


@pytest.mark.parametrize(
    ("library", "message", "hint"),
    [
        ("raise OSError('PortAudio library not found')", "PortAudio is not installed", "libportaudio2"),
        ("raise ImportError('none')", "sounddevice is not installed", "voicelog[live]"),
        ("raise Exception('Error initializing PortAudio')", "does not start", "doctor"),
    ],
)
def test_a_sound_library_that_does_not_load_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, message: str, hint: str
) -> None:
    (tmp_path / "sounddevice.py").write_text(library)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(AudioError, match=message) as refused, Microphone():
        pass
    assert hint in refused.value.hint
    with pytest.raises(AudioError, match=message):
        devices()


def test_the_capture_ends_with_a_killed_program(pulse: Pulse, tmp_path: Path) -> None:
    program = (
        "import sys, time; from voicelog.audio.microphone import Microphone\n"
        "with Microphone() as m: print(m._process.pid, flush=True); time.sleep(60)"
    )
    session = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE)
    assert session.stdout is not None
    capture = int(session.stdout.readline())
    session.send_signal(signal.SIGKILL)
    session.wait()
    session.stdout.close()
    until = time.monotonic() + 5
    while _runs(capture) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _runs(capture)


def _runs(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def test_levels_are_in_decibels_below_full_scale() -> None:
    wave = np.round(32767 * np.sin(np.arange(1600) * 2 * np.pi / 16)).astype(np.int16)
    assert level_dbfs(wave) == pytest.approx(-3.01, abs=0.01)
    assert level_dbfs(np.zeros(10, dtype=np.int16)) == level_dbfs(wave[:0]) == SILENCE_DBFS
