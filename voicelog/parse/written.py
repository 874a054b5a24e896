"""Numbers and names in text as a free-text recogniser writes it, so that they can be held against spoken words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from decimal import Decimal

from voicelog.grammar.numbers import NUMBER_WORDS, value_of
from voicelog.recognisers.base import Word

_SAME_SOUND = {
    "to": "2",
    "too": "2",
    "for": "4",
    "fore": "4",
    "won": "1",
    "ate": "8",
    "tree": "3",
    "sex": "6",
    "free": "3",
}
"""Words written for a digit that sounds like them; they vouch for it, and stand for none by themselves."""
_NAMES_WITH_DIGITS = frozenset({"spo2", "etco2", "co2", "o2", "d5", "d10", "d25", "d50"})
CLOCK_DIGITS = 4
"""Digits of a clock time."""
_BEFORE_CLOCK = frozenset({"at", "time"})
_MOST_DIGITS = 3
"""Most digits of a number that is put together from pieces."""
_DIGITS = re.compile(r"\d+(?:\.\d+)?|\.\d+", re.ASCII)
_BY_NAME = {
    ("12", "lead"): ("twelve", "lead"),
    ("1", "to", "1000"): ("one", "to", "one", "thousand"),
    ("1", "to", "10000"): ("one", "to", "ten", "thousand"),
}
"""Numbers that are part of a name, which the grammar knows in words only."""


def spoken(words: Sequence[Word]) -> tuple[Word, ...]:
    """Words of a free text as the grammar speaks them, for reading it as a callout of its own."""
    texts = [word.text for word in words]
    found: list[Word] = []
    place = 0
    while place < len(texts):
        for written, said in _BY_NAME.items():
            if tuple(texts[place : place + len(written)]) == written:
                found += [Word(word) for word in said]
                place += len(written)
                break
        else:
            found += _clean(texts[place])
            place += 1
    return tuple(found)


def _clean(text: str) -> list[Word]:
    """A word; a number with a hyphen in it, as ``1-18``, as what was said: one eighteen."""
    hyphened = re.fullmatch(r"(\d)-(\d\d)", text)
    return [Word("".join(hyphened.groups()))] if hyphened else [Word(text)]


def joined(texts: Sequence[str]) -> list[str]:
    """The texts with numbers that were written in pieces as one: ``1 6 6``, ``1-20 4``, ``30 6``, ``at 09 15``.

    What was meant is not sure: such a number must be heard by another listener too.
    """
    found: list[str] = []
    for text in texts:
        pieces = text.split("-") if re.fullmatch(r"\d{1,2}(-\d{1,2})+", text, re.ASCII) else [text]
        for piece in pieces:
            before = found[-1] if found and _is_whole(found[-1]) else ""
            whole = _together(before, piece) if before and _is_whole(piece) else ""
            clock = len(before) == len(piece) == CLOCK_DIGITS // 2 and len(found) > 1 and found[-2] in _BEFORE_CLOCK
            if clock and _is_whole(piece):
                whole = before + piece
            found[len(found) - bool(whole) :] = [whole or piece]
    return found


def _is_whole(text: str) -> bool:
    return text.isascii() and text.isdecimal()


def _together(before: str, piece: str) -> str:
    """Two neighbouring whole numbers as the one they may be pieces of, below 1000; empty when they are none."""
    if len(piece) == 1 and len(before) in {2, 3} and before.endswith("0") and before[-2:] != "10":
        return str(int(before) + int(piece))
    short = len(piece) <= 2 and (len(before) == 1 or (len(before) == 2 and len(piece) == 1))
    return before + piece if short and len(before) + len(piece) <= _MOST_DIGITS else ""


def numbers_in(words: Sequence[str]) -> list[str]:
    """The numbers among words, spoken or written, in order, without needless zeros: ``0.3``, ``118``, ``1045``."""
    return [_plain(Decimal(number)) for number in _parts(words)]


def _parts(words: Sequence[str]) -> list[str]:
    """The numbers among words as they are written; those in words as digits."""
    found: list[str] = []
    for run, is_number in runs(words):
        if is_number:
            value = value_of(run)
            found += [] if value is None else [_plain(value)]
        else:
            found += _of_words(run)
    return found


def _of_words(words: Sequence[str]) -> list[str]:
    """Numbers in written words; ``300 and 12`` is one."""
    found: list[str] = []
    for number, word in enumerate(words):
        parts = _written_numbers(word)
        hundreds = number > 1 and words[number - 1] == "and" and words[number - 2].endswith("00")
        small = word.isascii() and word.isdigit() and int(word) < 100
        if hundreds and found and small and found[-1] == words[number - 2]:
            found[-1] = str(int(found[-1]) + int(word))
        else:
            found += parts
    return found


def unvouched(said: Sequence[str], written: Sequence[str], *, whole: bool = False) -> list[str]:
    """The numbers said that do not stand in a free text, in the same order.

    Neighbours may be joined: ``1 18`` and ``1-18`` vouch for 118, ``1 20 4`` for 124; so may a word that sounds like a
    digit, for it alone.

    Args:
        said: numbers as ``numbers_in`` gives them.
        written: words of the free text.
        whole: whether they are of a kind that is said without a point, so that ``1.18`` is one eighteen.
    """
    words = [_SAME_SOUND.get(word, word) for word in written]
    if whole:
        words = [word.replace(".", "") if re.fullmatch(r"[12]\.\d\d", word, re.ASCII) else word for word in words]
    return min((_missing(said, _parts(way)) for way in (words, joined(words))), key=len)


def _missing(said: Sequence[str], there: Sequence[str]) -> list[str]:
    place = 0
    missing = []
    for number in said:
        start, length = _find(number, there, place)
        if length:
            place = start + length
        else:
            missing.append(number)
    return missing


def _find(number: str, there: Sequence[str], place: int) -> tuple[int, int]:
    """Where a number stands, from a place on, and of how many parts; no parts when it stands nowhere."""
    for start in range(place, len(there)):
        # A clock time is written 10:45, 10.45 or 1045.
        if len(number) == CLOCK_DIGITS and there[start].replace(".", "") == number:
            return start, 1
        joined = ""
        for length, part in enumerate(there[start:], start=1):
            joined += _plain(Decimal(part)) if "." in part or not joined else part
            if joined == number:
                return start, length
            if len(joined) >= len(number) or "." in part:
                break
    return 0, 0


def runs(words: Sequence[str]) -> Iterator[tuple[list[str], bool]]:
    """Stretches of words that are one number, and of other words."""
    run: list[str] = []
    kind = False
    for number, word in enumerate(words):
        # The letter o is a nought only within a number: "one o five", not "p o".
        in_number = word in NUMBER_WORDS and (word != "o" or (kind and bool(run)))
        is_number = in_number or _joins_hundred(words, number) or _joins_half(words, number)
        follows = words[number + 1] if number + 1 < len(words) else ""
        # "ten thousand zero point three" is a strength and a dose.
        if run and (is_number != kind or (word in {"zero", "oh"} and follows == "point")):
            yield run, kind
            run = []
        run.append(word)
        kind = is_number
    if run:
        yield run, kind


def _joins_hundred(words: Sequence[str], number: int) -> bool:
    """Whether a word is the "and" of "one hundred and five"."""
    inside = 0 < number < len(words) - 1 and words[number] == "and"
    return inside and words[number - 1] in {"hundred", "thousand"} and words[number + 1] in NUMBER_WORDS


def _joins_half(words: Sequence[str], number: int) -> bool:
    """Whether a word is one of the small ones of "half a", "a half" or "two and a half"."""
    before, after = words[number - 1] if number else "", list(words[number + 1 : number + 3])
    if words[number] == "a":
        return before == "half" or after[:1] == ["half"]
    return words[number] == "and" and before in NUMBER_WORDS and after == ["a", "half"]


def _written_numbers(word: str) -> list[str]:
    """Numbers in a written word, as written: ``2-94`` two, ``10:45`` and ``bp105`` one, ``k4m`` and ``10th`` none."""
    glued = re.fullmatch(r"([a-z]+)(\d+)", word, re.ASCII)
    if glued:
        return [] if word in _NAMES_WITH_DIGITS else [glued.group(2)]
    if not re.fullmatch(r"[\d.,:/-]+", word, re.ASCII):
        return []
    if re.fullmatch(r"\d{1,2}:\d\d", word, re.ASCII):
        return [word.replace(":", "")]
    return _DIGITS.findall(word.replace(",", ""))


def _plain(value: Decimal) -> str:
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
