"""The Moonshine recogniser against the real engine, on lines of the samples."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from recogniser_contract import RecogniserContract
from test_whisper import EMPTY, HEART_RATE, line

from voicelog.errors import RecogniserError
from voicelog.recognisers import moonshine
from voicelog.recognisers.base import Listener

needs_model = pytest.mark.skipif(not moonshine.is_available().ready, reason="onnxruntime and a model are not installed")


ADAPTED = Path(__file__).parents[1] / "models" / "adapted-moonshine"


@pytest.fixture(scope="module", params=["adapted", "bundled"])
def shared(request: pytest.FixtureRequest) -> Iterator[moonshine.MoonshineListener]:
    listener = moonshine.open(EMPTY, ADAPTED if request.param == "adapted" else bundled_model())
    yield listener
    listener.close()


def bundled_model() -> Path:
    spec = importlib.util.find_spec(moonshine.BUNDLE)
    assert spec is not None
    assert spec.submodule_search_locations
    return Path(spec.submodule_search_locations[0]) / "assets" / "tiny-en"


@needs_model
class TestMoonshine(RecogniserContract):
    module = moonshine
    said = ("heart rate one twenty four", "patient contact")
    heard = ("heart rate 124", "patient contact")

    def speak(self, listener: Listener, text: str) -> None:
        samples = line("asthma", text)
        for start in range(0, len(samples), 1_600):
            listener.feed(samples[start : start + 1_600])


@needs_model
@pytest.mark.parametrize(
    "text",
    ["Heart rate 124.", "Epinephrine 0.3 milligrams, left thigh.", "It's 98%.", "naïve café", "Blutdruck: 120/80"],
)
def test_tokens_of_a_text_are_the_text(shared: moonshine.MoonshineListener, text: str) -> None:
    ids = shared._tokenizer.encode(text).ids
    assert shared._tokenizer.decode(ids).strip() == text


@needs_model
def test_common_words_are_one_token_as_byte_pairs_join_them(shared: moonshine.MoonshineListener) -> None:
    tokens = shared._tokenizer.encode("Heart rate pressure over 7").tokens
    assert tokens == ["▁Heart", "▁rate", "▁pressure", "▁over", "▁", "7"]


@needs_model
@pytest.mark.parametrize("text", ["Heart rate 124.", "Patient contact."])
def test_what_it_wrote_itself_scores_as_it_told(shared: moonshine.MoonshineListener, text: str) -> None:
    said = {"Heart rate 124.": HEART_RATE, "Patient contact.": ("asthma", "patient contact")}[text]
    shared.feed(line(*said))
    told = shared.finish().best.confidence
    # Rounded anew, as below.
    assert told is not None
    assert math.exp(shared.score(line(*said), [text])[0]) == pytest.approx(told, abs=0.05)


@needs_model
def test_what_was_said_leads_other_numbers_and_names(shared: moonshine.MoonshineListener) -> None:
    sound = line("anaphylaxis", "prepared epinephrine zero point three milligrams")
    text = "Prepared epinephrine {} milligrams."
    assert shared.lead(sound, text.format("0.3"), [text.format(f"0.{digit}") for digit in (1, 2, 4, 5, 8)]) > 1
    others = ["Prepared ketamine 0.3 milligrams.", "Prepared norepinephrine 0.3 milligrams."]
    assert shared.lead(sound, text.format("0.3"), others) > 1
    assert shared.lead(sound, text.format("0.5"), [text.format("0.3")]) < -1


@needs_model
def test_score_does_not_depend_on_the_other_texts(shared: moonshine.MoonshineListener) -> None:
    texts = ["Heart rate 124.", "Epinephrine 0.3 milligrams intramuscular left thigh.", "Confirm."] * 15
    together = shared.score(line(*HEART_RATE), texts)
    alone = [shared.score(line(*HEART_RATE), [text])[0] for text in texts[:3]]
    # The weights are kept in eight bits, and rounded anew with what is scored beside: a text that fits badly by more.
    assert together[-3:-1] == pytest.approx(alone[:2], abs=0.1)
    assert together[-1] == pytest.approx(alone[-1], abs=0.1, rel=0.1)


@needs_model
@pytest.mark.parametrize("beyond", [2.0, 5.0])
def test_what_lies_far_below_may_be_told_better_but_never_worse(
    shared: moonshine.MoonshineListener, beyond: float
) -> None:
    sound = line(*HEART_RATE)
    texts = ["Heart rate 124.", *(f"Heart rate {value}." for value in range(100, 140) if value != 124), "Confirm.", ""]
    fully, shortly = shared.score(sound, texts), shared.score(sound, texts, beyond)
    assert shortly[0] == pytest.approx(fully[0], abs=0.1)
    # What fits badly is rounded more, see above.
    assert all(short >= full - max(0.15, abs(full) / 10) for full, short in zip(fully[:-1], shortly, strict=False))
    assert shortly[-1] == -math.inf
    # Beginnings tell enough of some, and those that are near are read to their end.
    assert any(short > full + 0.3 for full, short in zip(fully, shortly, strict=True))
    (told,) = shared.score(sound, [texts[0], "Heart rate 120."], 1000.0)[1:]
    assert told == pytest.approx(shared.score(sound, ["Heart rate 120."])[0], abs=0.15)


@needs_model
def test_a_lead_told_short_is_no_greater_and_still_enough(shared: moonshine.MoonshineListener) -> None:
    sound, others = line(*HEART_RATE), [f"Heart rate {value}." for value in range(100, 124)]
    whole, short = (shared.lead(sound, "Heart rate 124.", others, beyond) for beyond in (math.inf, 3.0))
    assert min(whole, 3.0) - 0.3 <= short <= whole + 0.3
    assert shared.lead(sound, "Heart rate 120.", ["Heart rate 124."], 3.0) < 0


@needs_model
def test_empty_text_and_no_sound_score_least(shared: moonshine.MoonshineListener) -> None:
    empty, said = shared.score(line(*HEART_RATE), ["  ", "Heart rate 124."])
    assert empty == -math.inf
    assert math.isfinite(said)
    assert shared.score(line(*HEART_RATE), []) == []
    assert shared.score(np.zeros(0, dtype=np.int16), ["Confirm."]) == [-math.inf]


@needs_model
def test_what_cannot_be_heard_is_refused(shared: moonshine.MoonshineListener) -> None:
    shared.feed(np.zeros(31 * 16_000, dtype=np.int16))
    assert shared.finish().alternatives == ()
    assert shared.refusal == "longer than 30 s"
    assert shared.finish().alternatives == ()
    assert shared.refusal == "no sound"
    shared.feed(line(*HEART_RATE))
    assert shared.finish().best.words
    assert shared.refusal == ""


@needs_model
@pytest.mark.parametrize("seconds", [0.1, 9.0, 10.0, 29.9])
def test_any_length_up_to_the_longest_is_heard(shared: moonshine.MoonshineListener, seconds: float) -> None:
    sound = line(*HEART_RATE)
    sound = np.resize(
        np.concatenate([sound, np.zeros(30 * 16_000 - len(sound), dtype=np.int16)]), int(seconds * 16_000)
    )
    shared.feed(sound)
    shared.finish()
    assert all(math.isfinite(score) for score in shared.score(sound, ["Heart rate 124.", "Heart rate 24."]))


def test_directory_without_a_model_is_not_ready(tmp_path: Path) -> None:
    found = moonshine.is_available(tmp_path)
    assert not found.ready
    assert found.hint
    with pytest.raises(RecogniserError):
        moonshine.open(EMPTY, tmp_path)


@needs_model
@pytest.mark.parametrize("damaged", ["encoder_model.ort", "tokenizer.bin"])
@pytest.mark.parametrize("left", [0, 1000])
def test_damaged_model_is_refused(tmp_path: Path, damaged: str, left: int) -> None:
    for path in bundled_model().iterdir():
        if path.name == damaged:
            (tmp_path / path.name).write_bytes(path.read_bytes()[:left])
        else:
            (tmp_path / path.name).symlink_to(path)
    with pytest.raises(RecogniserError) as refused:
        moonshine.open(EMPTY, tmp_path)
    assert str(tmp_path) in refused.value.message
