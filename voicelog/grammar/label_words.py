"""What is read off the label of a vial: expiry dates and lot numbers, as text that no dose is ever made of."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Sequence
from decimal import Decimal

from voicelog.grammar.numbers import DIGITS, LETTERS, MONTHS, TEENS, TENS, clock_of, value_of

_ORDINAL_WORDS = (
    "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth fifteenth "
    "sixteenth seventeenth eighteenth nineteenth twentieth"
)
_ORDINALS = {word: number for number, word in enumerate(_ORDINAL_WORDS.split(), start=1)} | {"thirtieth": 30}
CENTURY = 2000
"""A year of two digits on a label lies in this century."""


def expiry_of(words: Sequence[str]) -> str | None:
    """The expiry date of spoken words: ``2027-03``, or ``2027-03-31`` where the day was said with a named month.

    Args:
        words: lower case: ``march twenty twenty seven``, ``zero three twenty seven``, ``march thirty first twenty
            twenty seven``.

    Returns:
        The date, or None when the words are no date, or more than one: a day in figures beside a month in figures is
        read in two orders, so it is no date here.
    """
    said = [word for word in words if word not in {"slash", "of", "and", "the"}]
    found = _named(said) if said and said[0] in MONTHS else _figures(said)
    return found.pop() if len(found) == 1 else None


def lot_of(words: Sequence[str]) -> str | None:
    """The lot number of spoken words, as printed: ``alfa four four seven one`` is ``A4471``; None for anything else."""
    found = ""
    for number, word in enumerate(words):
        if word in TENS:
            # "twenty three" is 23, "twenty oh three" 2003.
            follows = number + 1 < len(words) and DIGITS.get(words[number + 1])
            found += str(TENS[word])[0] if follows else str(TENS[word])
        elif word in TEENS or word in DIGITS:
            found += str(TEENS.get(word, DIGITS.get(word)))
        elif word in LETTERS:
            found += LETTERS[word].upper()
        else:
            return None
    return found if LOT_LENGTH[0] <= len(found) <= LOT_LENGTH[1] else None


LOT_LENGTH = (3, 12)
"""Fewest and most signs of a lot number (common practice, no source)."""
_READ: dict[str, Callable[[Sequence[str]], str | Decimal | None]] = {
    "clock": clock_of,
    "expiry": expiry_of,
    "lot": lot_of,
}


def read_as(kind: str, words: Sequence[str]) -> str | Decimal | None:
    """What the words of one number kind mean: a number, or text for clock times, expiry dates and lot numbers."""
    return _READ.get(kind, value_of)(words)


def _date(year: int, month: int, day: int | None = None) -> str | None:
    if not (CENTURY <= year < CENTURY + 100 and 1 <= month <= 12):
        return None
    if day is None:
        return f"{year:04}-{month:02}"
    return f"{year:04}-{month:02}-{day:02}" if 1 <= day <= calendar.monthrange(year, month)[1] else None


def _named(words: Sequence[str]) -> set[str]:
    """A month by name, perhaps a day, and the year; every way to read it."""
    month, found = MONTHS[words[0]], set()
    for cut in range(1, len(words)):
        day, year = _day(words[1:cut]), _year(words[cut:])
        if year is None or (cut > 1 and (day is None or not _is_full_year(words[cut:]))):
            continue
        date = _date(year, month, day)
        found |= {date} if date else set()
    return found


def _figures(words: Sequence[str]) -> set[str]:
    """A month in figures and the year; every way to read it."""
    found = set()
    for cut in range(1, len(words)):
        month, year = _small(words[:cut]), _year(words[cut:])
        date = _date(year, month) if month is not None and year is not None else None
        found |= {date} if date else set()
    return found


def _small(words: Sequence[str]) -> int | None:
    """A number of one or two figures: ``three``, ``zero three``, ``one two``, ``twelve``."""
    digits = [DIGITS[word] for word in words if word in DIGITS]
    if len(words) == 1:
        return TEENS.get(words[0], DIGITS.get(words[0]))
    return digits[0] * 10 + digits[1] if len(words) == len(digits) == 2 else None


def _day(words: Sequence[str]) -> int | None:
    if not words:
        return None
    if words[-1] in _ORDINALS:
        if len(words) == 1:
            return _ORDINALS[words[0]]
        return TENS[words[0]] + _ORDINALS[words[1]] if len(words) == 2 and words[0] in TENS else None
    return _two_figures(words) or _small(words)


def _two_figures(words: Sequence[str]) -> int | None:
    """``twenty seven``, ``thirty``, ``two seven``, ``fifteen``."""
    if words and words[0] in TENS:
        if len(words) == 1:
            return TENS[words[0]]
        last = DIGITS.get(words[1])
        return TENS[words[0]] + last if len(words) == 2 and last else None
    if len(words) == 1:
        return TEENS.get(words[0])
    digits = [DIGITS[word] for word in words if word in DIGITS]
    return digits[0] * 10 + digits[1] if len(words) == len(digits) == 2 else None


def _is_full_year(words: Sequence[str]) -> bool:
    return _after_century(words) is not None


def _after_century(words: Sequence[str]) -> int | None:
    """The last two figures of a year said whole; None for one that is not."""
    for begin in (("twenty",), ("two", "thousand"), ("two", "zero"), ("two", "oh")):
        if tuple(words[: len(begin)]) == begin:
            rest = words[len(begin) :]
            if begin[-1] == "thousand" and len(rest) == 1 and rest[0] in DIGITS:
                return DIGITS[rest[0]]
            return _two_figures(rest)
    return None


def _year(words: Sequence[str]) -> int | None:
    last = _after_century(words)
    if last is None:
        last = _two_figures(words)
    return None if last is None else CENTURY + last

