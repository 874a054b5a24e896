"""What is read off the label of a vial: expiry dates and lot numbers, as text of which no dose is ever made."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Sequence
from decimal import Decimal

from voicelog.grammar.numbers import DIGITS, LETTERS, MONTHS, ORDINALS, TEENS, TENS, clock_of, value_of

CENTURY = 2000
"""A year of two figures on a label lies in this century."""
LOT_LENGTH = (3, 10)
"""Fewest and most signs of a lot number (common practice, no source)."""


def expiry_of(words: Sequence[str]) -> str | None:
    """The expiry date of spoken words: ``2027-03``, or ``2027-03-31`` where a day was said with a named month.

    Args:
        words: lower case: ``march twenty twenty seven``, ``zero three twenty seven``, ``march thirty first twenty
            twenty seven``.

    Returns:
        The date, or None when the words are no date, or more than one.
    """
    said = [word for word in words if word not in {"slash", "of", "and", "the"}]
    if not said:
        return None
    found = set()
    for cut in range(1, len(said)):
        year = _year(said[cut:])
        if said[0] in MONTHS:
            day = _day(said[1:cut])
            date = _date(year, MONTHS[said[0]], day) if cut == 1 or day else None
        else:
            date = _date(year, _month(said[:cut]))
        found |= {date} if date else set()
    return found.pop() if len(found) == 1 else None


def lot_of(words: Sequence[str]) -> str | None:
    """The lot number of spoken words, as printed: ``alfa four four seven one`` is ``A4471``; None for anything else."""
    signs = [LETTERS.get(word, "").upper() or str(DIGITS.get(word, "")) for word in words]
    return "".join(signs) if all(signs) and LOT_LENGTH[0] <= len(signs) <= LOT_LENGTH[1] else None


_READ: dict[str, Callable[[Sequence[str]], str | Decimal | None]] = {
    "clock": clock_of,
    "expiry": expiry_of,
    "lot": lot_of,
}


def read_as(kind: str, words: Sequence[str]) -> str | Decimal | None:
    """What the words of one number kind mean: a number, or text for clock times, expiry dates and lot numbers."""
    return _READ.get(kind, value_of)(words)


def _date(year: int | None, month: int | None, day: int | None = None) -> str | None:
    if year is None or month is None or not 1 <= month <= 12:
        return None
    if day is None:
        return f"{year:04}-{month:02}"
    return f"{year:04}-{month:02}-{day:02}" if 1 <= day <= calendar.monthrange(year, month)[1] else None


def _month(words: Sequence[str]) -> int | None:
    """A month in figures: ``three``, ``zero three``, ``one two``, ``twelve``."""
    if len(words) == 1:
        return TEENS.get(words[0], DIGITS.get(words[0]))
    return _two_figures(words)


def _day(words: Sequence[str]) -> int | None:
    """``first``, ``thirty first``."""
    if len(words) == 1:
        return ORDINALS.get(words[0])
    if len(words) == 2 and words[0] in TENS and words[1] in ORDINALS:
        return TENS[words[0]] + ORDINALS[words[1]]
    return None


def _year(words: Sequence[str]) -> int | None:
    """``twenty twenty seven``, ``two zero two seven``, ``two thousand twenty seven``, ``twenty seven``."""
    for begin in (("twenty",), ("two", "thousand"), ("two", "zero"), ("two", "oh")):
        if tuple(words[: len(begin)]) == begin and (last := _two_figures(words[len(begin) :])):
            return CENTURY + last
    last = _two_figures(words)
    return None if last is None else CENTURY + last


def _two_figures(words: Sequence[str]) -> int | None:
    """``twenty seven``, ``thirty``, ``two seven``, ``zero three``."""
    if len(words) == 1:
        return TENS.get(words[0])
    if len(words) != 2 or words[1] not in DIGITS:
        return None
    first, last = words[0], DIGITS[words[1]]
    if first in TENS:
        return TENS[first] + last if last else None
    return DIGITS[first] * 10 + last if first in DIGITS else None
