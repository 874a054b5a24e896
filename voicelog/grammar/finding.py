"""What a check of a grammar says: one thing to mend or to know, and where it stands."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Literal

from voicelog.grammar.model import Phrase, Place

Severity = Literal["error", "note"]
"""An error has to be mended; a note is safe as it stands, because the crew is asked or nothing is entered."""
Check = Literal["example", "unreachable", "overlap", "sounds_alike", "words", "protocol"]
"""What found it: the phrases' own examples, what can never be read, what is read in two ways, drugs that sound alike,
words a recogniser lacks, rows of the protocol files."""


@dataclass(frozen=True)
class Finding:
    """Something to mend or to know in a grammar file."""

    place: Place
    message: str
    severity: Severity = "error"
    check: Check = "example"


def title(phrase: Phrase) -> str:
    """The header of a phrase in its file: ``[phrase.heart_rate]``."""
    if phrase.kind == "filler":
        return "[filler]"
    return f"[{'phrase' if phrase.kind == 'event' else phrase.kind}.{phrase.name}]"


def template_at(phrase: Phrase, number: int) -> tuple[Place, str]:
    """Where one template of a phrase stands, and its text; the phrase's own place where the file cannot be read."""
    try:
        text = phrase.place.file.read_text(encoding="utf-8")
        table = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return phrase.place, ""
    for part in title(phrase).strip("[]").split("."):
        table = table.get(part, {})
    templates = table.get("say", [])
    template = templates[number] if number < len(templates) else ""
    lines = text.splitlines()[phrase.place.line - 1 :] if template else []
    line = next((phrase.place.line + after for after, found in enumerate(lines) if template in found), None)
    return (Place(phrase.place.file, line) if line else phrase.place), template
