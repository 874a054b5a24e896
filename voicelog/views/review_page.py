"""The supervisor's page of one case as HTML: the same to read as a file, and to judge on where a server gives links."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from importlib.resources import files

from voicelog.views.review_chart import chart_svg
from voicelog.views.review_model import EventView, FieldView, ReviewModel, UtteranceView
from voicelog.views.review_quality import open_items, quality
from voicelog.views.review_talk import Turn
from voicelog.views.timeline import CAUTION, MARKS


@dataclass(frozen=True)
class Judging:
    """What makes a page one to judge on."""

    base: str
    """Address of the case on its server, such as ``/case/a.voicelog``."""
    before: str = ""
    """Address of the case before it in the list; '' for none."""
    after: str = ""
    """Address of the case behind it in the list; '' for none."""


def asset(name: str) -> str:
    """The text of ``review.css`` or ``review.js``."""
    return files("voicelog.views").joinpath(name).read_text(encoding="utf-8")


def content_policy(*, live: bool) -> str:
    """The Content-Security-Policy of the page: our own style and script by their hashes, and nothing from elsewhere."""
    style, script = (_digest(asset(name)) for name in ("review.css", "review.js"))
    rules = ["default-src 'none'", "img-src data:", f"style-src '{style}'", f"script-src '{script}'", "base-uri 'none'"]
    # A page cannot forbid by itself to be framed: that takes a header.
    own = ["connect-src 'self'", "form-action 'self'", "frame-ancestors 'none'"]
    return "; ".join([*rules, *(own if live else ["form-action 'none'"])])


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def document(title: str, body: str, *, live: bool) -> str:
    """A whole page around a body."""
    policy = "" if live else f'<meta http-equiv="Content-Security-Policy" content="{content_policy(live=False)}">'
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">{policy}'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,">'
        f"<title>{escape(title)}</title><style>{asset('review.css')}</style></head><body>{body}"
        f"<script>{asset('review.js')}</script></body></html>"
    )


def review_html(
    model: ReviewModel, judging: Judging | None = None, clip: Callable[[str], bytes | None] | None = None
) -> str:
    """The page of a case.

    Args:
        model: what it shows.
        judging: None for a page that is only read.
        clip: gives the audio of a clip to embed, None for one that is not there; None embeds no audio.
    """  # fmt: skip
    body = "".join((
        '<a class="skip" href="#said">To the record</a>',
        _header(model, judging),
        "<main>",
        f'<section id="picture"><h2>Course</h2><p class="note">● confirmed, △ not confirmed; a mark leads to its entry.'
        f"</p>{chart_svg(model)}</section>",
        _marks(model),
        _open(model),
        _said(model, judging),
        _review(model, judging),
        "</main>",
        f"<footer><p>{escape(CAUTION)}</p></footer>",
        _clips(model, clip) if clip else "",
    ))  # fmt: skip
    return document(f"Review of {model.name}", body, live=judging is not None)


def _header(model: ReviewModel, judging: Judging | None) -> str:
    signed = model.state.signed_off
    mark = f"✓ signed off by {escape(signed.by)}" if signed else "○ not signed off"
    links = ""
    if judging:
        about = (("All cases", "/"), ("Previous case", judging.before), ("Next case", judging.after))
        links = "".join(f'<a href="{escape(href)}">{text}</a> ' for text, href in about if href)
        formats = ("fhir", "nemsis", "csv", "jsonl")
        links += "".join(f'<a href="{escape(judging.base)}/export/{to}">Export {to}</a> ' for to in formats)
        links = f'<nav aria-label="Cases and exports">{links}</nav>'
    return (
        f"<header>{links}<h1>{escape(model.name)}</h1><p>{model.began:%Y-%m-%d %H:%M:%S} to {model.ended:%H:%M:%S}, "
        f"<strong>{mark}</strong></p><p class=\"caution\">{escape(CAUTION)}</p>"
        '<p class="tools"><label><input type="checkbox" id="sound" checked> play the words of a field when it is '
        'pointed at</label> <label>show <select id="show"><option value="">everything said</option>'
        '<option value="none">what made no entry</option><option value="open">what is open</option></select></label>'
        '</p><p id="told" role="status"></p></header>'
    )  # fmt: skip


def _marks(model: ReviewModel) -> str:
    marks = quality(model)
    delay = "not measured" if marks.delay is None else f"{marks.delay} s, longest {marks.longest_delay} s"
    rows = (
        ("heard", f"{marks.utterances} utterances"),
        ("entries that stand", str(marks.entries)),
        ("● confirmed", str(marks.confirmed)),
        ("▲ unconfirmed", str(marks.unconfirmed)),
        ("↷ corrected", str(marks.corrected)),
        ("✕ taken back or in error", str(marks.taken_back)),
        ("not understood", str(marks.not_understood)),
        ("asked", str(marks.asked)),
        ("missing, by the audit", str(marks.missing)),
        ("deaf", f"{marks.deaf_seconds} s"),
        ("from speech to read-back", delay),
    )
    cells = "".join(f"<div><dt>{name}</dt><dd>{escape(value)}</dd></div>" for name, value in rows)
    return f'<section id="marks"><h2>Marks</h2><dl>{cells}</dl></section>'


def _open(model: ReviewModel) -> str:
    items = "".join(f"<li>{escape(item)}</li>" for item in open_items(model))
    also = "".join(f"<li>{escape(one.text)}</li>" for one in model.findings if one.group in ("standing", "gap"))
    more = f"<details><summary>Found by the checks, and not heard</summary><ul>{also}</ul></details>" if also else ""
    return f'<section id="open"><h2>Open</h2><ul>{items or "<li>nothing</li>"}</ul>{more}</section>'


def _said(model: ReviewModel, judging: Judging | None) -> str:
    """Row by row in time order: an utterance on the left, the entries it became beside it."""
    waiting = {one.recorded.id for one in model.events if one.recorded.status == "unconfirmed"}
    heard = {one.id for one in model.utterances}
    entries = {one.recorded.id: _event(one, judging) for one in model.events}
    rows = []
    for one in model.utterances:
        show = ("some" if one.events else "none") + (" open" if waiting & set(one.events) else "")
        made = "".join(entries[name] for name in one.events)
        rows.append((one.at, f'<li class="row {show}">{_utterance(one, judging)}<ul class="made">{made}</ul></li>'))
    for view in model.events:
        if view.recorded.utterance not in heard:
            made = entries[view.recorded.id]
            rows.append((view.at or model.began, f'<li class="row"><div></div><ul class="made">{made}</ul></li>'))
    for gap in model.gaps:
        length = "to the end" if gap.seconds is None else f"{gap.seconds} s"
        rows.append((gap.at, f'<li class="row gap">{gap.at:%H:%M:%S} … deaf, {length}: {escape(gap.reason)}</li>'))
    rows.sort(key=lambda row: row[0])
    told = "".join(row for _, row in rows) or "<li>nothing</li>"
    return f'<section id="said"><h2>What was said, and what it became</h2><ol>{told}</ol></section>'


def _utterance(one: UtteranceView, judging: Judging | None) -> str:
    name = escape(one.id)
    words = " ".join(_word(word.text, word.fields) for word in one.words) or "<em>no words</em>"
    play = (
        f'<button type="button" data-clip="{escape(one.clip)}" aria-label="Play {name}">▶</button> ' if one.clip else ""
    )
    links = " ".join(f'<a href="#{escape(event)}">{escape(event)}</a>' for event in one.events)
    add = f' <a href="{escape(judging.base)}/utterance/{name}">Add an entry</a>' if judging else ""
    more = [f"<li>other reading: {escape(other)}</li>" for other in one.runners_up]
    more += [f"<li>second listener: {escape(one.second)}</li>"] if one.second else []
    more += [f"<li>hard to hear: {escape(', '.join(one.faults))}</li>"] if one.faults else []
    more += [f"<li>{escape(turn.text)}</li>" for turn in one.turns]
    details = f"<details><summary>How it went</summary><ul>{''.join(more)}</ul></details>" if more else ""
    outcome = links or f"<em>{one.outcome}</em>"
    return (
        f'<div id="{name}" class="said"><p><time>{one.at:%H:%M:%S}</time> {play}<span class="words">{words}</span></p>'
        f"<p>{name} → {outcome}{add}</p>{details}</div>"
    )


def _word(text: str, fields: Iterable[str]) -> str:
    keys = " ".join(fields)
    if not keys:
        return escape(text)
    first = keys.split(".", 1)[0]
    return f'<a class="w" href="#{escape(first)}" data-fields="{escape(keys)}">{escape(text)}</a>'


def _event(one: EventView, judging: Judging | None) -> str:
    name, status = escape(one.recorded.id), one.recorded.status
    struck = " struck" if status in ("amended", "rejected") else ""
    notes = [f"corrects {one.recorded.amends}"] if one.recorded.amends else []
    notes += [f"corrected by {one.corrected_by}"] if one.corrected_by else []
    notes += [flag.replace("_", " ") for flag in one.recorded.flags]
    fields = "".join(_field(field, one.recorded.flags) for field in one.fields)
    source = escape(one.recorded.utterance or "")
    said = f' from <a href="#{source}">{source}</a>' if source else ""
    time = f"{one.at:%H:%M:%S}" if one.at else ""
    history = "".join(_turn(turn) for turn in one.history)
    decided = f"<details><summary>What was decided</summary><ul>{history}</ul></details>" if history else ""
    judge = f'<p><a class="act" href="{escape(judging.base)}/entry/{name}">Judge {name}</a></p>' if judging else ""
    return (
        f'<li id="{name}" class="entry {status}{struck}"><p><time>{time}</time> '
        f"<strong>{escape(one.text)}</strong></p>"
        f'<p><span class="state">{MARKS[status][0]} {status}</span> {name}{said}'
        f'{" · " + escape(", ".join(notes)) if notes else ""}</p>'
        f'<p class="fields">{fields}</p>'
        f"{decided}{judge}</li>"
    )  # fmt: skip


def _field(field: FieldView, flags: tuple[str, ...]) -> str:
    assumed = {"unit": "unit_assumed", "drug": "drug_assumed"}.get(field.name, "") in flags
    origin = f"heard: “{field.words}”" if field.words else "assumed, not said" if assumed else "by the phrase"
    told = f"{origin}{'; mended: ' + field.repair if field.repair else ''}"
    times = ""
    if field.start is not None and field.end is not None:
        times = f' data-clip="{escape(field.clip)}" data-start="{field.start}" data-end="{field.end}"'
    mark = " assumed" if assumed else ""
    return (
        f'<button type="button" class="field{mark}" data-key="{escape(field.key)}"{times}>'
        f"{escape(field.name)} <b>{escape(field.value)}</b> <small>{escape(told)}</small></button> "
    )


def _turn(turn: Turn) -> str:
    by = f" ({escape(turn.by)})" if turn.by else ""
    return f"<li>{turn.at:%Y-%m-%d %H:%M:%S}{by}: {escape(turn.text)}</li>"


def _review(model: ReviewModel, judging: Judging | None) -> str:
    rows = "".join(_turn(turn) for turn in model.review) or "<li>nothing yet</li>"
    link = f'<p><a class="act" href="{escape(judging.base)}/whole">Comment, sign off, undo</a></p>' if judging else ""
    return f'<section id="review"><h2>Review</h2>{link}<ul>{rows}</ul><p class="head">head {model.head}</p></section>'


def _clips(model: ReviewModel, clip: Callable[[str], bytes | None]) -> str:
    found = {one.clip: clip(one.clip) for one in model.utterances if one.clip}
    told = {
        name: f"data:audio/flac;base64,{base64.b64encode(flac).decode('ascii')}" for name, flac in found.items() if flac
    }
    # A hash and base64 hold nothing that could end the script element.
    return f'<script type="application/json" id="clips">{json.dumps(told)}</script>'
