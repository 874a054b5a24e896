"""The sample clock and the audio clips of the case file."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from voicelog.audio.clock import SampleClock
from voicelog.audio.flac import decode_flac, encode_flac
from voicelog.errors import AudioError

NINE = datetime(2026, 3, 1, 9, 0, tzinfo=timezone(timedelta(hours=2)))


def test_sample_zero_is_the_start() -> None:
    assert SampleClock(NINE).at(0) == NINE


def test_a_minute_of_samples_is_a_minute_later() -> None:
    assert SampleClock(NINE).at(60 * 16_000) == NINE + timedelta(minutes=1)


def test_the_offset_of_the_start_is_kept() -> None:
    assert SampleClock(NINE).at(16_000).isoformat() == "2026-03-01T09:00:01+02:00"


def test_a_clock_change_during_the_session_adds_no_hour() -> None:
    # In this zone clocks go from 02:00 to 03:00 on 29 March 2026, at 01:00 UTC (zone database, Europe/Berlin).
    start = datetime(2026, 3, 29, 0, 30, tzinfo=ZoneInfo("Europe/Berlin"))
    assert SampleClock(start).at(3 * 3600 * 16_000).astimezone(UTC) == datetime(2026, 3, 29, 2, 30, tzinfo=UTC)


def test_seconds_are_exact_to_the_millisecond() -> None:
    assert SampleClock(NINE).seconds(24_008) == Decimal("1.500")


def test_a_start_without_an_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="offset"):
        SampleClock(datetime(2026, 3, 1, 9, 0))


def test_a_rate_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="rate"):
        SampleClock(NINE, rate=0)


@given(st.integers(0, 10**10), st.integers(1, 10**6))
def test_time_never_runs_backwards(sample: int, more: int) -> None:
    clock = SampleClock(NINE)
    assert clock.at(sample) < clock.at(sample + more)


@given(arrays(np.int16, st.integers(1, 5_000)))
def test_a_clip_comes_back_sample_for_sample(samples: np.ndarray) -> None:
    assert np.array_equal(decode_flac(encode_flac(samples)), samples)


def test_the_same_samples_give_the_same_clip() -> None:
    samples = np.arange(-4000, 4000, dtype=np.int16)
    assert encode_flac(samples) == encode_flac(samples.copy())


def test_an_empty_clip_is_refused() -> None:
    with pytest.raises(AudioError, match="at least one sample"):
        encode_flac(np.empty(0, np.int16))


def test_bytes_that_are_not_flac_are_refused() -> None:
    with pytest.raises(AudioError, match="cannot be decoded"):
        decode_flac(b"not a clip at all")


def test_a_clip_cut_short_is_refused() -> None:
    clip = encode_flac(np.random.default_rng(0).integers(-9000, 9000, 50_000).astype(np.int16))
    with pytest.raises(AudioError):
        decode_flac(clip[: len(clip) // 2])


def test_a_clip_of_another_rate_is_refused() -> None:
    clip = io.BytesIO()
    soundfile.write(clip, np.zeros(800, np.int16), 8_000, format="FLAC")
    with pytest.raises(AudioError, match="16 kHz"):
        decode_flac(clip.getvalue())
