"""Recordings: what is read, how it is converted, and every way in which a file is refused."""

from __future__ import annotations

import contextlib
import os
import struct
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicelog.audio.source import probe, read_blocks, read_recording
from voicelog.errors import AudioError

RATE = 16_000


def noise(seconds: float, rate: int = RATE, channels: int = 1) -> np.ndarray:
    shape = (round(seconds * rate), channels)
    return np.random.default_rng(7).integers(-9000, 9000, shape).astype(np.int16)


def tone(seconds: float, rate: int, hertz: float = 440.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * hertz * np.arange(round(seconds * rate)) / rate)


def write(path: Path, samples: np.ndarray, rate: int = RATE, **options: str) -> Path:
    soundfile.write(path, samples, rate, **options)
    return path


def halved(path: Path) -> Path:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    return path


def refusal(path: Path) -> AudioError:
    """The error with which a file is refused, checked to be what a user is to see: one line and a hint."""
    with pytest.raises(AudioError) as caught:
        read_recording(path)
    assert "\n" not in caught.value.message
    assert caught.value.hint
    return caught.value


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_16_khz_mono_is_read_sample_for_sample(tmp_path: Path, name: str) -> None:
    samples = noise(1.3)
    assert np.array_equal(read_recording(write(tmp_path / name, samples)).samples, samples[:, 0])


def test_the_full_range_of_int16_survives(tmp_path: Path) -> None:
    samples = np.array([-32768, -1, 0, 1, 32767], np.int16)
    assert np.array_equal(read_recording(write(tmp_path / "a.wav", samples)).samples, samples)


@pytest.mark.parametrize(
    ("name", "rate", "channels"),
    [("a.wav", 8_000, 2), ("a.flac", 44_100, 1), ("a.wav", 48_000, 6), ("a.flac", 96_000, 2), ("a.ogg", 22_050, 1)],
)
def test_other_rates_and_channels_become_the_same_tone(tmp_path: Path, name: str, rate: int, channels: int) -> None:
    path = write(tmp_path / name, np.tile(tone(2, rate)[:, None], channels), rate)
    recording = read_recording(path)
    assert (recording.original_rate, recording.channels) == (rate, channels)
    assert abs(len(recording.samples) - 2 * RATE) <= 1
    middle = slice(RATE // 2, RATE * 3 // 2)
    assert np.abs(recording.samples[middle] / 32768 - tone(2, RATE)[middle]).max() < 0.02


def test_channels_are_mixed_by_their_mean(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", np.array([[100, 300], [-50, -150]], np.int16))
    assert read_recording(path).samples.tolist() == [200, -100]


def test_sound_louder_than_full_scale_is_clipped_not_wrapped(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", np.array([2.0, -2.0]), subtype="FLOAT")
    assert read_recording(path).samples.tolist() == [32767, -32768]


def test_the_length_is_in_seconds(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(2.5, 8_000), 8_000)
    assert (read_recording(path).duration_s, probe(path).duration_s) == (2.5, 2.5)


def test_blocks_join_to_the_whole(tmp_path: Path) -> None:
    path = write(tmp_path / "a.flac", noise(3.1, 44_100, 2), 44_100)
    blocks = list(read_blocks(path, 1000))
    assert {len(block) for block in blocks[:-1]} == {1000}
    assert 0 < len(blocks[-1]) <= 1000
    assert np.array_equal(np.concatenate(blocks), read_recording(path).samples)


def test_blocks_of_nothing_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="positive"):
        read_blocks(write(tmp_path / "a.wav", noise(0.1)), 0)


def dated(path: Path, text: str) -> Path:
    with soundfile.SoundFile(path, "w", RATE, 1, format="FLAC") as sound:
        sound.date = text
        sound.write(noise(0.1))
    return path


def test_a_full_date_tag_is_the_start_time(tmp_path: Path) -> None:
    recording = read_recording(dated(tmp_path / "a.flac", "2026-11-25T10:00:00+02:00"))
    assert recording.started_at == datetime(2026, 11, 25, 10, 0, tzinfo=timezone(timedelta(hours=2)))


@pytest.mark.parametrize("text", ["2026", "2026-11-25", "2026-11-25T10:00:00", "yesterday"])
def test_a_date_tag_without_time_or_offset_is_no_start_time(tmp_path: Path, text: str) -> None:
    assert read_recording(dated(tmp_path / "a.flac", text)).started_at is None


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    assert "there is no recording" in refusal(tmp_path / "none.wav").message


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path).message


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no FIFOs")
def test_a_fifo_is_refused_without_waiting_for_its_writer(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    assert "pipe or a device" in refusal(tmp_path / "pipe.wav").message


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="the system has no /dev/zero")
def test_a_link_to_a_device_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.wav").symlink_to("/dev/zero")
    assert "pipe or a device" in refusal(tmp_path / "a.wav").message


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="nothing is forbidden to root")
def test_a_file_without_read_permission_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(0.1))
    path.chmod(0)
    assert "may not be read" in refusal(path).message


