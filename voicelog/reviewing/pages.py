"""The pages to judge on beside the page of the case: one entry, one utterance, the whole case, the list of cases."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from urllib.parse import quote

from voicelog.casefile.chain import Entry
from voicelog.grammar.model import Drug
from voicelog.reviewing.amending import amendable, shown
from voicelog.reviewing.judging import LONGEST_NAME, LONGEST_TEXT, reviews
from voicelog.views.labels import written_unit
from voicelog.views.review_model import EventView, ReviewModel, UtteranceView
from voicelog.views.review_page import document
from voicelog.views.review_quality import open_items
from voicelog.views.review_rows import entry_part, utterance_part
from voicelog.views.screen import CAUTION, printable


@dataclass(frozen=True)
class Filled:
    """What a reviewer wrote into a form that was not taken, so that nothing of it is lost."""

    values: Mapping[str, str]
    """Name of an input to its text."""
    why: str = ""
    """Why it was not taken; '' for a form that is new."""


@dataclass(frozen=True)
class CaseRow:
    """One case in the list."""

    name: str
    """The name of the file."""
    began: str
    """When it began; '' where that cannot be read."""
    entries: int
    """Entries that stand."""
    open: int
    """Open items."""
    state: str
    """``signed off by ...``, ``to review``, ``under way``, or why it cannot be read."""


def case_base(name: str) -> str:
    """The address of a case."""
    return f"/case/{quote(name, safe='')}"


def list_page(rows: Iterable[CaseRow]) -> str:
    """The cases of a folder."""
    lines = "".join(_list_row(row) for row in rows)
    lines = lines or "<tr><td>no case files here</td></tr>"
    heads = "".join(f'<th scope="col">{name}</th>' for name in ("case", "began", "entries", "open items", "review"))
    return _page(
        "Cases",
        '<p class="tools"><label>Show only cases that hold <input id="filter" type="search"></label> '
        '<label><input type="checkbox" id="waiting"> only those with open items</label></p>'
        f"<table><thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table>",
        "",
    )


_WHAT_IS_AMENDED = (
    '<p class="note">Numbers as plain numbers, the rest from its list. What kind of entry it is stays: if that is '
    "wrong, mark it as entered in error and add the right one from its utterance.</p>"
)


def _list_row(row: CaseRow) -> str:
    name = f'<a href="{case_base(row.name)}">{escape(printable(row.name))}</a>'
    cells = (name, escape(row.began), str(row.entries), f"{'▲ ' if row.open else ''}{row.open}", escape(row.state))
    return f'<tr class="{"open" if row.open else "done"}">{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>'


def entry_page(model: ReviewModel, view: EventView, drugs: Mapping[str, Drug], base: str, filled: Filled) -> str:
    """One entry: accept it, amend it, mark it as entered in error, comment on it."""
    name, status = view.recorded.id, view.recorded.status
    said = next((one for one in model.utterances if one.id == view.recorded.utterance), None)
    heard = utterance_part(said, None) if said else "<div></div>"
    body = _shown(heard, entry_part(view, None))
    if model.state.signed_off:
        return _page(f"Judge {name}", body + _closed(model.state.signed_off.by, base, filled), base, filled.why, name)
    if status in ("amended", "rejected"):
        later = escape(view.corrected_by)
        link = f' <a href="{escape(base)}/entry/{later}">Judge {later}</a> instead.' if later else ""
        body += f"<p>It does not stand in the record.{link}</p>{_written(filled)}"
    else:
        body += _form(model, base, f"/entry/{name}/accept", "Accept as it stands", "", filled)
        changing = _WHAT_IS_AMENDED + _inputs(view, drugs, filled) + _reason(filled)
        body += _form(model, base, f"/entry/{name}/amend", "Amend", changing, filled)
        body += _form(model, base, f"/entry/{name}/error", "Mark as entered in error", _reason(filled), filled)
    body += _comment(model, base, name, filled)
    return _page(f"Judge {name}", body, base, filled.why, name)


def utterance_page(model: ReviewModel, view: UtteranceView, base: str, filled: Filled) -> str:
    """One utterance: add the entry that was missed."""
    callout = (
        '<label>The callout as it was said, in words, such as “heart rate eighty”<input name="callout" required '
        f'maxlength="400" value="{escape(filled.values.get("callout", ""))}"></label>'
    )
    made = "".join(entry_part(one, None) for one in model.events if one.recorded.id in view.events)
    body = _shown(utterance_part(view, None), made)
    if model.state.signed_off:
        body += _closed(model.state.signed_off.by, base, filled)
        return _page(f"Add an entry from {view.id}", body, base, filled.why, view.id)
    body += _form(model, base, f"/utterance/{view.id}/add", "Add the entry", callout + _reason(filled), filled)
    body += _comment(model, base, view.id, filled)
    return _page(f"Add an entry from {view.id}", body, base, filled.why, view.id)


def whole_page(model: ReviewModel, entries: Sequence[Entry], base: str, filled: Filled) -> str:
    """The whole case: comment, sign off, undo."""
    signed = model.state.signed_off
    body = f"<p>✓ signed off by {escape(printable(signed.by))}</p>{_written(filled)}" if signed else ""
    if not signed:
        left = "".join(f"<li>{escape(item)}</li>" for item in open_items(model))
        warned = f"<p>Still open:</p><ul>{left}</ul>" if left else "<p>Nothing is open.</p>"
        warned += "<p>After a sign-off, only this can be undone.</p>"
        body += _comment(model, base, "", filled)
        body += _form(model, base, "/sign-off", "Sign off the case", warned, filled)
    body += "<h2>What was judged</h2>"
    for entry, by, can_undo in reversed(reviews(entries, model.state)):
        told = f"{entry.body['purpose']} by {by}, {entry.at:%Y-%m-%d %H:%M:%S}"
        if can_undo and (not signed or signed.review == entry.seq):
            body += _form(model, base, f"/undo/{entry.seq}", f"Undo: {told}", "", filled, line=True)
        else:
            body += f"<p>{escape(printable(told))}{' (undone)' if entry.seq in model.state.undone else ''}</p>"
    return _page("The whole case", body, base, filled.why)


def export_page(base: str, to: str, told: str, remarks: Sequence[str]) -> str:
    """What an export cannot tell, and the way to save it all the same."""
    rows = "".join(f"<li>{escape(printable(remark))}</li>" for remark in remarks)
    save = f'<p><a class="act" href="{escape(base)}/export/{to}?anyway">Save it</a></p>'
    return _page(
        f"Export: {told}", f"<p>What this document does not tell, or holds a place for:</p><ul>{rows}</ul>{save}", base
    )


def message_page(title: str, text: str, base: str = "") -> str:
    """A page that says why something was refused."""
    return _page(title, f"<p>{escape(text)}</p>", base)


def _page(title: str, body: str, base: str, why: str = "", place: str = "") -> str:
    anchor = f"#{escape(place)}" if place else ""
    back = f'<nav><a href="{escape(base)}{anchor}">Back to the case</a></nav>' if base else ""
    error = f'<p class="error" role="alert">✕ Not entered: {escape(why)}</p>' if why else ""
    return document(
        title, f"{back}<main><h1>{escape(title)}</h1>{error}{body}</main><footer><p>{CAUTION}</p></footer>", live=True
    )


def _shown(said: str, made: str) -> str:
    """The row of the record that is judged, with all that stands behind it."""
    row = f'<div class="row">{said}<ul>{made}</ul></div>'.replace("<details>", "<details open>")
    return f'<p id="told" role="status"></p>{row}'


def _form(
    model: ReviewModel, base: str, action: str, title: str, inner: str, filled: Filled, *, line: bool = False
) -> str:
    by, title = escape(filled.values.get("by", "")), escape(printable(title))
    look, head = (' class="line"', "") if line else ("", f"<h2>{title}</h2>")
    return (
        f'<form method="post" action="{escape(base + action)}"{look}>{head}'
        f'<input type="hidden" name="head" value="{model.head}">{inner}<label>Your name<input name="by" required '
        f'maxlength="{LONGEST_NAME}" autocomplete="name" value="{by}"></label><p><button>{title}</button>'
        "</p></form>"
    )


def _closed(by: str, base: str, filled: Filled) -> str:
    told = (
        f'Signed off by {escape(printable(by))}: <a href="{escape(base)}/whole">undo the sign-off</a> to judge again.'
    )
    return f"<p>{told}</p>{_written(filled)}"


def _reason(filled: Filled) -> str:
    text = escape(filled.values.get("reason", ""))
    return f'<label>Reason<input name="reason" required maxlength="{LONGEST_TEXT}" value="{text}"></label>'


def _comment(model: ReviewModel, base: str, about: str, filled: Filled) -> str:
    text = escape(filled.values.get("text", ""))
    inner = (
        f'<input type="hidden" name="about" value="{escape(about)}"><label>Comment<textarea name="text" required '
        f'maxlength="{LONGEST_TEXT}">{text}</textarea></label>'
    )
    return _form(model, base, "/comment", "Comment", inner, filled)


def _inputs(view: EventView, drugs: Mapping[str, Drug], filled: Filled) -> str:
    event = view.recorded.event
    inputs = "".join(
        _input(field, listed, filled.values.get(f"field.{field}", shown(getattr(event, field))))
        for field, listed in amendable(event, drugs).items()
    )
    return f'<div class="inputs">{inputs}</div>'


def _written(filled: Filled) -> str:
    """What was written into a form that is not there any more."""
    rows = "".join(
        f"<li>{escape(name.removeprefix('field.').replace('_', ' '))}: {escape(printable(text))}</li>"
        for name, text in filled.values.items()
        if text and name not in ("head", "by")
    )
    return f"<p>What you wrote:</p><ul>{rows}</ul>" if rows else ""


def _input(name: str, listed: Sequence[str], value: str) -> str:
    label = escape(name.replace("_", " "))
    if not listed:
        return f'<label>{label}<input name="field.{escape(name)}" maxlength="300" value="{escape(value)}"></label>'
    # What stands and is not listed any more can be left as it is.
    choices = dict.fromkeys(["", value, *listed])
    options = "".join(
        f'<option value="{escape(one)}"{" selected" if one == value else ""}>{_told(one)}</option>' for one in choices
    )
    return f'<label>{label}<select name="field.{escape(name)}">{options}</select></label>'


def _told(choice: str) -> str:
    """A value of a list as it is shown; the form sends it as it is recorded."""
    plain = {"": "(not said)", "true": "yes", "false": "no"}.get(choice, written_unit(choice))
    return escape(printable(plain.replace("_", " ")))
