"""Says lines that name no drug, in the report's voices and noises, and counts what names one all the same.

python -m tests.bench.recognition.no_drug --listeners pair,trio --lines 2000
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path
from random import Random

from rich.console import Console
from rich.progress import track

from voicelog.drill.adapt.config import read_config
from voicelog.drill.adapt.texts import callouts, prose, talk
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.model import Grammar
from voicelog.recognisers.written import drug_names

from .callouts import Callout
from .corpus import SNRS, VOICES, Clip, in_noise
from .sounds import Say, cache_folder
from .work import ClipResult, Way, hear_all, make_speech

SEED = 42
"""Not that of the training's lines."""
SHOWN_EVERY = 100
"""Lines heard between two figures."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Print, for each recogniser, how many lines led to a drug, flagged and unflagged."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.recognition.no_drug", description=__doc__)
    parser.add_argument("--listeners", default="trio", help="names divided by commas (%(default)s)")
    parser.add_argument("--lines", type=int, default=2000, help="how many (%(default)s)")
    parser.add_argument("--cache", type=Path, help="folder of the spoken words (the user's cache)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (%(default)s)")
    options = parser.parse_args(arguments)
    console, folder = Console(), cache_folder(options.cache)
    clips = _clips(options.lines)
    every = list(dict.fromkeys(part for clip in clips for part in (*clip.sounds.parts, *clip.sounds.babblers)))
    for _ in track(make_speech(every, folder, options.jobs), "speech", total=len(every), transient=True):
        pass
    for name in options.listeners.split(","):
        told: Counter[str] = Counter()
        heard = track(hear_all(Way(name), clips, folder, options.jobs), name, total=len(clips), transient=True)
        for number, result in enumerate(heard, start=1):
            assert isinstance(result, ClipResult)
            for event in result.heard.events:
                if event.fields.get("kind") == "medication":
                    told["flagged" if event.flags else "unflagged"] += 1
                    line = f"{result.clip.callout.say} -> {result.heard.words} {event.flags}"
                    console.print(line, markup=False, highlight=False, soft_wrap=True)
            # A long run that is broken off leaves what it has.
            if number % SHOWN_EVERY == 0 or number == len(clips):
                shares = f"{told['unflagged']} entered without a flag, {told['flagged']} flagged"
                console.print(f"{name}: of {number} lines without a drug, drugs: {shares}", highlight=False)
    return 0


def _clips(lines: int) -> list[Clip]:
    voices = VOICES["report"]
    clips = []
    for number, line in zip(range(lines), _lines(load_grammar()), strict=False):
        voice = voices[number % len(voices)]
        sounds = in_noise((Say(line, voice),), "report", number, number % len(SNRS))
        clips.append(Clip("no drug", Callout("no drug", line, ()), sounds, voice))
    return clips


def _lines(grammar: Grammar) -> Iterator[str]:
    """Callouts, talk full of their words, and prose, in turn; none of them names a drug of the formulary."""
    random = Random(SEED)
    names = {" ".join(name) for name in drug_names(grammar)}
    tales = iter(prose(Path(read_config().texts.dictionary), random, 5000))
    for number in count():
        kinds = (lambda: callouts(grammar, random, 1)[0], lambda: talk(grammar, random, 1)[0], lambda: next(tales))
        spoken = kinds[number % 3]().spoken
        while any(f" {name} " in f" {spoken} " for name in names):
            spoken = kinds[number % 3]().spoken
        yield spoken.replace(",", "")


if __name__ == "__main__":
    raise SystemExit(main())
