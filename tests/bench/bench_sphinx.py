"""Prints how fast, how large and how exact the embedded recogniser is.

    python tests/bench/bench_sphinx.py [--voices hibari espeak-us] [--every 4] [--other RECORDING...]

Callouts are the grammar's own examples, said by synthetic voices; ``--other`` takes recordings of speech that is no
callout and counts what is taken for one all the same.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections import Counter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voicelog.audio.source import read_recording
from voicelog.drill.voices import speak
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.result import ParseResult
from voicelog.parse.tokens import words_of
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import SAMPLE_RATE, Listener, Word
from voicelog.recognisers.pronunciations import typed_only

LOUDNESS = 2600
QUIET = 13
BEFORE_S, AFTER_S = 0.5, 0.4


def sentences(grammar: Grammar, every: int) -> list[str]:
    """Examples that can be said: every nth of those without digits."""
    texts = [text for phrase in grammar.phrases if phrase.kind in {"event", "command"} for text in phrase.examples]
    said = [" ".join(word.text for word in words_of(text)) for text in texts]
    silent = typed_only(grammar.vocabulary)
    return [text for text in said if not any(part[0].isdigit() or part in silent for part in text.split())][::every]


def recorded(text: str, voice: str) -> NDArray[np.int16]:
    """The text by a voice with a little quiet around it."""
    speech = speak(text, voice) * LOUDNESS
    padded = np.pad(speech, (int(BEFORE_S * SAMPLE_RATE), int(AFTER_S * SAMPLE_RATE)))
    noisy = padded + np.random.default_rng(1).normal(0, QUIET, len(padded))
    return np.clip(noisy, -32768, 32767).astype(np.int16)


def meaning(result: ParseResult) -> tuple[object, ...]:
    """What a result says, regardless of the words."""
    events = tuple(str(draft.event.model_dump(exclude={"evidence"})) for draft in result.drafts)
    return result.outcome, events, result.commands


def verdict(said: str, heard: tuple[Word, ...], grammar: Grammar) -> str:
    """exact, same meaning, asked (or rejected), or WRONG: another meaning entered with no flag."""
    result = parse(heard, grammar)
    if " ".join(word.text for word in heard) == said:
        return "exact"
    if meaning(result) == meaning(parse(words_of(said), grammar)):
        return "same meaning"
    silent_entry = result.outcome == "command" or (result.outcome == "events" and not result.flags)
    return "WRONG" if silent_entry else "asked"


class Clock:
    """Time spent hearing against the time of what was heard."""

    def __init__(self, listener: Listener) -> None:
        self.listener = listener
        self.busy_s = 0.0
        self.audio_s = 0.0

    def hear(self, samples: NDArray[np.int16]) -> tuple[Word, ...]:
        started = time.process_time()
        self.listener.feed(samples)
        words = self.listener.finish().best.words
        self.busy_s += time.process_time() - started
        self.audio_s += len(samples) / SAMPLE_RATE
        return words


def main() -> None:
    """Measure and print."""
    reader = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    reader.add_argument("--voices", nargs="*", default=["espeak-us", "flite-slt"])
    reader.add_argument("--every", type=int, default=4, help="say every nth example")
    reader.add_argument("--other", nargs="*", type=Path, default=[], help="recordings that are no callouts")
    reader.add_argument("--show", action="store_true", help="print what was not heard exactly")
    given = reader.parse_args()
    grammar = load_grammar()
    started = time.process_time()
    listener = sphinx.open(grammar)
    opened_s = time.process_time() - started
    # Read here: the voices need more memory than the recogniser. Hearing adds some 20 MiB.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"open: {opened_s:.2f} s of processor time, peak memory {peak:.0f} MiB; {listener.options}")
    for voice in given.voices:
        clock, count = Clock(listener), Counter[str]()
        for text in sentences(grammar, given.every):
            heard = clock.hear(recorded(text, voice))
            found = verdict(text, heard, grammar)
            count[found] += 1
            if given.show and found in {"asked", "WRONG"}:
                print(f"  {found}: {text} -> {' '.join(word.text for word in heard)}")
        print(f"{voice}: {dict(count)}, real-time factor {clock.busy_s / clock.audio_s:.3f}")
    if given.other:
        clock, count = Clock(listener), Counter[str]()
        for path in given.other:
            result = parse(clock.hear(read_recording(path).samples), grammar)
            taken = result.outcome in {"events", "command"}
            count["taken, flagged" if taken and result.flags else "TAKEN" if taken else result.outcome] += 1
        print(f"other speech: {dict(count)}, real-time factor {clock.busy_s / clock.audio_s:.3f}")


if __name__ == "__main__":
    main()
