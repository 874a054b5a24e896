"""How the dialogue went on each utterance, and what was decided and said on each entry; for the supervisor's page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from voicelog.casefile.chain import Entry
from voicelog.casefile.schema import REVIEW_OPENED
from voicelog.views.screen import printable


@dataclass(frozen=True)
class Turn:
    """One thing that happened: in the dialogue, or in a review."""

    seq: int
    """The entry that recorded it."""
    at: datetime
    """When."""
    kind: str
    """The type of that entry."""
    text: str
    """In words."""
    by: str = ""
    """The reviewer; '' for what happened in the case."""


def turns_by_utterance(entries: Sequence[Entry]) -> dict[str, tuple[Turn, ...]]:
    """What followed each utterance, by its id, until the next one; a late second opinion under its own."""
    turns: dict[str, list[Turn]] = {}
    latest = ""
    for entry in entries:
        if entry.type == REVIEW_OPENED:
            break
        if entry.type == "utterance":
            latest = str(entry.body["id"])
            continue
        text = _told(entry)
        about = str(entry.body.get("utterance") or latest)
        if text and about:
            turns.setdefault(about, []).append(Turn(entry.seq, entry.at, entry.type, printable(text)))
    return {name: tuple(some) for name, some in turns.items()}


def _told(entry: Entry) -> str:
    body = entry.body
    match entry.type:
        case "read_back":
            return f"said: “{body['text']}”"
        case "question":
            return f"asked: “{body['text']}”"
        case "command":
            return f"command: {str(body['command']).replace('_', ' ')}"
        case "not_understood":
            return f"no entry: {body['reason']}"
        case "notice" | "finding":
            return f"{'check' if entry.type == 'finding' else 'sound'}: {body['text']}"
        case "decision":
            return f"{body['event']} {body['status']}: {body['basis']}"
        case "second_opinion":
            return f"second listener, late: {'agreed' if body.get('agreed') else 'did not agree'}"
    return ""


def told_in_review(entries: Sequence[Entry]) -> dict[str, tuple[Turn, ...]]:
    """What was decided and said on each entry, by its id; under '' everything that reviewers did, in order."""
    told: dict[str, list[Turn]] = {}
    reviewing = False
    for entry in entries:
        reviewing = reviewing or entry.type == REVIEW_OPENED
        by = printable(str(entry.body.get("by") or ""))
        text, about = _judged(entry)
        if not text:
            continue
        turn = Turn(entry.seq, entry.at, entry.type, printable(text), by)
        if about:
            told.setdefault(about, []).append(turn)
        if reviewing:
            told.setdefault("", []).append(turn)
    return {name: tuple(some) for name, some in told.items()}


def _judged(entry: Entry) -> tuple[str, str]:
    """What an entry says of another one, in words, and which one; '' for what is about the whole case."""
    body = entry.body
    match entry.type:
        case "decision":
            return f"{body['event']} {body['status']}: {body['basis']}", str(body["event"])
        case "review_comment":
            about = str(body["about"] or "")
            return f"comment{' on ' + about if about else ''}: {body['text']}", about
        case "signed_off":
            return "signed off", ""
        case "review_undone":
            return f"undone: what entry {body['review']} opened", ""
    return "", ""
