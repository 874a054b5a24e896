"""The report of a run: figures as plain data for JSON, and as tables for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from voicelog.drill.judge import OUTCOMES
from voicelog.drill.summary import Line, an_hour, by_key, by_snr, percentile, together

from .work import ClipResult, Speed, TalkResult

WRONG_SHOWN = 15
"""Entries accepted wrong that are listed under the tables; the JSON has all."""
_CAPTION = (
    "SNR in dB; shares in percent; 95%: where exact lies, 95% sure (Wilson);"
    " miss: some events of several left out; rej: rejected; wrong: how many were accepted"
    " wrong; <=: most that may be, 95% sure; med: a drug read back wrong; name, num: a drug or number not said"
)
_PLAIN: dict[str, Any] = {"box": SIMPLE_HEAD, "pad_edge": False, "padding": (0, 1, 0, 0), "caption_justify": "left"}


@dataclass(frozen=True)
class Run:
    """All that one recogniser made of the corpus."""

    listener: str
    clips: tuple[ClipResult, ...]
    talk: tuple[TalkResult, ...]
    speed: Speed


def figures(run: Run) -> dict[str, Any]:
    """The figures of a run as plain data, every clip included."""
    return {
        "options": run.speed.options,
        "callouts": {source: _lines(by_snr(pairs)) for source, pairs in _by_source(run)},
        "breakdown": {
            "noise": _lines(by_key((_noise(result), result.score) for result in run.clips)),
            "kind": _lines(by_key((result.clip.callout.group, result.score) for result in run.clips)),
            "voice": _lines(by_key((result.clip.voice, result.score) for result in run.clips)),
        },
        "talk": {source: _talk(results) for source, results in _by_talk(run)},
        "speed": _speed(run.speed),
        "clips": [_clip(result) for result in run.clips],
        "false_entries": [
            {"source": result.stream.source, "heard": words, "entered": _plain(fields)}
            for result in run.talk
            for words, fields in result.entered
        ],
    }


def show(run: Run, console: Console) -> None:
    """Print the tables of a run."""
    data = figures(run)
    # Narrow enough for a terminal of 80 columns.
    table = Table(title=f"{run.listener}: callouts", title_justify="left", caption=_CAPTION, **_PLAIN)
    for name in ("speech", "SNR", "n", "exact", "95%", "ask", "miss", "rej", "wrong", "<=", "med", "name", "num"):
        table.add_column(name, justify="left" if name == "speech" else "right", no_wrap=True)
    for source, lines in data["callouts"].items():
        for snr, line in lines.items():
            shares = [f"{100 * line[outcome] / max(line['count'], 1):.1f}" for outcome in OUTCOMES[:-1]]
            shares.insert(1, "{:.0f}-{:.0f}".format(*(100 * share for share in line["exact_between"])))
            wrong = [str(line["wrong"]), f"{100 * line['wrong_at_most']:.1f}"]
            errors = [str(line[name]) for name in ("drug_read_back_wrong", "drug_name_errors", "number_errors")]
            row = (source, snr.removesuffix(" dB"), str(line["count"]), *shares, *wrong, *errors)
            table.add_row(*row, style="bold" if snr == "all" else None, end_section=snr == "all")
    console.print(table)
    talk = Table(title=f"{run.listener}: talk that is not for the log, by the hour", title_justify="left", **_PLAIN)
    for name in ("speech", "minutes", "events", "of drugs", "unflagged", "questions", "events counted"):
        talk.add_column(name, justify="left" if name == "speech" else "right", no_wrap=True)
    for source, line in data["talk"].items():
        rates = [f"{line[name]:.1f}" for name in ("events_an_hour", "drugs_an_hour", "unflagged_an_hour")]
        talk.add_row(source, f"{line['minutes']:.1f}", *rates, f"{line['questions_an_hour']:.1f}", str(line["events"]))
    if data["talk"]:
        console.print(talk)
    speed = data["speed"]
    console.print(
        f"{run.listener}: delay from end of speech to entry p50 {speed['delay_p50_s']:.2f} s, p95"
        f" {speed['delay_p95_s']:.2f} s; real-time factor {speed['real_time_factor']:.3f}; peak memory"
        f" {speed['peak_mib']:.0f} MiB ({speed['clips']} clips, one process)"
    )
    for text in _wrong(run):
        console.print(text, markup=False, highlight=False, soft_wrap=True)
    console.print()


def _by_source(run: Run) -> Iterator[tuple[str, list[tuple[float | None, Any]]]]:
    for source in dict.fromkeys(result.clip.source for result in run.clips):
        yield source, [(r.clip.sounds.snr_db, r.score) for r in run.clips if r.clip.source == source]


def _by_talk(run: Run) -> Iterator[tuple[str, Sequence[TalkResult]]]:
    for source in dict.fromkeys(result.stream.source for result in run.talk):
        yield source, [result for result in run.talk if result.stream.source == source]
    if run.talk:
        yield "all", run.talk


def _lines(lines: dict[str, Line]) -> dict[str, dict[str, Any]]:
    return {
        name: {
            "count": line.count,
            **{str(outcome): count for outcome, count in line.outcomes.items()},
            "exact_between": [round(share, 4) for share in line.exact_between],
            "wrong_at_most": round(line.wrong_at_most, 5),
            "drug_read_back_wrong": line.drug_wrong,
            "drug_name_errors": line.name_errors,
            "number_errors": line.number_errors,
        }
        for name, line in lines.items()
    }


def _talk(results: Iterable[TalkResult]) -> dict[str, Any]:
    false = together(result.false for result in results)
    return {
        "minutes": round(false.seconds / 60, 2),
        "events": false.events,
        "drugs": false.drugs,
        "unflagged": false.unflagged,
        "questions": false.questions,
        "events_an_hour": round(an_hour(false.events, false), 2),
        "drugs_an_hour": round(an_hour(false.drugs, false), 2),
        "unflagged_an_hour": round(an_hour(false.unflagged, false), 2),
        "questions_an_hour": round(an_hour(false.questions, false), 2),
    }


def _speed(speed: Speed) -> dict[str, Any]:
    delays = [timing.delay_s for timing in speed.timings]
    audio = sum(timing.audio_s for timing in speed.timings)
    return {
        "clips": len(speed.timings),
        "delay_p50_s": round(percentile(delays, 0.5), 3),
        "delay_p95_s": round(percentile(delays, 0.95), 3),
        "real_time_factor": round(sum(timing.work_s for timing in speed.timings) / audio, 4) if audio else 0.0,
        "peak_mib": round(speed.peak_mib),
    }


def _clip(result: ClipResult) -> dict[str, Any]:
    clip = result.clip
    return {
        "source": clip.source,
        "voice": clip.voice,
        "snr_db": clip.sounds.snr_db,
        "noise": _noise(result),
        "echo": clip.sounds.echo,
        "kind": clip.callout.group,
        "said": clip.callout.say,
        "heard": result.heard.words,
        "entered": [{**_plain(event.fields), "flags": list(event.flags)} for event in result.heard.events],
        "commands": list(result.heard.commands),
        "question": result.heard.question,
        "outcome": result.score.outcome,
        "drug_read_back_wrong": result.score.drug_wrong,
    }


def _noise(result: ClipResult) -> str:
    return "none" if result.clip.sounds.snr_db is None else result.clip.sounds.noise


def _plain(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value if isinstance(value, bool | int | str) else str(value) for name, value in fields.items()}


def _wrong(run: Run) -> Iterator[str]:
    wrong = [result for result in run.clips if result.score.outcome == "wrong"]
    if wrong:
        yield f"accepted wrong, {min(len(wrong), WRONG_SHOWN)} of {len(wrong)}:"
    for result in wrong[:WRONG_SHOWN]:
        snr = result.clip.sounds.snr_db
        place = f"{result.clip.voice}, " + ("clean" if snr is None else f"{_noise(result)} {snr:g} dB")
        yield f"  {result.clip.callout.say} -> {result.heard.words or '(nothing)'} ({place})"
    false = [(result.stream.source, words) for result in run.talk for words, _ in result.entered]
    if false:
        yield f"entered from talk, {min(len(false), WRONG_SHOWN)} of {len(false)}:"
    for source, words in false[:WRONG_SHOWN]:
        yield f"  {source}: {words}"
