"""Scores a folder of drills: hears each recording by each recogniser, judges it, and keeps the results as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicelog import __version__
from voicelog.drill import intervals, words
from voicelog.drill.matching import CalloutResult, DrillResult, FalseEntry, judged
from voicelog.drill.script import DrillError
from voicelog.drill.tally import Run, figures
from voicelog.drill.truth import CAUTION, Truth
from voicelog.drill.work import CACHE, Heard, Pool, hear_all
from voicelog.errors import UsageError
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers.registry import FOR_AUDIO, preferred, recogniser

SCORES = "scores.json"
"""The results in the folder of the drills."""
VERSION = 1
LISTENERS = (*FOR_AUDIO, "whisper")
"""Recognisers that can be scored; whisper listens to no case by itself, but tells how the second listener does."""


@dataclass(frozen=True)
class Scored:
    """A run and its figures."""

    run: Run
    figures: dict[str, Any]


def listeners_of(text: str) -> tuple[str, ...]:
    """Names of recognisers divided by commas; the preferred one for ''.

    Raises:
        UsageError: a name that is not known.
        DrillError: a recogniser that cannot run here.
    """
    names = tuple(dict.fromkeys(part.strip() for part in text.split(",") if part.strip())) or (preferred(),)
    for name in names:
        if name not in LISTENERS:
            raise UsageError(f"there is no recogniser {name!r}", f"recognisers: {', '.join(LISTENERS)}")
        ready = recogniser(name).is_available()
        if not ready.ready:
            raise DrillError(f"{name} cannot run here: {ready.detail}", ready.hint)
    return names


def score_folder(
    drills: Sequence[tuple[Path, Truth]],
    listeners: Sequence[str],
    overlays: Sequence[Path],
    pool: Pool,
    told: Callable[[Heard], None] = lambda heard: None,
    kept: Path | None = None,
) -> tuple[Scored, ...]:
    """Score drills by each recogniser.

    Args:
        drills: recordings and their truths.
        listeners: names of recognisers that can run here.
        overlays: further grammar directories.
        pool: worker processes and their number.
        told: called with each recording that was heard.
        kept: folder of the cache; None for the one beside the first recording.

    Returns:
        One result a recogniser, drills by name, whatever the order in which they were heard.

    Raises:
        DrillError: jiwer or SciPy is not installed, or a worker died.
    """
    # Missing libraries are told before an hour was spent on hearing, not after.
    words.library()
    intervals.library()
    grammar = load_grammar(*overlays)
    truths = dict(drills)
    found: dict[str, dict[Path, DrillResult]] = {name: {} for name in listeners}
    options: dict[str, Mapping[str, str]] = {name: {} for name in listeners}
    folder = kept or drills[0][0].parent / CACHE
    # The longest first, so that no worker is left with one when the others are done.
    ordered = sorted(truths, key=lambda path: -truths[path].length_s)
    for heard in hear_all(ordered, listeners, overlays, folder, pool):
        found[heard.listener][heard.recording] = judged(truths[heard.recording], heard.hearing, grammar)
        options[heard.listener] = heard.hearing.options
        told(heard)
    runs = (Run(name, options[name], tuple(found[name][path] for path in sorted(found[name]))) for name in listeners)
    return tuple(Scored(run, figures(run)) for run in runs)


def results(scored: Sequence[Scored], grammar_digest: str) -> dict[str, Any]:
    """Everything as plain data: figures, every callout, every false entry."""
    return {
        "voicelog_scores": VERSION,
        "caution": CAUTION,
        "version": __version__,
        "grammar_hash": grammar_digest,
        "listeners": {
            one.run.listener: {
                "options": dict(one.run.options),
                "figures": one.figures,
                "callouts": [_callout(callout) for callout in one.run.callouts],
                "false_entries": [_false(entry) for drill in one.run.drills for entry in drill.false],
            }
            for one in scored
        },
    }


def _callout(callout: CalloutResult) -> dict[str, Any]:
    line = callout.line
    return {
        "recording": callout.recording,
        "number": callout.number,
        "who": line.who,
        "kind": line.kind,
        "noise": callout.noise,
        "snr_db": callout.snr_db,
        "start": line.start,
        "end": line.end,
        "said": line.say,
        "heard": " ".join(callout.words),
        "outcome": callout.score.outcome,
        "drug_read_back_wrong": callout.score.drug_wrong,
        "expected": [_plain(fields) for fields in line.events],
        "entered": [{**_plain(one.fields), "flags": list(one.flags)} for one in callout.heard.events],
        "question": callout.heard.question,
        "delay_s": callout.delay_s,
    }


def _false(entry: FalseEntry) -> dict[str, Any]:
    return {
        "recording": entry.recording,
        "start": entry.start,
        "end": entry.end,
        "heard": entry.words,
        "entered": [{**_plain(one.fields), "flags": list(one.flags)} for one in entry.events],
        "decisions": list(entry.decisions),
        "question": entry.question,
    }


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value if isinstance(value, bool | int | str) else str(value) for name, value in fields.items()}


Outcomes = dict[tuple[str, int, str], str]
"""Outcome by recording, line and words said."""


def read_outcomes(path: Path) -> dict[str, Outcomes]:
    """The outcomes in a file of results, or in the results of a folder, by recogniser.

    Raises:
        DrillError: there is none, or it cannot be read.
    """
    place = path / SCORES if path.is_dir() else path
    try:
        table = json.loads(place.read_text(encoding="utf-8"))
        if table["voicelog_scores"] != VERSION:
            raise ValueError(f"version {table['voicelog_scores']}")
        return {
            name: {(row["recording"], row["number"], row["said"]): row["outcome"] for row in one["callouts"]}
            for name, one in table["listeners"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise DrillError(
            f"{place} holds no results of drills: {str(error).splitlines()[0]}",
            "Score first: voicelog drill score DIR, or with --save FILE to keep a run beside others.",
        ) from error
