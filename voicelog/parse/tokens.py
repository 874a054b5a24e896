"""Typed or transcribed text to the words the grammar speaks of; recognised words pass through unchanged."""

from __future__ import annotations

import re
import unicodedata

from voicelog.grammar.numbers import DIGITS, LETTERS, MONTHS
from voicelog.recognisers.base import Word

_CONTRACTIONS = (
    (re.compile(r"\bcan't\b"), "can not"),
    (re.compile(r"\bwon't\b"), "will not"),
    (re.compile(r"n't\b"), " not"),
    (re.compile(r"'re\b"), " are"),
    (re.compile(r"'ve\b"), " have"),
    (re.compile(r"'ll\b"), " will"),
    (re.compile(r"'d\b"), " would"),
    (re.compile(r"\blet's\b"), "let us"),
    (re.compile(r"'m\b"), " am"),
    (re.compile(r"(?<=[a-z])'s\b"), " is"),
)
_INITIALS = re.compile(r"\b(?:[a-z]\.){2,}")
_TYPED_NASAL = re.compile(r"\bIN\b")
_SHORTHAND = (
    (re.compile(r"\by/?o\b"), "year old"),
    (re.compile(r"(?<=\d)y/?o\b"), " year old"),
    (re.compile(r"\bc/o\b"), "complaining of"),
    (re.compile(r"\bw/(?=\s)"), "with"),
    (re.compile(r"\ba&o\b"), "a and o"),
    (re.compile(r"\bx\s?(?=\d\b)"), "times "),
    (re.compile(r"\bd5\b"), "d five"),
    (re.compile(r"\bd10\b"), "d ten"),
    (re.compile(r"\bd25\b"), "d twenty five"),
    (re.compile(r"\bd50\b"), "d fifty"),
    (re.compile(r"\b([evm])(?=[1-6]\b)"), r"\1 "),
    (re.compile(r"(?<!\d)1:1,?000(?!\d)"), "one to one thousand"),
    (re.compile(r"(?<!\d)1:10,?000(?!\d)"), "one to ten thousand"),
    (re.compile(r"(?<=\d)/p\b"), " over p"),
    (re.compile(r"(?<![\d/.,])(\d{1,3})\s*/\s*(\d{2,3})(?![\d/.,]*\d)"), r"\1 over \2"),
    (re.compile(r"(?<![\d,.])(\d{1,3}),(?=\d{3}(?![\d,]))"), r"\1"),
)
_HALF_DAY = re.compile(r"(?<![\d:.])(\d{1,2})(?::(\d{2}))?\s*([ap])\.?\s?m\b\.?")
_SIGNS = {
    "%": " percent ", "\u00b0": " degrees ", "\u00b5g": " mcg ", "\u03bcg": " mcg ", "&": " and ", "@": " at ",
    "+": " plus ", "=": " is ", "~": " about ",
    "<": " below ", ">": " above ", "\u2264": " below ", "\u2265": " above ",
}  # fmt: skip
"""Signs that mean something; a comparison is a target, never a measurement."""
_EXPIRY = re.compile(
    r"\b(exp(?:ires|iry|iration|iring)?(?: (?:is|on|in|date))* )"
    rf"(?:(\d{{1,2}})/((?:20)?\d\d)|(20\d\d)-(\d\d)|({'|'.join(MONTHS)}) (20\d\d))(?![\d/-])"
)
_LOT = re.compile(r"\b(lot(?: number| no\.?)? )(?=[a-z-]*\d)([a-z\d-]{3,12})\b")
_SPELLED = {str(number): word for word, number in reversed(DIGITS.items())} | {
    letter: word for word, letter in LETTERS.items()
}
_GARBAGE = "<garbage>"
_SPLIT_UNITS = re.compile(r"(?<=\d)(?=(?:mg|mcg|ug|g|ml|l|lpm|kg|lb|lbs|mm|mmhg|j|mmol|meq|kpa|units?|c|f|am|pm)\b)")
_PER = re.compile(r"(?<=[a-z])/(?=[a-z0-9])")
# A run of digits with marks in it that is no clean number stays one word, so that 2,5 or 5-10 is never read as two.
_WORD = re.compile(r"\.?\d(?:[\d.,:/-]*\d)?|[a-z][a-z0-9']*|\?", re.ASCII)


def words_of(text: str) -> tuple[Word, ...]:
    """Words of typed text, without times.

    Numbers typed in digits stay digits (``0.3``, ``10:45``); ``118/76`` becomes ``118 over 76``; contractions are
    opened (``pressure's`` -> ``pressure is``); hyphens, control characters and other signs separate words.
    """
    text = unicodedata.normalize("NFKC", text)
    if text != text.upper():
        # In a line that is not all capitals, IN is the typed short form of a route and not the word.
        text = _TYPED_NASAL.sub("i n", text)
    text = text.lower().replace("\u2019", "'")
    # No word of ours has such a letter or digit; a gap there is not to be closed over, as it may stand inside a number.
    text = "".join(f" {_GARBAGE} " if _foreign(sign) else sign for sign in text)
    return tuple(Word(found) for part in _parts(text) for found in ([part] if part == _GARBAGE else _plain(part)))


def _foreign(sign: str) -> bool:
    return not sign.isascii() and sign.isalnum() and sign not in "\u00b5\u03bc"


def _parts(text: str) -> list[str]:
    """The text cut at every marker of speech outside the grammar."""
    return [part for part in re.split(f"({_GARBAGE})", text) if part]


def _plain(text: str) -> list[str]:
    text = _INITIALS.sub(lambda found: found.group().replace(".", " "), text)
    text = _EXPIRY.sub(_expiry_in_words, text)
    for pattern, opened in (*_CONTRACTIONS, *_SHORTHAND):
        text = pattern.sub(opened, text)
    text = _LOT.sub(_lot_in_words, text)
    text = _HALF_DAY.sub(_on_24_hours, text)
    for sign, word in _SIGNS.items():
        text = text.replace(sign, word)
    return _WORD.findall(_SPLIT_UNITS.sub(" ", _PER.sub(" per ", text)))


def _spelled(signs: str) -> str:
    return " ".join(_SPELLED.get(sign, sign) for sign in signs)


def _expiry_in_words(found: re.Match[str]) -> str:
    """A typed date of a label, ``03/27``, ``2027-03`` or ``march 2027``, in words: no part of it is left a number."""
    label, month, year, iso_year, iso_month, name, named_year = found.groups()
    return f"{label}{name or _spelled((month or iso_month).zfill(2))} {_spelled(year or iso_year or named_year)}"


def _lot_in_words(found: re.Match[str]) -> str:
    """A typed lot number sign by sign."""
    return f"{found.group(1)}{_spelled(found.group(2).replace('-', ''))}"


def _on_24_hours(found: re.Match[str]) -> str:
    """``9:05 pm`` as 21:05; an hour that no such clock shows is left as it was."""
    hour, minutes, half = int(found.group(1)), found.group(2) or "00", found.group(3)
    if not 1 <= hour <= 12:
        return found.group()
    return f"{hour % 12 + (12 if half == 'p' else 0):02}:{minutes}"
