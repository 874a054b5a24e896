"""``voicelog doctor --audio`` on a real sound server: devices, level, noise, and the test sentence heard back."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from pulse import Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.cli import main
from voicelog.commands import doctor_audio
from voicelog.commands.doctor_audio import TEST_SENTENCE, bar, noise_floor, verdict
from voicelog.recognisers.registry import preferred

on_a_server = [pytest.mark.realtime, pytest.mark.skipif(bool(why_not()), reason=why_not())]


def doctor(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, dict[str, dict[str, Any]]]:
    """The exit code, and the checks by name."""
    code = main(["doctor", "--audio", "--json", *options])
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return code, {line["name"] if line["type"] == "check" else f"a {line['type']}": line for line in lines}


class TestOnAServer:
    pytestmark = on_a_server

    @pytest.fixture(autouse=True)
    def short(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(doctor_audio, "METER_S", 0.6)

    def test_the_test_sentence_is_heard_back_where_the_loudspeaker_reaches_the_microphone(
        self, pulse: Pulse, capsys: pytest.CaptureFixture[str]
    ) -> None:
        pulse.pactl("set-default-source", "out.monitor")
        code, checks = doctor(capsys)
        assert code == 0
        assert checks["heard back"]["state"] == "works"
        assert checks["heard back"]["detail"] == f'"{TEST_SENTENCE}" was heard as "{TEST_SENTENCE}"'
        assert checks[f"listener {preferred()}"]["state"] == "works"
        assert "speaks the read-backs" in checks["voice"]["detail"]

    def test_with_a_headset_nothing_comes_back_and_all_is_well(
        self, pulse: Pulse, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, checks = doctor(capsys, "--microphone", "headset")
        assert code == 0
        assert checks["microphone"]["detail"] == "headset is open"
        assert "does not reach the microphone" in checks["heard back"]["detail"]
        assert checks["a device"]["inputs"] > 0

    def test_the_level_of_what_is_played_is_measured(self, pulse: Pulse, capsys: pytest.CaptureFixture[str]) -> None:
        noise = np.random.default_rng(5).normal(0, 327.68, 16_000 * 6).astype(np.int16)
        pulse.play(noise)
        code, checks = doctor(capsys, "--mute")
        assert code == 0
        # A standard deviation of 327.68 is a hundredth of full scale: -40 dB.
        assert checks["a level"]["noise_dbfs"] == pytest.approx(-40, abs=3)
        assert "noisy" in checks["noise floor"]["detail"]

    def test_an_unknown_microphone_is_told_and_the_rest_still_tried(
        self, pulse: Pulse, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, checks = doctor(capsys, "--microphone", "lapel", "--mute")
        assert code == 1
        assert checks["microphone"]["state"] == "broken"
        assert "headset" in checks["microphone"]["hint"]
        assert checks["loudspeaker"]["state"] == "works"

    def test_for_people_it_is_plain_text_when_piped(self, pulse: Pulse, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["doctor", "--audio", "--mute", "--loudspeaker", "lapel"]) == 1
        text = capsys.readouterr().out
        assert "default: in (default), out (default)" in text
        assert "[------------------------------] -96 dBFS" in text
        assert "broken   loudspeaker" in text
        assert "hint: choose another" in text
        assert "\x1b" not in text


def test_without_any_device_it_says_so(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULSE_SERVER", "unix:/nowhere")
    monkeypatch.setenv("ALSA_CONFIG_PATH", "/dev/null")
    code, checks = doctor(capsys, "--mute")
    assert code == 1
    broken = [check for check in checks.values() if check.get("state") == "broken"]
    assert broken
    assert all(check["hint"] for check in broken)


def test_talk_in_between_does_not_raise_the_noise_floor() -> None:
    quiet = np.random.default_rng(7).normal(0, 33, 32_000).astype(np.int16)
    talk = quiet.copy()
    talk[8_000:24_000] *= 50
    assert noise_floor(talk) == pytest.approx(noise_floor(quiet), abs=1)
    assert noise_floor(quiet[:0]) == -96.0


@pytest.mark.parametrize(
    ("floor", "peak", "state", "word"),
    [
        (-96.0, 0, "limited", "muted"),
        (-60.0, 900, "works", "quiet"),
        (-40.0, 900, "limited", "noisy"),
        (-30.0, 9000, "limited", "very noisy"),
        (-60.0, 32_767, "limited", "overdriven"),
    ],
)
def test_a_noise_floor_has_a_plain_verdict(floor: float, peak: int, state: str, word: str) -> None:
    check = verdict(floor, peak)
    assert check.state == state
    assert word in check.detail
    assert bool(check.hint) == (state == "limited")


@pytest.mark.parametrize(("level", "full"), [(-96.0, 0), (-60.0, 0), (-30.0, 15), (0.0, 30), (3.0, 30)])
def test_the_bar_is_as_full_as_the_level(level: float, full: int) -> None:
    assert bar(level) == "#" * full + "-" * (30 - full)
