"""Makes the corpus and measures the recognisers on it: ``python -m tests.bench.recognition.run --help``."""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import track

from voicelog.recognisers.registry import FOR_AUDIO, recogniser

from .before import TREATMENTS, lacking
from .corpus import SETS, VOICES, Clip, Stream, addressed, synthetic_clips, synthetic_streams, thinned
from .human import DIGITS_VARIABLE, human_speech
from .plot import svg
from .report import Run, figures, show
from .sounds import Say, Take, cache_folder
from .work import ClipResult, TalkResult, Way, hear_all, make_speech, timed

QUICK = 5
"""A quick run takes one clip, and one stream of talk, of this many; prime to the numbers of noises and voices, or each
SNR would be heard in some of them only."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark; 0, or 2 when nothing can be measured here."""
    options = _arguments(arguments)
    # A file or a pipe is not 80 columns wide.
    console, notes = Console(width=None if sys.stdout.isatty() else 110), Console(stderr=True)
    listeners = [name for name in options.listeners.split(",") if _usable(name, notes)]
    if lack := lacking(options.before):
        notes.print(lack, markup=False, highlight=False, soft_wrap=True)
    if lack or not listeners:
        return 2
    folder = cache_folder(options.cache)
    clips, talk, missing = _corpus(options)
    # With talk alone there are no clips to time, so some are taken for that.
    paced = clips or thinned(synthetic_clips(SETS[-1]), QUICK * QUICK)
    clips, paced = ([addressed(clip, options.attention) for clip in row] for row in (clips, paced))
    bad = _prepare([*paced, *talk], folder, options.jobs, notes)
    for line in (*missing, *bad):
        notes.print(f"left out: {line}", markup=False, highlight=False, soft_wrap=True)
    if bad:
        return 2
    out = options.out or folder / "report"
    out.mkdir(parents=True, exist_ok=True)
    measured: dict[str, Any] = {}
    for name in listeners:
        run = _measure(name, [*clips, *talk], paced, folder, options, notes)
        show(run, console)
        measured[name] = figures(run)
        # Written after each recogniser, so that a run that is broken off leaves what it has.
        report = {"conditions": _conditions(options, clips, missing), "listeners": measured}
        (out / "report.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
        picture = svg({name: data["callouts"] for name, data in measured.items()})
        (out / "report.svg").write_text(picture, encoding="utf-8")
    console.print(f"{out / 'report.json'}, {out / 'report.svg'}", highlight=False, soft_wrap=True)
    return 0


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.recognition.run", description=__doc__)
    parser.add_argument(
        "--listeners", default=",".join((*FOR_AUDIO, "whisper")), help="names divided by commas (%(default)s)"
    )
    parser.add_argument("--set", choices=(*VOICES, "all"), default="report", help="voices to use (%(default)s)")
    thin = parser.add_mutually_exclusive_group()
    thin.add_argument("--quick", dest="every", action="store_const", const=QUICK, help="a fifth of it")
    thin.add_argument(
        "--every",
        type=int,
        metavar="N",
        help="one clip and one stream of synthetic talk of N (1); multiples of 2 or 3 leave noises out",
    )
    parser.add_argument("--attention", default="", metavar="WORD", help="callouts begin with this word; talk does not")
    parser.add_argument(
        "--before",
        choices=TREATMENTS,
        default="none",
        help="what is done to the sound first; denoise: pip install webrtc-noise-gain (%(default)s)",
    )
    parser.add_argument(
        "--idle",
        action="store_true",
        help="no drug waits for a confirm while talk is heard; one lets words without the attention word in",
    )
    parser.add_argument("--only", choices=("callouts", "talk"), help="leave the other out")
    parser.add_argument("--out", type=Path, help="folder of the report (report, in the cache)")
    parser.add_argument("--cache", type=Path, help="folder of the spoken words (the user's cache)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (%(default)s)")
    digits = os.environ.get(DIGITS_VARIABLE)
    parser.add_argument("--digits", type=Path, default=digits and Path(digits), help="folder of human digits")
    parser.add_argument("--readings", type=Path, help="further folder of human readings that are no callouts")
    parser.set_defaults(every=1)
    options = parser.parse_args(arguments)
    if options.every < 1 or options.jobs < 1:
        parser.error("--every and --jobs are whole numbers of 1 or more")
    return options


def _usable(name: str, notes: Console) -> bool:
    try:
        state = recogniser(name).is_available()
    except ValueError as error:
        notes.print(f"left out: {error}", markup=False)
        return False
    if not state.ready:
        notes.print(f"left out: {name}: {state.detail}; {state.hint}", markup=False, soft_wrap=True)
    return state.ready


def _corpus(options: argparse.Namespace) -> tuple[list[Clip], list[Stream], list[str]]:
    clips: list[Clip] = []
    talk: list[Stream] = []
    missing: list[str] = []
    for chosen in SETS if options.set == "all" else [options.set]:
        if chosen not in SETS:
            clips += thinned(synthetic_clips(chosen), options.every)
            continue
        human = human_speech(chosen, options.digits, options.readings)
        for row in (synthetic_clips(chosen), human.words, human.digits):
            clips += thinned(row, options.every)
        # Human talk is scarce and worth more than synthetic talk, so all of it is heard.
        talk += [*human.talk, *synthetic_streams(chosen)[:: options.every]]
        missing += human.missing
    return (
        clips if options.only != "talk" else [],
        talk if options.only != "callouts" else [],
        list(dict.fromkeys(missing)),
    )


def _prepare(items: Sequence[Clip | Stream], folder: Path, jobs: int, notes: Console) -> list[str]:
    """Make all speech before anything is measured; returns why some of it cannot be had."""
    parts: dict[Say | Take, None] = {}
    for item in items:
        parts |= dict.fromkeys((*item.sounds.parts, *item.sounds.babblers))
    every = list(parts)
    made = make_speech(every, folder, jobs)
    told = track(made, "speech", total=len(every), console=notes, transient=True, disable=not sys.stderr.isatty())
    return list(dict.fromkeys(filter(None, told)))


def _measure(
    name: str,
    items: Sequence[Clip | Stream],
    paced: Sequence[Clip],
    folder: Path,
    options: argparse.Namespace,
    notes: Console,
) -> Run:
    way = Way(name, options.attention, options.before, options.idle)
    heard = hear_all(way, items, folder, options.jobs)
    told = list(track(heard, name, total=len(items), console=notes, transient=True, disable=not sys.stderr.isatty()))
    return Run(
        name,
        tuple(result for result in told if isinstance(result, ClipResult)),
        tuple(result for result in told if isinstance(result, TalkResult)),
        timed(way, paced, folder),
    )


def _conditions(options: argparse.Namespace, clips: Sequence[Clip], missing: Sequence[str]) -> dict[str, Any]:
    return {
        "set": options.set,
        "one_clip_of": options.every,
        "attention": options.attention,
        "before": options.before,
        "idle": options.idle,
        "callouts": dict(Counter(clip.source for clip in clips)),
        "voices": {chosen: VOICES[chosen] for chosen in VOICES if options.set in (chosen, "all")},
        "left_out": list(missing),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}",
        "note": "Mostly synthetic voices and noise, few humans; not a field trial.",
    }


if __name__ == "__main__":
    raise SystemExit(main())
