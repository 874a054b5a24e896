"""The endpointer: how a stream is cut into utterances, and that no sample of speech is lost or doubled."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.audio.endpoint import (
    BLOCK_SAMPLES,
    CHUNK_SAMPLES,
    Endpointer,
    EndpointSettings,
    Segmenter,
    SpeechBlock,
)

RATE = 16_000
SHORT = EndpointSettings(max_utterance_ms=2_000)
HUMAN = Path("/usr/share/pocketsphinx/test/data/cards")

Speak = Callable[[str], np.ndarray]
Span = tuple[int, int]


@pytest.fixture(scope="module")
def speak() -> Speak:
    """A voice: text to int16 samples at 16 kHz with no silence at either end."""
    from hibari import Hibari

    voice = Hibari()

    def say(text: str) -> np.ndarray:
        sound = soxr.resample(np.asarray(voice(text, seed=0), np.float32), 24_000, RATE)
        loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
        spoken: np.ndarray = 0.3 * 32767 * sound[loud[0] : loud[-1]] / np.abs(sound).max()
        return spoken.astype(np.int16)

    return say


def silence(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * RATE), np.int16)


def engine(length: int) -> np.ndarray:
    """Noise like an engine's: many harmonics of 31 Hz and low-pass noise, of mean power 1."""
    time = np.arange(length) / RATE
    hum = sum(np.sin(2 * np.pi * 31 * k * time + k) / k**0.8 for k in range(1, 60))
    rumble = np.convolve(np.random.default_rng(1).normal(size=length), np.ones(40) / 40, "same")
    noise: np.ndarray = hum / np.std(hum) + rumble / np.std(rumble)
    noise /= np.std(noise)
    return noise


def in_noise(sound: np.ndarray, decibels: float) -> np.ndarray:
    """Sound with engine noise that many decibels below the mean power of its speech."""
    speech = np.sqrt(np.mean(sound[sound != 0].astype(float) ** 2))
    mixed: np.ndarray = sound + speech * 10 ** (-decibels / 20) * engine(len(sound))
    return mixed.clip(-32768, 32767).astype(np.int16)


def found(sound: np.ndarray) -> list[SpeechBlock]:
    endpointer = Endpointer()
    return endpointer.feed(sound) + endpointer.flush()


def spans(blocks: Iterable[SpeechBlock]) -> list[Span]:
    """First sample and end of each utterance, checked to be whole: opened once, without a hole, closed once."""
    result: list[Span] = []
    inside = False
    for block in blocks:
        assert len(block.samples) > 0
        assert block.first is not inside
        if inside:
            assert block.start_sample == result[-1][1]
            result[-1] = (result[-1][0], block.end_sample)
        else:
            result.append((block.start_sample, block.end_sample))
        inside = not block.last
    assert not inside
    return result


def callouts(parts: list[np.ndarray], gap: float) -> tuple[np.ndarray, list[Span]]:
    """Parts one after the other with silence between, and the place of each."""
    sound, places = silence(1.5), []
    for part in parts:
        places.append((len(sound), len(sound) + len(part)))
        sound = np.concatenate((sound, part, silence(gap)))
    return np.concatenate((sound, silence(1))), places


def holding(place: Span, utterances: list[Span]) -> list[int]:
    """The utterances that hold a stretch of sound wholly."""
    return [number for number, (start, end) in enumerate(utterances) if start <= place[0] and place[1] <= end]


SAID = ["heart rate one hundred twenty", "confirm", "blood pressure one twenty over eighty", "glucose fifty four"]


def test_callouts_with_short_silences_come_apart(speak: Speak) -> None:
    sound, places = callouts([speak(text) for text in SAID], 0.7)
    utterances = spans(found(sound))
    assert [holding(place, utterances) for place in places] == [[0], [1], [2], [3]]


def test_callouts_come_apart_in_engine_noise_at_5_db(speak: Speak) -> None:
    sound, places = callouts([speak(text) for text in SAID], 0.9)
    utterances = spans(found(in_noise(sound, 5)))
    assert [holding(place, utterances) for place in places] == [[0], [1], [2], [3]]


@pytest.mark.parametrize("noise", [None, 5])
def test_a_number_with_a_hesitation_stays_whole(speak: Speak, noise: int | None) -> None:
    parts = [speak("heart rate one hundred"), speak("twenty")]
    sound, places = callouts(parts, 0.35)
    utterances = spans(found(sound if noise is None else in_noise(sound, noise)))
    assert [holding(place, utterances) for place in places] == [[0], [0]]


def test_half_a_second_comes_before_the_first_word(speak: Speak) -> None:
    sound, places = callouts([speak("confirm")], 1)
    assert places[0][0] - spans(found(sound))[0][0] >= RATE // 2


