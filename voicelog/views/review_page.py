"""The supervisor's page of one case as HTML: the same to read as a file, and to judge on where a server gives links."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html import escape
from importlib.resources import files

from voicelog.views.review_chart import chart_svg
from voicelog.views.review_model import ReviewModel
from voicelog.views.review_quality import open_items, quality
from voicelog.views.review_rows import HOW_TO_READ, record_rows, turn_text
from voicelog.views.screen import CAUTION


@dataclass(frozen=True)
class Judging:
    """What makes a page one to judge on."""

    base: str
    """Address of the case on its server, such as ``/case/a.voicelog``."""
    before: str = ""
    """Address of the case before it in the list; '' for none."""
    after: str = ""
    """Address of the case behind it in the list; '' for none."""
    exports: Mapping[str, str] = field(default_factory=dict)
    """Name of a format, such as ``csv``, to what its button says."""


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
    # Of a case that is signed off, nothing can be judged.
    judged_at = judging.base if judging and not model.state.signed_off else None
    body = "".join((
        '<a class="skip" href="#said">To the record</a>',
        _header(model, judging),
        "<main>",
        _picture(model),
        _marks(model, judging),
        _open(model),
        _review(model),
        f'<section id="said"><h2>What was said, and what it became</h2><p class="note">{HOW_TO_READ}</p>'
        f"{record_rows(model, judged_at)}</section>",
        "</main>",
        f"<footer><p>{escape(CAUTION)}</p></footer>",
        _clips(model, clip) if clip else "",
    ))  # fmt: skip
    return document(f"Review of {model.name}", body, live=judging is not None)


def _header(model: ReviewModel, judging: Judging | None) -> str:
    signed = model.state.signed_off
    mark = escape(signed.told) if signed else "○ not signed off"
    links = ""
    if judging:
        about = (("All cases", "/"), ("Previous case", judging.before), ("Next case", judging.after))
        links = "".join(f'<a href="{escape(href)}">{text}</a> ' for text, href in about if href)
        links += f'<a href="{escape(judging.base)}/whole">Comment, sign off, undo</a>'
        links = f'<nav aria-label="Cases">{links}</nav>'
    return (
        f"<header>{links}<h1>{escape(model.name)}</h1><p>{model.began:%Y-%m-%d %H:%M:%S} to {model.ended:%H:%M:%S}, "
        f"<strong>{mark}</strong></p><p class=\"caution\">{escape(CAUTION)}</p>"
        '<p class="tools"><label><input type="checkbox" id="sound" checked> play the words of a field when it is '
        'pointed at</label> <label>show <select id="show"><option value="">everything said</option>'
        '<option value="none">what made no entry</option><option value="open">what is open</option></select></label>'
        '</p><p id="told" role="status"></p></header>'
    )  # fmt: skip


def _picture(model: ReviewModel) -> str:
    normal = f"; shaded: {escape(model.normal.told)}" if model.normal.told else ""
    note = f"● confirmed, △ not confirmed; a mark leads to its entry{normal}."
    return f'<section id="picture"><h2>Course</h2><p class="note">{note}</p>{chart_svg(model)}</section>'


def _marks(model: ReviewModel, judging: Judging | None) -> str:
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
    exports = ""
    if judging and judging.exports:
        where = escape(judging.base)
        buttons = " ".join(
            f'<a class="act" href="{where}/export/{to}">{escape(told)}</a>' for to, told in judging.exports.items()
        )
        exports = f'<p class="export">Export: {buttons}</p>'
    return f'<section id="marks"><h2>Marks</h2><dl>{cells}</dl>{exports}</section>'


def _open(model: ReviewModel) -> str:
    items = "".join(f"<li>{escape(item)}</li>" for item in open_items(model))
    also = "".join(
        f"<li>{escape(one.text)}</li>" for one in model.findings if one.group in ("standing", "gap", "clock")
    )
    more = (
        f"<details><summary>Found by the checks, not heard, or noted</summary><ul>{also}</ul></details>" if also else ""
    )
    return f'<section id="open"><h2>Open</h2><ul>{items or "<li>nothing</li>"}</ul>{more}</section>'


def _review(model: ReviewModel) -> str:
    rows = "".join(f"<li>{turn_text(turn)}</li>" for turn in model.review) or "<li>nothing yet</li>"
    return f'<section id="review"><h2>Review</h2><ul>{rows}</ul><p class="head">head {model.head}</p></section>'


def _clips(model: ReviewModel, clip: Callable[[str], bytes | None]) -> str:
    found = {one.clip: clip(one.clip) for one in model.utterances if one.clip}
    told = {
        name: f"data:audio/flac;base64,{base64.b64encode(flac).decode('ascii')}" for name, flac in found.items() if flac
    }
    # A hash and base64 hold nothing that could end the script element.
    return f'<script type="application/json" id="clips">{json.dumps(told)}</script>'
