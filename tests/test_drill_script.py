"""Drill scripts, their rendering, and the shipped samples with their expected records."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from voicelog.drill.noise import background, diesel
from voicelog.drill.render import (
    MIN_GAP_S,
    QUANTISING_MARGIN_DB,
    Rendering,
    placed,
    render,
    rounding_step,
    write_recording,
)
from voicelog.drill.samples import NAMES, remake, samples_dir
from voicelog.drill.script import DrillError, Line, NoisePart, Script, parse_script, read_script
from voicelog.drill.voices import active_rms, said_as, speak, trimmed, voice
from voicelog.events import event_fields, event_from

GOOD = """
title = "Short"
started_at = 2026-11-20T10:00:00-05:00
patient = "Invented."
length_s = 12
snr_db = 15
seed = 3
[voices]
lead = "espeak-us"
second = "espeak-gb"
[[noise]]
sound = "diesel_idle"
start = 0
end = 12
level_db = 0
[[noise]]
sound = "bag_valve"
start = 2
end = 12
level_db = -7
[[line]]
at = 1.5
speaker = "lead"
kind = "callout"
say = "heart rate one twenty four"
[[line]]
at = 6.0
speaker = "second"
kind = "talk"
say = "watch the step"
"""

needs_espeak = pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")


# Scripts


def test_a_script_is_read_into_frozen_parts() -> None:
    script = parse_script(GOOD)
    assert script.started_at == datetime.fromisoformat("2026-11-20T10:00:00-05:00")
    assert [(line.at, line.speaker, line.kind) for line in script.lines] == [
        (1.5, "lead", "callout"),
        (6.0, "second", "talk"),
    ]
    assert script.noise[1] == NoisePart("bag_valve", 2, 12, -7)
    with pytest.raises(AttributeError):
        script.lines[0].at = 2.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('say = "watch the step"', 'say = "watch step 15"', "line 2: say"),
        ('say = "watch the step"', 'say = "watch  the step"', "line 2: say"),
        ('say = "watch the step"', 'say = "Watch the step"', "line 2: say"),
        ('say = "watch the step"', 'say = ""', "line 2: say is missing"),
        ("at = 6.0", "at = 1.5", "line 2: at 1.5 s is not after"),
        ("at = 1.5", "at = -1", "line 1: at -1.0 is before"),
        ("at = 1.5", 'at = "soon"', "line 1: at is missing or not a number"),
        ("at = 1.5", "at = nan", "line 1: at is missing or not a number"),
        ("at = 1.5", "at = true", "line 1: at is missing or not a number"),
        ('speaker = "second"', 'speaker = "third"', 'line 2: speaker "third"'),
        ('kind = "talk"', 'kind = "song"', 'line 2: kind "song"'),
        ('kind = "talk"', 'kind = "talk"\nvolume = 3', 'line 2: unknown key "volume"'),
        ("2026-11-20T10:00:00-05:00", "2026-11-20T10:00:00", "started_at"),
        ("2026-11-20T10:00:00-05:00", '"yesterday"', "started_at"),
        ("length_s = 12", "length_s = 5", "ends before the last line"),
        ("seed = 3", "seed = -3", "seed"),
        ('sound = "bag_valve"', 'sound = "rain"', 'noise 2: sound "rain"'),
        ("start = 2\n", "start = 13\n", "noise 2: start 13.0 and end 12.0"),
        ('lead = "espeak-us"', "", "voices: lead is missing"),
        ("[[line]]", "[line]", "not TOML"),
    ],
)
def test_a_fault_is_named_with_its_place_and_a_hint(old: str, new: str, message: str) -> None:
    assert old in GOOD
    with pytest.raises(DrillError) as caught:
        parse_script(GOOD.replace(old, new), "short.toml")
    assert caught.value.message.startswith("short.toml: ")
    assert message in caught.value.message
    assert caught.value.hint


def test_a_script_without_lines_is_refused() -> None:
    with pytest.raises(DrillError, match="no lines"):
        parse_script(GOOD[: GOOD.index("[[line]]")])


@pytest.mark.parametrize("make", ["missing", "directory", "binary"])
def test_an_unreadable_file_is_refused(make: str, tmp_path: Path) -> None:
    path = tmp_path / "script.toml"
    if make == "directory":
        path.mkdir()
    elif make == "binary":
        path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DrillError, match="cannot be read"):
        read_script(path)


# Voices


def test_an_unknown_voice_is_refused_with_the_known_ones() -> None:
    with pytest.raises(DrillError) as caught:
        voice("nobody")
    assert "hibari" in caught.value.hint


def test_say_as_replaces_whole_words_longest_first() -> None:
    table = {"o p a": "OPA", "a": "A", "lorazepam": "L"}
    assert said_as("o p a and a lorazepam not lorazepams", table) == "OPA and A L not lorazepams"


def test_silence_at_the_edges_is_dropped() -> None:
    tone = np.sin(np.arange(16_000) * 0.3).astype(np.float32)
    silence = np.zeros(8_000, dtype=np.float32)
    kept = trimmed(np.concatenate([silence, tone, silence]))
    assert tone.size <= kept.size <= tone.size + 5 * 160


@needs_espeak
def test_speech_comes_at_one_level() -> None:
    for name in ("espeak-us", "espeak-gb"):
        signal = speak("heart rate one twenty four", name)
        assert signal.dtype == np.float32
        assert active_rms(signal) == pytest.approx(1.0, abs=0.01)


# Noise


def test_noise_is_the_same_for_the_same_seed_only() -> None:
    parts = (NoisePart("diesel_idle", 0, 3, 0), NoisePart("bag_valve", 0, 3, -7))
    first = background(parts, 48_000, 1)
    assert np.array_equal(first, background(parts, 48_000, 1))
    assert not np.array_equal(first, background(parts, 48_000, 2))


def test_the_bag_puffs_about_every_six_seconds() -> None:
    # One breath every 6 s: check-values section 6.5 (from memory for the primary source).
    noise = background((NoisePart("bag_valve", 0, 60, 0),), 960_000, 1)
    loud = np.sqrt(np.mean(noise.reshape(-1, 1600) ** 2, axis=1)) > 0.1
    puffs = int(np.count_nonzero(loud[1:] & ~loud[:-1]) + loud[0])
    assert puffs in (9, 10, 11)


def test_engine_noise_is_low() -> None:
    signal = diesel(80_000, 43.0, 0.0, np.random.default_rng(1))
    power = np.abs(np.fft.rfft(signal)) ** 2
    low = power[np.fft.rfftfreq(signal.size, 1 / 16_000) < 300].sum()
    assert low / power.sum() > 0.95


@pytest.mark.parametrize("sound", ["siren_wail", "siren_yelp", "diesel_drive"])
def test_every_sound_has_level_one(sound: Any) -> None:
    noise = background((NoisePart(sound, 0, 8, 0),), 128_000, 1)
    assert np.sqrt(np.mean(noise[16_000:112_000] ** 2)) == pytest.approx(1.0, abs=0.1)


# Rendering


@pytest.fixture(scope="module")
def noisy() -> Rendering:
    return render(parse_script(GOOD))


@needs_espeak
def test_lines_stand_where_the_script_puts_them(noisy: Rendering) -> None:
    assert [line.start for line in noisy.lines] == [1.5, 6.0]
    assert all(0.5 < line.end - line.start < 4 for line in noisy.lines)
    assert noisy.lines[1].words == ("watch", "the", "step")
    assert noisy.samples.size == 12 * 16_000


@needs_espeak
def test_the_same_script_gives_the_same_samples(noisy: Rendering) -> None:
    again = render(parse_script(GOOD))
    assert again.lines == noisy.lines
    assert np.array_equal(again.samples, noisy.samples)


@needs_espeak
def test_the_mix_has_the_asked_snr(noisy: Rendering) -> None:
    clean = render(parse_script(GOOD[: GOOD.index("[[noise]]")] + GOOD[GOOD.index("[[line]]") :]))
    assert clean.snr_db is None
    active: list[float] = []
    for line in clean.lines:
        spoken = clean.samples[round(line.start * 16_000) : round(line.end * 16_000)].astype(float)
        frames = np.mean(spoken[: spoken.size // 160 * 160].reshape(-1, 160) ** 2, axis=1)
        active.extend(frames[frames >= frames.max() / 1000])
    noise = noisy.samples.astype(float) - clean.samples.astype(float)
    measured = 10 * np.log10(np.mean(active) / np.mean(noise**2))
    assert measured == pytest.approx(15, abs=0.5)
    assert noisy.snr_db == pytest.approx(15, abs=0.01)


@given(st.lists(st.tuples(st.floats(0.1, 20), st.integers(1, 100_000)), min_size=1, max_size=12))
def test_lines_never_overlap_and_never_come_early(steps: list[tuple[float, int]]) -> None:
    at = [float(total) for total in np.cumsum([step for step, _ in steps])]
    lengths = [length for _, length in steps]
    starts = placed([Line(second, "lead", "callout", "pulse ninety") for second in at], lengths)
    assert all(start >= round(seconds * 16_000) for start, seconds in zip(starts, at, strict=True))
    for start, length, following in zip(starts, lengths, starts[1:], strict=False):
        assert following >= start + length + round(MIN_GAP_S * 16_000)


def test_rounding_stays_far_below_the_noise() -> None:
    noise = np.random.default_rng(1).standard_normal(32_000) * 300
    step = rounding_step(noise)
    assert step & (step - 1) == 0
    assert 20 * np.log10(300 / (step / np.sqrt(12))) >= QUANTISING_MARGIN_DB - 0.2
    assert step > 1


def test_nothing_is_rounded_where_noise_falls_silent() -> None:
    assert rounding_step(np.concatenate([np.ones(16_000) * 300, np.zeros(16_000)])) == 1


def test_an_unwritable_place_is_refused(tmp_path: Path) -> None:
    rendering = Rendering(np.zeros(160, dtype=np.int16), (), None)
    with pytest.raises(DrillError, match="cannot be written"):
        write_recording(rendering, parse_script(GOOD), tmp_path / "no" / "such.flac")


def test_an_unknown_sample_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DrillError, match="cannot be read"):
        remake("nothing", tmp_path)


# The shipped samples


@pytest.fixture(scope="module", params=NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def script(name: str) -> Script:
    return read_script(samples_dir() / f"{name}.toml")


@pytest.fixture(scope="module")
def record(name: str) -> dict[str, list[dict[str, Any]]]:
    loaded: dict[str, list[dict[str, Any]]] = json.loads(
        (samples_dir() / f"{name}.record.json").read_text(), parse_float=Decimal
    )
    return loaded


def test_the_recording_is_small_and_three_to_six_minutes_long(name: str, script: Script) -> None:
    path = samples_dir() / f"{name}.flac"
    assert path.stat().st_size < 2_000_000
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.subtype) == (16_000, 1, "PCM_16")
    assert 180 <= info.duration <= 360
    assert info.duration == script.length_s


def test_the_recording_carries_its_start_time(name: str, script: Script) -> None:
    with soundfile.SoundFile(samples_dir() / f"{name}.flac") as file:
        assert file.date == script.started_at.isoformat()


def test_the_recording_speaks_when_the_script_says(name: str, script: Script) -> None:
    samples, _ = soundfile.read(samples_dir() / f"{name}.flac")
    spectrum = np.fft.rfft(samples)
    spectrum[np.fft.rfftfreq(samples.size, 1 / 16_000) < 300] = 0
    voiced = np.fft.irfft(spectrum, samples.size)

    def level(start: float, end: float) -> float:
        return float(np.sqrt(np.mean(voiced[round(start * 16_000) : round(end * 16_000)] ** 2)))

    for line in script.lines:
        assert level(line.at, line.at + 0.45) > 2 * level(line.at - 0.5, line.at - 0.05), line


def test_each_case_has_the_lines_of_a_drill(script: Script) -> None:
    kinds = Counter(line.kind for line in script.lines)
    assert 18 <= kinds["callout"] <= 26
    assert kinds["talk"] >= 4
    assert kinds["confirm"] >= 3
    assert kinds["correction"] == kinds["take_back"] == 1
    assert {line.speaker for line in script.lines if line.kind == "callout"} == {"lead", "second"}
    assert script.voices == {"lead": "hibari", "second": "joe"}
    assert script.snr_db == 15


def test_the_record_covers_the_script(script: Script, record: dict[str, list[dict[str, Any]]]) -> None:
    heard = [line.at for line in script.lines if line.kind in ("callout", "correction")]
    assert [float(entry["said_at"]) for entry in record["events"]] == heard
    talk = [{"said_at": Decimal(str(line.at)), "text": line.say} for line in script.lines if line.kind == "talk"]
    assert record["talk"] == talk


def test_the_record_holds_typed_events(record: dict[str, list[dict[str, Any]]]) -> None:
    for entry in record["events"]:
        assert set(entry) == {"event", "status", "said_at"}
        assert event_fields(event_from(entry["event"])) == entry["event"]


def test_the_record_has_the_ends_a_supervisor_must_see(record: dict[str, list[dict[str, Any]]]) -> None:
    status = Counter(entry["status"] for entry in record["events"])
    assert (status["rejected"], status["amended"], status["unconfirmed"]) == (1, 1, 1)
    assert set(status) == {"confirmed", "unconfirmed", "rejected", "amended"}
    drugs = [entry for entry in record["events"] if entry["event"]["kind"] == "medication"]
    assert [entry["status"] for entry in drugs].count("unconfirmed") == 1


def test_every_confirmed_drug_is_followed_by_a_confirm(script: Script, record: dict[str, list[dict[str, Any]]]) -> None:
    following = {line.at: after for line, after in zip(script.lines, script.lines[1:], strict=False)}
    for entry in record["events"]:
        if entry["event"]["kind"] == "medication":
            after = following[float(entry["said_at"])]
            assert (after.kind == "confirm") == (entry["status"] == "confirmed")
            # The read-back needs its time: at least 3.5 s after a callout that itself takes at least 1 s.
            assert after.at - float(entry["said_at"]) >= 4.5


def test_ventilation_comes_before_the_first_drug(record: dict[str, list[dict[str, Any]]]) -> None:
    events = [entry["event"] for entry in record["events"]]
    bag = next(n for n, event in enumerate(events) if event.get("procedure") == "bag_valve_mask_ventilation")
    drug = next(n for n, event in enumerate(events) if event["kind"] == "medication")
    assert bag < drug
    assert events[drug]["action"] == "prepared"


def test_a_vital_sign_is_repeated_minutes_later(record: dict[str, list[dict[str, Any]]]) -> None:
    saturations = [entry["said_at"] for entry in record["events"] if entry["event"].get("sign") == "oxygen_saturation"]
    assert saturations[-1] - saturations[0] > 90


def test_talk_names_numbers_parts_of_the_body_and_a_drug(record: dict[str, list[dict[str, Any]]]) -> None:
    words = {word for line in record["talk"] for word in line["text"].split()}
    assert words & {"albuterol", "epinephrine", "lorazepam"}
    assert words & {"arm", "elbow", "hand", "feet"}
    assert words & {"two", "three", "five", "ten", "thirty"}


def test_the_cases_together_cover_the_field() -> None:
    records = [json.loads((samples_dir() / f"{name}.record.json").read_text()) for name in NAMES]
    kept = [entry["event"] for record in records for entry in record["events"] if entry["status"] != "rejected"]
    said = {str(event[key]) for event in kept for key in ("sign", "finding", "procedure", "milestone") if key in event}
    assert said >= {"blood_pressure", "heart_rate", "respiratory_rate", "oxygen_saturation", "end_tidal_co2"}
    assert said >= {"blood_glucose", "temperature", "pain_score", "responsiveness", "glasgow_coma_scale", "pupils"}
    assert said >= {"breath_sounds", "skin", "cardiac_rhythm", "on_scene", "patient_contact", "departed_scene"}
    assert said >= {"oxygen", "bag_valve_mask_ventilation", "nasopharyngeal_airway", "intravenous_access"}
    assert said >= {"twelve_lead_ecg", "suction"}
    patient = {field for event in kept if event["kind"] == "patient" for field in event}
    assert patient >= {"age", "sex", "weight_kg", "allergy", "complaint"}
    acts = {event["action"] for event in kept if event["kind"] == "medication"}
    assert acts == {"prepared", "given", "wasted", "not_given"}
    assert any("stated_time" in event for event in kept)
