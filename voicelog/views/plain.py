"""Values as plain JSON: Decimals as numbers, datetimes as ISO text."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # whoever prints lines of something else starts without the models
    from voicelog.events import Event
    from voicelog.parse.result import Draft, ParseResult, Question


def _plain(value: object) -> Any:
    if isinstance(value, Decimal):
        # Doses and vitals have few digits, for which a float prints exactly the digits that were said.
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no plain form")


def json_line(value: Any) -> str:
    """One line of JSON, ASCII only, so that it survives any pipe."""
    return json.dumps(value, default=_plain)


def plain_event(event: Event) -> dict[str, Any]:
    """Every field of an event, those not said as null."""
    return event.model_dump()


def plain_parse(result: ParseResult, read_back: str, flags: Sequence[str]) -> dict[str, Any]:
    """The object that ``voicelog parse --json`` prints; the flags of the entries and of what else is in doubt."""
    return {
        "outcome": result.outcome,
        "events": [plain_event(draft.event) for draft in result.drafts],
        "commands": list(result.commands),
        "questions": [_question(question) for question in result.questions],
        "flags": list(flags),
        "read_back": read_back,
        "fragment": dict(result.fragment),
        "reason": result.reason,
    }


def _question(question: Question) -> dict[str, Any]:
    from voicelog.dialogue.wording import question_text

    def reading(drafts: tuple[Draft, ...]) -> list[dict[str, Any]]:
        return [plain_event(draft.event) for draft in drafts]

    return {
        "about": question.about,
        "text": question_text(question),
        "readings": [reading(drafts) for drafts in question.readings],
        "understood": dict(question.understood),
    }
