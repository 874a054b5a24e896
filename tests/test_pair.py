"""The pair of listeners on recorded samples, with the real engines."""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest
from numpy.typing import NDArray
from recogniser_contract import RecogniserContract
from test_sphinx import clips

from voicelog.errors import RecogniserError
from voicelog.grammar.loader import load_grammar
from voicelog.parse.agreement import judged
from voicelog.parse.parser import parse
from voicelog.recognisers import pair, whisper
from voicelog.recognisers.base import SAMPLE_RATE, Listener, Utterance
from voicelog.recognisers.registry import FOR_AUDIO, recogniser

HAS_MODEL = all(importlib.util.find_spec(name) for name in ("ctranslate2", "tokenizers", whisper.BUNDLE))
needs_model = pytest.mark.skipif(not HAS_MODEL, reason="ctranslate2, tokenizers and a model are not installed")


def hear(listener: Listener, samples: NDArray[np.int16]) -> Utterance:
    for start in range(0, len(samples), 1600):
        listener.feed(samples[start : start + 1600])
    return listener.finish()


@needs_model
class TestPair(RecogniserContract):
    module = pair

    def speak(self, listener: Listener, text: str) -> None:
        samples = clips()[text]
        for start in range(0, len(samples), 1600):
            listener.feed(samples[start : start + 1600])

    def test_options_name_both_engines(self, listener: Listener) -> None:
        assert listener.options["first"] in {"sphinx", "vosk"}
        assert "ctranslate2" in listener.options["engine"]

    def test_words_keep_the_times_of_the_first_listener(self, listener: Listener) -> None:
        words = hear(listener, clips()["heart rate one thirty six"]).best.words
        assert all(word.start is not None and word.end is not None for word in words)

    def test_the_second_opinion_vouches_for_what_was_said(self, listener: Listener) -> None:
        second = hear(listener, clips()["heart rate one thirty six"]).second
        assert second is not None
        assert [word.text for word in second.words] == ["heart", "rate", "136"]
        assert second.fits[0].text == "Heart rate 136."
        assert second.score is not None
        assert second.score <= 0

    @pytest.mark.parametrize("said", ["heart rate one thirty six", "patient contact", "respiratory rate thirty six"])
    def test_a_clear_callout_is_accepted(self, listener: Listener, said: str) -> None:
        utterance = hear(listener, clips()[said])
        plain = parse(utterance.best.words, load_grammar())
        assert judged(plain, utterance, load_grammar()) == plain
        assert plain.outcome == "events"

    def test_noise_is_refused_by_both(self, listener: Listener) -> None:
        noise = np.random.default_rng(7).normal(0, 1000, 2 * SAMPLE_RATE).astype(np.int16)
        second = hear(listener, noise).second
        assert second is not None
        assert second.words == ()
        assert second.refusal


def test_it_is_offered_for_audio() -> None:
    assert "pair" in FOR_AUDIO
    assert recogniser("pair") is pair


def test_without_the_second_listener_it_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert "voicelog[second]" in pair.is_available().hint
    with pytest.raises(RecogniserError) as refused:
        pair.open(load_grammar())
    assert "voicelog[second]" in refused.value.hint
