"""Speech out on a real sound server: what is said sounds, in order, once, and is told when; tones without one."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from numpy.typing import NDArray
from pulse import RATE, Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.audio.microphone import level_dbfs
from voicelog.errors import AudioError
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers import sphinx
from voicelog.speech.speaker import Speaker
from voicelog.speech.tones import TONE_RATE, TONES, Tone, tone
from voicelog.speech.voices import SilentVoice, SpokenVoice, Voice, open_voice

on_a_server = [pytest.mark.realtime, pytest.mark.skipif(bool(why_not()), reason=why_not())]
CALLOUT = "blood pressure one eighteen over seventy six"


class Hum:
    """A voice without an engine: a hum of a tenth of a second for each word."""

    name = "hum"

    def __init__(self) -> None:
        self.said: list[str] = []

    def render(self, text: str) -> tuple[NDArray[np.int16], int]:
        self.said.append(text)
        if text == "unsayable":
            raise AudioError("the voice hum does not speak: unsayable")
        count = 2205 * len(text.split())
        return np.round(8000 * np.sin(np.arange(count) * 2 * np.pi * 300 / 22_050)).astype(np.int16), 22_050


@contextmanager
def speaking(voice: Voice, device: str | int | None = None) -> Iterator[Speaker]:
    speaker = Speaker(voice, device)
    try:
        yield speaker
    finally:
        speaker.close()


def words(speaker: Speaker) -> list[str]:
    return [text for _, _, text in speaker.spans()]


def until_failed(speaker: Speaker) -> str:
    end = time.monotonic() + 5
    while speaker.failure is None and time.monotonic() < end:
        time.sleep(0.02)
    assert speaker.failure is not None
    return speaker.failure


class TestOnAServer:
    pytestmark = on_a_server

    def test_a_read_back_is_heard_at_the_sink_word_for_word(self, pulse: Pulse) -> None:
        voice = _voice_or_skip("hibari")
        with speaking(voice) as speaker, pulse.recording() as heard:
            speaker.say(CALLOUT)
            assert speaker.wait(15)
        listener = sphinx.open(load_grammar())
        listener.feed(heard.samples)
        assert listener.finish().best.text == CALLOUT
        listener.close()
        ((start, end, said),) = speaker.spans()
        assert said == CALLOUT
        assert 1.5 < end - start < 5

    def test_the_second_best_voice_sounds_as_long_as_it_was_rendered(self, pulse: Pulse) -> None:
        """Its words are not recognised here: sphinx hears this voice's "eighteen" as "eighty"."""
        voice = _voice_or_skip("espeak-us")
        rendered, rate = voice.render(CALLOUT)
        with speaking(voice) as speaker, pulse.recording() as heard:
            speaker.say(CALLOUT)
            assert speaker.wait(15)
        loud = np.flatnonzero(np.abs(heard.samples) > 300)
        assert (loud[-1] - loud[0]) / RATE == pytest.approx(len(rendered) / rate, abs=0.15)

    def test_spans_tell_when_it_sounded_and_nothing_sounds_outside(self, pulse: Pulse) -> None:
        with speaking(Hum()) as speaker, pulse.recording() as heard:
            speaker.say("one two three four five")
            speaker.say("one two")
            assert speaker.wait(10)
        spans = speaker.spans()
        assert [end - start for start, end, _ in spans] == pytest.approx([0.5, 0.2], abs=0.02)
        for start, end, _ in spans:
            assert level_dbfs(_between(heard.started, heard.samples, start + 0.1, end - 0.08)) > -20
        assert level_dbfs(_between(heard.started, heard.samples, 0.0, spans[0][0] - 0.1)) < -60
        assert level_dbfs(_between(heard.started, heard.samples, spans[1][1] + 0.1, float("inf"))) < -60

    def test_urgent_words_and_alarms_go_first_and_the_newest_of_them(self, pulse: Pulse) -> None:
        with speaking(Hum()) as speaker:
            speaker.say("now now now now")
            while not speaker.spans():
                time.sleep(0.01)
            speaker.say("ordinary")
            speaker.tone("heard")
            speaker.say("urgent", urgent=True)
            speaker.tone("alarm")
            assert speaker.speaking
            assert speaker.waiting == ["tone alarm", "urgent", "ordinary", "tone heard"]
            assert speaker.wait(10)
            assert words(speaker) == ["now now now now", "tone alarm", "urgent", "ordinary", "tone heard"]
            assert not speaker.speaking

    def test_mute_leaves_the_tones(self, pulse: Pulse) -> None:
        with speaking(SilentVoice()) as speaker, pulse.recording() as heard:
            speaker.say(CALLOUT)
            speaker.tone("ask")
            assert speaker.wait(5)
        assert words(speaker) == ["tone ask"]
        assert 0.15 < np.count_nonzero(np.abs(heard.samples) > 300) / RATE < 0.3

    def test_words_that_the_voice_cannot_say_are_told_and_the_next_are_said(self, pulse: Pulse) -> None:
        with speaking(Hum()) as speaker:
            speaker.say("unsayable")
            assert speaker.wait(5)
            assert speaker.failure == "the voice hum does not speak: unsayable"
            speaker.say("well")
            assert speaker.wait(5)
            assert speaker.failure is None

    def test_a_server_that_ends_is_told_and_what_waits_is_said_when_it_is_back(self, pulse: Pulse) -> None:
        with speaking(Hum()) as speaker:
            speaker.say("before")
            assert speaker.wait(5)
            speaker.say("cut off in the middle of many words here")
            while len(speaker.spans()) < 2:
                time.sleep(0.01)
            pulse.kill()
            until_failed(speaker)
            speaker.say("while away")
            assert not speaker.speaking
            assert not speaker.wait(0.1)
            pulse.start()
            end = time.monotonic() + 10
            while speaker.waiting and time.monotonic() < end:
                time.sleep(0.05)
            assert speaker.wait(5)
            assert speaker.failure is None
            assert words(speaker)[-2:] == ["cut off in the middle of many words here", "while away"]

    def test_an_unknown_device_is_a_failure_not_an_error(self, pulse: Pulse) -> None:
        with speaking(Hum(), "lapel") as speaker:
            speaker.say("nobody hears")
            assert until_failed(speaker) == 'there is no sound output "lapel"'
            assert speaker.waiting == ["nobody hears"]

    def test_the_first_word_is_not_late(self, pulse: Pulse) -> None:
        """The budget from end of speech to read-back is 1.2 s; the way out may take a small part of it."""
        with speaking(Hum()) as speaker:
            speaker.tone("heard")
            assert speaker.wait(5)
            asked = time.monotonic()
            speaker.say("word")
            assert speaker.wait(5)
            assert speaker.spans()[-1][0] - asked < 0.3


