"""Text for a terminal, whatever a file or its name holds."""

from __future__ import annotations

CAUTION = (
    "Documentation and training aid, not a medical device. Local protocols, medical direction and licensed practice "
    "come first. Verify every entry."
)
"""Stands under every view of a case."""


def printable(text: str) -> str:
    """The text with a mark in place of each sign that would move the cursor, change colours or break the line."""
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)
