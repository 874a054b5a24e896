"""Typed text in place of audio."""

from __future__ import annotations

import numpy as np
import pytest
from recogniser_contract import RecogniserContract

from voicelog.errors import RecogniserError
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers import script
from voicelog.recognisers.base import Listener


class TestScript(RecogniserContract):
    module = script

    def speak(self, listener: Listener, text: str) -> None:
        assert isinstance(listener, script.ScriptListener)
        listener.feed_text(text)


def test_text_is_read_as_typed_callouts_are() -> None:
    listener = script.open(load_grammar())
    listener.feed_text("BP 118/76,")
    listener.feed_text("pressure's falling")
    assert listener.finish().best.text == "bp 118 over 76 pressure is falling"


def test_audio_is_refused_with_a_hint() -> None:
    with pytest.raises(RecogniserError) as refusal:
        script.open(load_grammar()).feed(np.zeros(160, dtype=np.int16))
    assert "sphinx" in refusal.value.hint