def test_without_a_device_many_read_backs_are_joined_and_the_oldest_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULSE_SERVER", "unix:/nowhere")
    with speaking(Hum(), "lapel") as speaker:
        until_failed(speaker)
        for number in range(3):
            speaker.say(f"message {number}")
        assert speaker.waiting == ["message 0", "message 1", "message 2"]
        speaker.say("message 3")
        assert speaker.waiting == ["message 0. message 1. message 2. message 3"]
        for number in range(4, 13):
            speaker.say(f"message {number}")
        told = ". ".join(speaker.waiting)
        assert told.startswith("5 earlier messages were not said. message 5. message 6")
        assert told.endswith("message 12")


def test_closing_without_a_device_does_not_hang(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULSE_SERVER", "unix:/nowhere")
    speaker = Speaker(Hum(), "lapel")
    speaker.say("word")
    speaker.close()
    assert not speaker.wait(0)


@pytest.mark.parametrize("name", TONES)
def test_tones_begin_and_end_softly_and_never_clip(name: Tone) -> None:
    samples = tone(name).astype(int)
    assert abs(samples[0]) < 10
    assert abs(samples[-1]) < 10
    # The pacing tone lies under the voices of the crew; the others must be heard over them.
    low, high = (2000, 5000) if name == "breath" else (5000, 25_000)
    assert low < np.abs(samples).max() < high
    assert len(samples) / TONE_RATE < 1.0


def test_tones_are_told_apart_by_their_length_or_tune() -> None:
    lengths = {name: len(tone(name)) / TONE_RATE for name in TONES}
    assert lengths["heard"] < 0.1 < lengths["ask"] < lengths["recovered"] < 0.5 < lengths["alarm"]


def test_there_is_no_voice_of_an_unknown_name() -> None:
    with pytest.raises(AudioError, match='there is no voice "nobody"') as refused:
        open_voice("nobody")
    assert "hibari" in refused.value.hint


def test_no_voice_is_opened_by_its_name_and_says_nothing() -> None:
    samples, _ = open_voice("none").render(CALLOUT)
    assert len(samples) == 0


def test_a_voice_speaks_without_silence_in_front_and_without_clipping() -> None:
    voice = _voice_or_skip("espeak-us")
    samples, rate = voice.render(CALLOUT)
    assert np.argmax(np.abs(samples) > 500) / rate < 0.1
    assert 10_000 < np.abs(samples).max() < 32_000
    assert len(voice.render(" ")[0]) == 0


def _voice_or_skip(name: str) -> Voice:
    try:
        voice = open_voice(name)
    except AudioError as error:
        pytest.skip(error.message)
    assert isinstance(voice, SpokenVoice)
    return voice


def _between(started: float, samples: NDArray[np.int16], start: float, end: float) -> NDArray[np.int16]:
    first = max(0, round((start - started) * RATE))
    last = len(samples) if end == float("inf") else max(first, round((end - started) * RATE))
    return samples[first:last]