def test_a_name_no_system_can_open_is_refused() -> None:
    assert "cannot be opened" in refusal(Path("a\0b.wav")).message


@pytest.mark.parametrize(
    "content", [b"", b"\0", b"RIFF", b"fLaC", b"OggS", b"hello crew\n" * 50, b"\x89PNG\r\n\x1a\n" + bytes(500)]
)
@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.raw", "a"])
def test_a_file_that_is_not_audio_is_refused(tmp_path: Path, content: bytes, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert "not a recording" in refusal(path).message


@pytest.mark.parametrize("name", ["a.aiff", "a.caf", "a.mp3"])
def test_a_format_whose_end_cannot_be_checked_is_refused_by_name(tmp_path: Path, name: str) -> None:
    assert "not WAV, FLAC or Ogg" in refusal(write(tmp_path / name, noise(1))).message


def test_a_recording_of_zero_samples_is_refused(tmp_path: Path) -> None:
    assert "holds no sound" in refusal(write(tmp_path / "a.wav", noise(0))).message


def test_a_wav_whose_recorder_lost_power_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(1))
    content = bytearray(path.read_bytes())
    content[4:8] = content[40:44] = bytes(4)
    path.write_bytes(content)
    assert "never finished" in refusal(path).message


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.ogg"])
def test_a_recording_cut_short_is_refused_before_a_block_is_read(tmp_path: Path, name: str) -> None:
    path = halved(write(tmp_path / name, noise(10)))
    with pytest.raises(AudioError, match="cut short"):
        read_blocks(path)


def test_the_refusal_of_a_wav_cut_short_says_how_much_is_there(tmp_path: Path) -> None:
    assert "only its first 5.0 s can be read" in refusal(halved(write(tmp_path / "a.wav", noise(10)))).message


def test_an_ogg_that_lacks_only_its_last_bytes_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.ogg", noise(2))
    path.write_bytes(path.read_bytes()[:-10])
    assert "cut short" in refusal(path).message


def test_a_wav_cut_short_is_refused_where_a_chunk_of_odd_length_comes_first(tmp_path: Path) -> None:
    content = write(tmp_path / "a.wav", noise(1)).read_bytes()
    (tmp_path / "a.wav").write_bytes(content[:36] + b"note" + struct.pack("<I", 3) + b"abc\0" + content[36:-1000])
    assert "cut short" in refusal(tmp_path / "a.wav").message


def test_a_large_wav_cut_short_is_refused(tmp_path: Path) -> None:
    assert "cut short" in refusal(halved(write(tmp_path / "a.wav", noise(1), format="RF64"))).message


def test_a_wav_written_into_a_pipe_is_read_to_its_end(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(1))
    content = bytearray(path.read_bytes())
    content[4:8] = content[40:44] = b"\xff" * 4
    path.write_bytes(content)
    assert len(read_recording(path).samples) == RATE


def test_a_flac_damaged_inside_gives_what_is_before_the_damage_and_then_the_error(tmp_path: Path) -> None:
    samples = noise(30)
    path = write(tmp_path / "a.flac", samples)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 4
    path.write_bytes(content)
    heard: list[np.ndarray] = []
    with pytest.raises(AudioError, match="damaged"):
        heard.extend(read_blocks(path, 1000))
    whole = np.concatenate(heard)
    assert 10 * RATE < len(whole) < 15 * RATE
    assert np.array_equal(whole, samples[: len(whole), 0])


def test_a_sample_that_is_not_a_number_is_damage(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", np.array([0.1, np.nan, 0.1]), 48_000, subtype="FLOAT")
    assert "damaged" in refusal(path).message


@pytest.mark.parametrize("rate", [100, 4_000_000])
def test_a_rate_that_is_not_for_speech_is_refused(tmp_path: Path, rate: int) -> None:
    path = write(tmp_path / "a.wav", noise(0.1))
    content = bytearray(path.read_bytes())
    content[24:28] = struct.pack("<I", rate)
    path.write_bytes(content)
    assert f"{rate} samples a second" in refusal(path).message


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(["a.wav", "a.flac", "a.ogg"]), data=st.data())
def test_a_damaged_file_is_read_or_refused_and_nothing_else(tmp_path: Path, name: str, data: st.DataObject) -> None:
    content = bytearray(write(tmp_path / name, noise(0.2)).read_bytes())
    for place, byte in data.draw(
        st.lists(st.tuples(st.integers(0, min(200, len(content) - 1)), st.integers(0, 255)), max_size=4)
    ):
        content[place] = byte
    path = tmp_path / "damaged"
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    with contextlib.suppress(AudioError):
        assert len(read_recording(path).samples) > 0
