"""The record of the supervisor's page, row by row in time order: what was said, and beside it what it became."""

from __future__ import annotations

from html import escape
from itertools import groupby

from voicelog.views.review_fields import WRITTEN, FieldView
from voicelog.views.review_model import EventView, ReviewModel, UtteranceView, WordView
from voicelog.views.review_talk import Turn
from voicelog.views.timeline import MARKS

HOW_TO_READ = (
    "A word that became a value is underlined and leads to its entry. A field shows the words it was heard as, lights "
    "them and plays exactly them. A field without a frame was not said by itself: the phrase means it."
)
"""What the marks of the rows mean: said once, not in every row."""


def record_rows(model: ReviewModel, base: str | None) -> str:
    """The rows.

    Args:
        model: the case.
        base: the address to judge at; None for a page that is only read.
    """
    waiting = {one.recorded.id for one in model.events if one.recorded.status == "unconfirmed"}
    heard = {one.id for one in model.utterances}
    entries = {one.recorded.id: entry_part(one, base) for one in model.events}
    rows = []
    for one in model.utterances:
        show = ("some" if one.events else "none") + (" open" if waiting & set(one.events) else "")
        made = "".join(entries[name] for name in one.events)
        rows.append((one.at, _row(show, utterance_part(one, base), made)))
    for view in model.events:
        if view.recorded.utterance not in heard:
            show = "some open" if view.recorded.id in waiting else "some"
            rows.append((view.at or model.began, _row(show, "<div></div>", entries[view.recorded.id])))
    for gap in model.gaps:
        length = "to the end" if gap.seconds is None else f"{gap.seconds} s"
        rows.append((gap.at, f'<li class="row gap">{gap.at:%H:%M:%S} … deaf, {length}: {escape(gap.reason)}</li>'))
    rows.sort(key=lambda row: row[0])
    return f"<ol>{''.join(row for _, row in rows) or '<li>nothing</li>'}</ol>"


def _row(show: str, said: str, made: str) -> str:
    beside = f"<ul>{made}</ul>" if made else ""
    return f'<li class="row {show}">{said}{beside}</li>'


def utterance_part(one: UtteranceView, base: str | None) -> str:
    """What was said, and how the dialogue went on it."""
    name = escape(one.id)
    words = _words(one.words) or "<em>no words</em>"
    clip = f' data-clip="{escape(one.clip)}"' if one.clip else ""
    play = f'<button class="play" aria-label="Play {name}">▶</button> ' if one.clip else ""
    links = " ".join(f'<a href="#{escape(event)}">{escape(event)}</a>' for event in one.events)
    add = f' <a class="act" href="{escape(base)}/utterance/{name}">Add an entry</a>' if base else ""
    more = [f"other reading: {escape(other)}" for other in one.runners_up]
    more += [f"second listener: {escape(one.second)}"] if one.second else []
    more += [f"hard to hear: {escape(', '.join(one.faults))}"] if one.faults else []
    more += [escape(turn.text) for turn in one.turns]
    came = links or f"<em>{one.outcome}</em>"
    return (
        f'<div id="{name}" class="said"{clip}><p><time>{one.at:%H:%M:%S}</time> {play}{words}</p>'
        f"<p>{name} → {came}{add}</p>{_folded('How it went', more)}</div>"
    )


def _words(words: tuple[WordView, ...]) -> str:
    """The words; those that became the same fields are one link."""
    told = []
    for fields, some in groupby(words, key=lambda word: word.fields):
        text = escape(" ".join(word.text for word in some))
        keys = escape(" ".join(fields))
        told.append(f'<a href="#{keys.split(".", 1)[0]}" data-fields="{keys}">{text}</a>' if keys else text)
    return " ".join(told)


def entry_part(one: EventView, base: str | None) -> str:
    """What it became: the entry, where it stands, its fields, and what was decided on it."""
    name, status = escape(one.recorded.id), one.recorded.status
    struck = " struck" if status in ("amended", "rejected") else ""
    notes = [f"corrects {one.recorded.amends}"] if one.recorded.amends else []
    notes += [f"corrected by {one.corrected_by}"] if one.corrected_by else []
    notes += [flag.replace("_", " ") for flag in one.recorded.flags]
    told = f" · {escape(', '.join(notes))}" if notes else ""
    fields = "".join(_field(field, one) for field in one.fields)
    time = f"<time>{one.at:%H:%M:%S}</time> " if one.at else ""
    judge = f' <a class="act" href="{escape(base)}/entry/{name}">Judge {name}</a>' if base else ""
    history = [turn_text(turn) for turn in one.history]
    return (
        f'<li id="{name}" class="entry {status}{struck}"><p>{time}<strong>{escape(one.text)}</strong></p>'
        f'<p><span class="state">{MARKS[status][0]} {status}</span> {name}{told}{judge}</p>'
        f"<p>{fields}</p>{_folded('What was decided', history)}</li>"
    )


def _field(field: FieldView, view: EventView) -> str:
    assumed = {"unit": "unit_assumed", "drug": "drug_assumed"}.get(field.name, "") in view.recorded.flags
    told = [f"“{escape(field.words)}”"] if field.words else ["assumed, not said"] if assumed else []
    if field.written:
        told.append(WRITTEN)
    elif field.repair:
        # Without words there is nothing to mend: it says how the value came to be.
        told.append(f"{'mended: ' if field.words else ''}{escape(field.repair)}")
    small = f" <small>{'; '.join(told)}</small>" if told else ""
    text = f"{escape(field.name)} <b>{escape(field.value)}</b>{small}"
    if not field.words:
        framed = " assumed" if assumed else " written" if field.written else ""
        return f'<span class="field{framed}">{text}</span> '
    span = f' data-span="{field.start} {field.end}"' if field.start is not None and field.end is not None else ""
    # A correction keeps what it does not change from an earlier utterance.
    other = f' data-in="{escape(field.utterance)}"' if field.utterance != view.recorded.utterance else ""
    return f'<button class="field" data-key="{escape(field.key)}"{span}{other}>{text}</button> '


def turn_text(turn: Turn) -> str:
    """When, who and what, on one line."""
    by = f" ({escape(turn.by)})" if turn.by else ""
    return f"{turn.at:%Y-%m-%d %H:%M:%S}{by}: {escape(turn.text)}"


def _folded(title: str, lines: list[str]) -> str:
    rows = "".join(f"<li>{line}</li>" for line in lines)
    return f"<details><summary>{title}</summary><ul>{rows}</ul></details>" if rows else ""
