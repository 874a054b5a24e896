"""The report of scored drills: one HTML file with plots, what to do, and the worst clips to listen to; no script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from voicelog.drill.clips import Clip
from voicelog.drill.debrief import Finding, Weight, better_or_worse, findings, headline
from voicelog.drill.judge import OUTCOMES
from voicelog.drill.plots import capture_svg, histogram_svg, rows_svg
from voicelog.drill.scoring import Scored
from voicelog.drill.truth import CAUTION
from voicelog.events import event_from
from voicelog.views.drill_text import SAID
from voicelog.views.labels import written

_SIGNS: Mapping[Weight, str] = {"stop": "✕ mend first", "look": "▲ work on", "know": "○ bear in mind"}
_STEPS = {"equal": "", "substitute": "other", "delete": "lost", "insert": "added"}
_GROUPS = {"by_snr": "by noise level, in steps of 5 dB", "by_noise": "by noise", "by_speaker": "by speaker"}
_PAIRS = 12
"""Confusion pairs shown; the JSON has all."""


def page(
    title: str,
    scored: Sequence[Scored],
    clips: Mapping[str, Sequence[Clip]],
    verdicts: Mapping[str, Mapping[str, Any]],
) -> str:
    """The whole page.

    Args:
        title: what was scored.
        scored: a run for each recogniser.
        clips: the worst of each run, by recogniser.
        verdicts: comparison with an older run by recogniser, as ``against.compared`` gives it; empty for none.
    """
    style = files("voicelog.views").joinpath("drill.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; img-src data:; media-src data:; style-src 'sha256-{digest}'; base-uri 'none'"
    body = "".join((
        f"<header><h1>{escape(title)}</h1><p class='caution'>{escape(CAUTION)}</p></header><main>",
        *(f"<p class='verdict'>{escape(name)}: {escape(better_or_worse(one))}</p>" for name, one in verdicts.items()),
        _side_by_side(scored),
        *(_run(one, clips.get(one.run.listener, ())) for one in scored),
        "</main>",
        f"<footer><p>{escape(CAUTION)}</p></footer>",
    ))  # fmt: skip
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,">'
        f"<title>{escape(title)}</title><style>{style}</style></head><body>{body}</body></html>\n"
    )


def _side_by_side(scored: Sequence[Scored]) -> str:
    if len(scored) < 2:
        return ""
    bars = {one.run.listener: (one.figures["outcomes"], one.figures["intervals"]["exact"]) for one in scored}
    return f"<section><h2>The recognisers side by side</h2>{capture_svg(bars, 'outcomes by recogniser')}</section>"


def _run(scored: Scored, clips: Sequence[Clip]) -> str:
    data, name = scored.figures, scored.run.listener
    parts = [f"<section><h2>Heard by {escape(name)}</h2><p class='headline'>{escape(headline(scored))}</p>"]
    parts += [_finding(finding) for finding in findings(scored)]
    if data["callouts"]:
        parts.append("<h3>How much was captured</h3><div class='plots'>")
        for group, said in _GROUPS.items():
            bars = {key: (one["outcomes"], one["intervals"]["exact"]) for key, one in data[group].items()}
            parts.append(f"<figure><figcaption>{said}</figcaption>{capture_svg(bars, f'outcomes {said}')}</figure>")
        parts.append("</div><p class='note'>The whisker is the 95% interval of what was entered as said.</p>")
        parts += [_outcomes(data), _fields(data), _confusions(data), _delays(scored)]
    parts.append(_clips(clips))
    made = ", ".join(f"{key} {value}" for key, value in scored.run.options.items())
    parts.append(f"<p class='note'>Heard with {escape(made)}.</p></section>")
    return "".join(parts)


def _finding(finding: Finding) -> str:
    examples = "".join(f"<li>{escape(example)}</li>" for example in finding.examples)
    return (
        f"<div class='finding {finding.weight}'><p><b>{_SIGNS[finding.weight]}</b> {escape(finding.what)}</p>"
        f"{f'<ul>{examples}</ul>' if examples else ''}<p class='todo'>Do: {escape(finding.todo)}</p></div>"
    )


def _outcomes(data: Mapping[str, Any]) -> str:
    rows = []
    for outcome in OUTCOMES:
        low, high = data["intervals"][outcome]
        share = f"{100 * data['shares'][outcome]:.0f}%"
        rows.append([SAID[outcome], str(data["outcomes"][outcome]), share, f"{100 * low:.0f} to {100 * high:.0f}%"])
    low, high = data["wer_interval"]
    note = (
        f"Words wrong {100 * data['wer']:.1f}% ({100 * low:.1f} to {100 * high:.1f}%). False entries"
        f" {data['false_per_hour']:.1f} an hour, counted over {60 * data['hours']:.1f} min. Another spelling counts as"
        " another word."
    )
    table = _table(["what became of the callouts", "callouts", "share", "95% interval"], rows)
    return f"<h3>Outcomes</h3>{table}<p>{note}</p>"


def _fields(data: Mapping[str, Any]) -> str:
    rows = [
        [group, *(str(one[name]) for name in ("said", "right", "wrong", "absent"))]
        for group, one in data["fields"].items()
        if one["said"]
    ]
    head = ["value", "said", "right", "wrong", "not entered"]
    return f"<h3>Values</h3>{_table(head, rows)}" if rows else ""


def _confusions(data: Mapping[str, Any]) -> str:
    words = {f"{row['said']} → {row['heard']}": row["count"] for row in data["word_confusions"][:_PAIRS]}
    values = {
        f"{row['field']}: {row['said']} → {row['entered']}": row["count"] for row in data["value_confusions"][:_PAIRS]
    }
    parts = ["<h3>What is taken for what</h3><div class='plots'>"]
    for rows, said in ((words, "words"), (values, "values entered otherwise than said, flagged or not")):
        plot = rows_svg(rows, said) if rows else "<p>none</p>"
        parts.append(f"<figure><figcaption>{said}</figcaption>{plot}</figure>")
    return "".join([*parts, "</div>"])


def _delays(scored: Scored) -> str:
    delays = [callout.delay_s for callout in scored.run.callouts if callout.delay_s is not None]
    delay = scored.figures["delay"]
    if not delays:
        return ""
    return (
        f"<h3>From the last word to the entry</h3>{histogram_svg(delays, 'delays in seconds')}<p>Half within "
        f"{delay['p50_s']:.1f} s, 95% within {delay['p95_s']:.1f} s, as if live on the machine that scored it, with "
        "what else ran on it: several workers at once make it long. To measure it, score on a quiet machine with"
        " <code>--jobs 1</code>, from an empty cache.</p>"
    )


def _clips(clips: Sequence[Clip]) -> str:
    if not clips:
        return "<h3>To listen to</h3><p>Nothing: every callout was entered as said.</p>"
    return "<h3>To listen to, the worst first</h3><ol class='clips'>" + "".join(map(_clip, clips)) + "</ol>"


def _clip(clip: Clip) -> str:
    sound = base64.b64encode(clip.flac).decode("ascii")
    said = f"“{escape(clip.said)}”" if clip.said else "nothing for the record"
    return (
        f"<li><p><b>{escape(clip.verdict)}</b> <span class='note'>{escape(clip.place)}</span></p>"
        f'<audio controls preload="none" aria-label="Play: {escape(clip.said or clip.heard)}"'
        f' src="data:audio/flac;base64,{sound}"></audio>'
        f"<p>Said: {said}<br>Heard: “{escape(clip.heard)}”</p>{_alignment(clip)}"
        f"<p>Should be: {_events(clip.expected) or (said if clip.said else 'nothing')}<br>Entered: {_entered(clip)}</p>"
        f"<p class='todo'>Do: {escape(clip.todo)}</p></li>"
    )


def _alignment(clip: Clip) -> str:
    """Said above heard, word by word; what became of a word is written under it, not told by colour alone."""
    if clip.alignment is None:
        return ""
    columns: list[tuple[str, str, str]] = []
    for change, was, now in clip.alignment.steps:
        for number in range(max(len(was), len(now))):
            above = was[number] if number < len(was) else "–"
            below = now[number] if number < len(now) else "–"
            columns.append((above, below, _STEPS[change]))
    rows = zip(("said", "heard", ""), zip(*columns, strict=True), strict=True)
    cells = "".join(
        f"<tr><th>{name}</th>"
        + "".join(
            f"<td class='{mark or 'same'}'>{escape(word)}</td>" for word, (*_, mark) in zip(row, columns, strict=True)
        )
        + "</tr>"
        for name, row in rows
    )
    return f"<div class='wide'><table class='aligned'>{cells}</table></div>"


def _events(events: Iterable[Mapping[str, object]]) -> str:
    return escape("; ".join(written(event_from(dict(fields))) for fields in events))


def _entered(clip: Clip) -> str:
    told = []
    for one in clip.entered:
        flags = f" (flagged: {', '.join(flag.replace('_', ' ') for flag in one.flags)})" if one.flags else ""
        told.append(f"{written(event_from(dict(one.fields)))}{flags}")
    return escape("; ".join(told)) or "nothing"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    top = "".join(f"<th>{escape(name)}</th>" for name in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<div class='wide'><table><tr>{top}</tr>{body}</table></div>"