def test_soft_speech_is_found(speak: Speak) -> None:
    sound, places = callouts([speak("heart rate one hundred twenty") // 30], 1)
    assert holding(places[0], spans(found(sound))) == [0]


def test_an_engine_alone_is_not_speech() -> None:
    assert found((3000 * engine(20 * RATE)).astype(np.int16)) == []


@pytest.mark.skipif(not HUMAN.is_dir(), reason="Debian package pocketsphinx-testdata is not installed")
@pytest.mark.parametrize("noise", [15, 5])
def test_human_speech_is_found_in_engine_noise(noise: int) -> None:
    parts = [soundfile.read(path, dtype="int16")[0] for path in sorted(HUMAN.glob("*.wav"))]
    sound, places = callouts(parts, 1)
    utterances = spans(found(in_noise(sound, noise)))
    assert all(any(start < place[1] and place[0] < end for start, end in utterances) for place in places)


def test_an_utterance_is_handed_on_while_it_is_spoken(speak: Speak) -> None:
    endpointer = Endpointer()
    part = speak("blood pressure one twenty over eighty")
    blocks = endpointer.feed(np.concatenate((silence(1), part)))
    assert blocks[0].first
    assert not blocks[-1].last
    assert blocks[-1].end_sample > RATE + len(part) - 2 * BLOCK_SAMPLES


def test_speech_at_the_very_end_is_not_lost(speak: Speak) -> None:
    part = speak("confirm")
    sound = np.concatenate((silence(1), part))
    assert spans(found(sound))[-1][1] == len(sound)


def test_the_sample_count_goes_on_after_a_flush(speak: Speak) -> None:
    sound = np.concatenate((silence(1), speak("confirm"), silence(1)))
    endpointer = Endpointer()
    first = spans(endpointer.feed(sound) + endpointer.flush())
    second = spans(endpointer.feed(sound) + endpointer.flush())
    assert second == [(start + len(sound), end + len(sound)) for start, end in first]


def test_what_came_before_a_flush_does_not_sway_what_is_found_after_it(speak: Speak) -> None:
    talk, part = speak("blood pressure one twenty over eighty"), np.concatenate((speak("no") // 300, silence(0.3)))
    endpointer = Endpointer()
    endpointer.feed(talk)
    endpointer.flush()
    after = endpointer.feed(part) + endpointer.flush()
    assert [len(block.samples) for block in after] == [len(block.samples) for block in found(part)]


def test_blocks_of_another_type_are_refused() -> None:
    with pytest.raises(ValueError, match="int16"):
        Endpointer().feed(np.zeros(100, np.float32))


@settings(max_examples=15, deadline=None)
@given(lengths=st.lists(st.one_of(st.integers(0, 40), st.integers(0, 9_000)), min_size=1, max_size=30))
def test_block_lengths_change_nothing(speak: Speak, lengths: list[int]) -> None:
    sound, _ = callouts([speak("confirm"), speak("glucose fifty four")], 0.8)
    endpointer, blocks, place = Endpointer(), [], 0
    for length in lengths:
        blocks += endpointer.feed(sound[place : place + length])
        place += length
    blocks += endpointer.feed(sound[place:]) + endpointer.flush()
    assert [as_values(block) for block in blocks] == [as_values(block) for block in found(sound)]


def as_values(block: SpeechBlock) -> tuple[int, bytes, bool, bool, bool]:
    return block.start_sample, block.samples.tobytes(), block.first, block.last, block.cut


def segmented(
    probabilities: list[float], chosen: EndpointSettings, last_length: int = CHUNK_SAMPLES
) -> list[SpeechBlock]:
    """The blocks for a stream in which each sample's value is its own place, modulo 2**15."""
    segmenter, blocks = Segmenter(chosen), []
    for number, probability in enumerate(probabilities):
        length = last_length if number == len(probabilities) - 1 else CHUNK_SAMPLES
        places = np.arange(number * CHUNK_SAMPLES, number * CHUNK_SAMPLES + length) % 2**15
        blocks += segmenter.step(places.astype(np.int16), probability)
    return blocks + segmenter.finish()


RUNS = st.lists(st.tuples(st.sampled_from([0.0, 0.27, 0.9]), st.integers(1, 40)), min_size=1, max_size=12)
"""Runs of chunks of one probability: silence, between the thresholds, speech."""


def unrolled(runs: list[tuple[float, int]]) -> list[float]:
    return [probability for probability, count in runs for _ in range(count)]


@given(RUNS, st.integers(1, CHUNK_SAMPLES), st.sampled_from([EndpointSettings(), SHORT]))
def test_utterances_never_overlap_and_hold_the_samples_of_their_places(
    runs: list[tuple[float, int]], last_length: int, chosen: EndpointSettings
) -> None:
    blocks = segmented(unrolled(runs), chosen, last_length)
    for block in blocks:
        places = np.arange(block.start_sample, block.end_sample) % 2**15
        assert np.array_equal(block.samples, places)
    assert all(before[1] <= after[0] for before, after in pairwise(spans(blocks)))


@given(RUNS, st.sampled_from([EndpointSettings(), SHORT]))
def test_every_long_enough_run_of_speech_is_in_an_utterance(
    runs: list[tuple[float, int]], chosen: EndpointSettings
) -> None:
    heard = np.zeros(40 * 12 * CHUNK_SAMPLES, bool)
    for start, end in spans(segmented(unrolled(runs), chosen)):
        heard[start:end] = True
    place = 0
    for probability, count in runs:
        end = place + count * CHUNK_SAMPLES
        if probability == 0.9 and count >= 2:
            assert heard[place:end].all()
        place = end


@given(RUNS)
def test_no_utterance_is_longer_than_the_limit_and_one_undecided_silence(runs: list[tuple[float, int]]) -> None:
    limit = (SHORT.max_utterance_ms + SHORT.min_silence_ms) * RATE // 1000 + CHUNK_SAMPLES
    assert all(end - start <= limit for start, end in spans(segmented(unrolled(runs), SHORT)))


def test_the_limit_cuts_without_losing_or_doubling_a_sample() -> None:
    blocks = segmented([0.0] * 30 + [0.9] * 200 + [0.0] * 30, SHORT)
    utterances = spans(blocks)
    assert len(utterances) > 2
    assert all(before[1] == after[0] for before, after in pairwise(utterances))


@pytest.mark.parametrize("chunks", range(40, 70))
def test_speech_that_stops_just_after_the_limit_is_not_lost(chunks: int) -> None:
    utterances = spans(segmented([0.0] * 30 + [0.9] * chunks + [0.0] * 30, SHORT))
    assert utterances[-1][1] == (30 + chunks) * CHUNK_SAMPLES + SHORT.post_roll_ms * RATE // 1000


def test_a_probability_between_the_thresholds_does_not_end_speech() -> None:
    assert len(spans(segmented([0.9] * 10 + [0.27] * 40 + [0.9] * 10, EndpointSettings()))) == 1


def test_a_probability_between_the_thresholds_does_not_start_speech() -> None:
    assert segmented([0.27] * 40 + [0.0] * 30, EndpointSettings()) == []


def test_an_utterance_ended_by_the_limit_says_so() -> None:
    ends = [block.cut for block in segmented([0.0] * 30 + [0.9] * 100 + [0.0] * 30, SHORT) if block.last]
    assert ends == [True, False]


def test_a_click_starts_no_utterance() -> None:
    assert segmented([0.0] * 30 + [0.9] + [0.0] * 30, EndpointSettings()) == []


def test_blocks_but_the_last_have_the_set_length() -> None:
    blocks = segmented([0.0] * 30 + [0.9] * 43 + [0.0] * 30, EndpointSettings())
    assert {len(block.samples) for block in blocks[:-1]} == {BLOCK_SAMPLES}


@pytest.mark.parametrize("probability", [0.0, 0.27, 0.9])
def test_hours_of_one_sound_need_no_more_memory(probability: float) -> None:
    import tracemalloc

    segmenter, chunk = Segmenter(EndpointSettings()), np.zeros(CHUNK_SAMPLES, np.int16)
    segmenter.step(chunk, 0.9)
    tracemalloc.start()
    for _ in range(3_000):
        segmenter.step(chunk, probability)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 500_000


@pytest.mark.parametrize(
    "wrong",
    [
        {"speech_on": 0.2},
        {"speech_on": 1.0},
        {"speech_off": 0.0},
        {"pre_roll_ms": 499},
        {"min_speech_ms": -1},
        {"post_roll_ms": 481},
        {"post_roll_ms": -1},
        {"max_utterance_ms": 1_100},
    ],
)
def test_settings_that_would_lose_speech_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong)).split("_")[0]):
        EndpointSettings(**wrong)  # type: ignore[arg-type]


@given(RUNS)
def test_the_tail_is_what_the_utterance_still_gets_if_it_ends_in_that_silence(runs: list[tuple[float, int]]) -> None:
    segmenter, handed, guess = Segmenter(EndpointSettings()), b"", b""
    for number, probability in enumerate([*unrolled(runs), *[0.0] * 20]):
        places = np.arange(number * CHUNK_SAMPLES, (number + 1) * CHUNK_SAMPLES) % 2**15
        for block in segmenter.step(places.astype(np.int16), probability):
            handed = (b"" if block.first else handed) + block.samples.tobytes()
            if block.last:
                assert guess == handed
        tail = segmenter.tail()
        if tail is not None:
            guess = handed + tail.tobytes()


def test_the_tail_is_given_once_a_silence_and_well_before_it_ends_the_utterance() -> None:
    segmenter = Segmenter(EndpointSettings())
    given_after_ms = []
    for number, probability in enumerate([0.0] * 30 + [0.9] * 20 + [0.0] * 14):
        segmenter.step(np.zeros(CHUNK_SAMPLES, np.int16), probability)
        if segmenter.tail() is not None:
            given_after_ms.append((number - 49) * 1000 * CHUNK_SAMPLES // RATE)
    assert given_after_ms == [256]
    assert EndpointSettings().min_silence_ms == 480
