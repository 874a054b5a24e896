"""Typed or transcribed text to the words the grammar speaks of; recognised words pass through unchanged."""

from __future__ import annotations

import re
import unicodedata

from voicelog.recognisers.base import Word

_CONTRACTIONS = (
    (re.compile(r"\bcan't\b"), "can not"),
    (re.compile(r"\bwon't\b"), "will not"),
    (re.compile(r"n't\b"), " not"),
    (re.compile(r"'re\b"), " are"),
    (re.compile(r"'ve\b"), " have"),
    (re.compile(r"'ll\b"), " will"),
    (re.compile(r"\blet's\b"), "let us"),
    (re.compile(r"'m\b"), " am"),
    (re.compile(r"(?<=[a-z])'s\b"), " is"),
)
_INITIALS = re.compile(r"\b(?:[a-z]\.){2,}")
_FRACTION = re.compile(r"(?<![\d/])(\d{2,3})\s*/\s*(\d{2,3})(?![\d/])")
_SPLIT_UNITS = re.compile(r"(?<=\d)(?=(?:mg|mcg|ug|g|ml|l|lpm|kg|mm|j|mmol|meq|units?)\b)")
_WORD = re.compile(r"\d{1,2}:\d{2}|\d+\.\d+|\.\d+|\d+|[a-z][a-z0-9']*|<garbage>|\?")


def words_of(text: str) -> tuple[Word, ...]:
    """Words of typed text, without times.

    Numbers typed in digits stay digits (``0.3``, ``10:45``); ``118/76`` becomes ``118 over 76``; contractions are
    opened (``pressure's`` -> ``pressure is``); hyphens, control characters and other signs separate words.
    """
    text = unicodedata.normalize("NFKC", text).lower().replace("\u2019", "'")
    text = _INITIALS.sub(lambda found: found.group().replace(".", " "), text)
    for pattern, opened in _CONTRACTIONS:
        text = pattern.sub(opened, text)
    text = _FRACTION.sub(r"\1 over \2", text)
    text = re.sub(r"(?<=\d),(?=\d{3}\b)", "", text)
    text = text.replace("%", " percent ").replace("\u00b5g", " mcg ").replace("\u03bcg", " mcg ")
    text = _SPLIT_UNITS.sub(" ", text)
    return tuple(Word(found) for found in _WORD.findall(text))
