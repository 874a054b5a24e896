"""Spoken words as a free-text recogniser writes them, and the other things they may have been taken for."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import chain

from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import DIGITS, NUMBER_WORDS, TEENS, TENS, value_of
from voicelog.parse.written import runs

MOST_CANDIDATES = 12
"""Most texts to score for one utterance: the time grows with their number."""
Words = tuple[str, ...]
Style = Mapping[str, bool]
"""A way to write a reading: what ``written`` is told."""
IN_DIGITS: tuple[Style, ...] = ({}, {"apart": True})
IN_WORDS: Style = {"in_words": True}

_TEEN_OF = {ten: f"{ten[:-2]}teen" for ten in TENS if f"{ten[:-2]}teen" in TEENS} | {"forty": "fourteen"}
ALIKE: dict[str, tuple[str, ...]] = {
    **{ten: (teen,) for ten, teen in _TEEN_OF.items()},
    **{teen: (ten,) for ten, teen in _TEEN_OF.items()},
}
"""Number words that are taken for each other by ear; teens and tens first of all (ISMP verbal-order guidance)."""
_ONES = ("zero", *"one two three four five six seven eight nine".split())
_TEENS = {value: word for word, value in TEENS.items()}
_TENS = {value: word for word, value in TENS.items()}
_TAKEN_FOR_ONE = {"one": "of", "of": "one", "now": "one", "on": "one", "an": "one", "a": "one"}
"""Before a number: what the first word may have been instead."""
_IN_NUMBER = NUMBER_WORDS | {"over", "and"}
ROUTES_ALIKE = {("i", "v"): ("m",), ("i", "m"): ("v", "n"), ("i", "n"): ("m",), ("i", "o"): ("v",)}
"""Spelled routes, and the last letters that they are taken for each other by."""
_SYMBOLS = {
    "s p o two": "SpO2",
    "e t c o two": "ETCO2",
    "c o two": "CO2",
    "o two": "O2",
    "d five": "D5",
    "d ten": "D10",
    "d twenty five": "D25",
    "d fifty": "D50",
}


def written(words: Sequence[str], *, apart: bool = False, in_words: bool = False) -> str:
    """The words as one sentence, numbers in digits, spelled letters joined: ``Heart rate 124.``

    Args:
        words: as spoken.
        apart: whether digits said one by one are written one by one, ``Heart rate 1 2 4.``
        in_words: whether numbers stay in words, ``Heart rate one twenty four.``
    """
    said = f" {' '.join(words)} "
    for spoken, symbol in _SYMBOLS.items():
        said = said.replace(f" {spoken} ", f" {symbol} ")
    parts: list[str] = []
    for run, is_number in runs(said.split()):
        if in_words and is_number:
            parts += run
        elif apart and len(run) > 1 and all(word in DIGITS for word in run):
            parts += [str(DIGITS[word]) for word in run]
        else:
            parts += _numbers(run, parts) if is_number else _letters(run)
    return sentence(" ".join(parts).replace(" percent", "%"))


def sentence(text: str) -> str:
    """A text as the free-text listeners write it, with a capital and a full stop; empty where it is."""
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def said(digits: str) -> Words:
    """A number in digits as crews mostly say it: 124 one twenty four, 0.3 zero point three, 10:45 ten forty five."""
    if ":" in digits:
        hour, minute = digits.split(":")
        first = ("zero", _ONES[int(hour)]) if int(hour) < 10 else _below_hundred(int(hour))
        return (*first, *_after_hundreds(int(minute)))
    whole, point, after = digits.partition(".")
    if point:
        return (*(said(whole) if whole else ("zero",)), "point", *(_ONES[int(digit)] for digit in after))
    if len(whole) == 4 and whole.startswith("0"):
        return tuple(_ONES[int(digit)] for digit in whole)
    number = int(whole)
    if number < 100:
        return _below_hundred(number)
    if number % 1000 == 0 and number < 10_000:
        return (_ONES[number // 1000], "thousand")
    if number < 10_000:
        return (*_below_hundred(number // 100), *_after_hundreds(number % 100))
    return tuple(_ONES[int(digit)] for digit in whole)


def candidates(words: Sequence[str], grammar: Grammar, near: Sequence[str] = ()) -> list[Words]:
    """The reading itself and what it may have been taken for, one value changed in each; at most MOST_CANDIDATES.

    Numbers and routes are changed by words that sound alike; drugs by those that the grammar declares alike.

    Args:
        words: the reading.
        grammar: what may be said.
        near: further drugs to put in a drug's place, by generic name.
    """
    reading = tuple(words)
    swaps = chain(_number_swaps(reading), _route_swaps(reading), _drug_swaps(reading, grammar, near))
    return list(dict.fromkeys([reading, *swaps]))[:MOST_CANDIDATES]


def _number_swaps(words: Words) -> Iterator[Words]:
    for place, word in enumerate(words):
        follows = words[place + 1] if place + 1 < len(words) else ""
        # The "one" of "one sixty" is lost in a breath, or a breath is taken for it.
        if place and word in TENS.keys() | TEENS.keys() and words[place - 1] not in _IN_NUMBER | {"of"}:
            yield (*words[:place], "one", *words[place:])
        if word in TENS and DIGITS.get(follows):
            continue  # "forty five" has no teen beside it
        for other in ALIKE.get(word, ()):
            yield (*words[:place], other, *words[place + 1 :])
        # Both listeners have taken "sugar one sixty eight" for "sugar of sixty eight", "glucose one seventy" for "now".
        if (
            word in _TAKEN_FOR_ONE
            and place
            and words[place - 1] not in _IN_NUMBER
            and follows in TENS.keys() | TEENS.keys()
        ):
            yield (*words[:place], _TAKEN_FOR_ONE[word], *words[place + 1 :])


def _route_swaps(words: Words) -> Iterator[Words]:
    for place in range(len(words) - 1):
        for other in ROUTES_ALIKE.get((words[place], words[place + 1]), ()):
            yield (*words[: place + 1], other, *words[place + 2 :])


def _drug_swaps(words: Words, grammar: Grammar, near: Sequence[str]) -> Iterator[Words]:
    for place, length, name in named_drugs(words, grammar):
        for other in dict.fromkeys((*near, *sorted(_partners(name, grammar.unsure_pairs)))):
            if other != name:
                yield (*words[:place], *grammar.drugs[other].spoken[0].split(), *words[place + length :])


def _below_hundred(number: int) -> Words:
    if number < 10:
        return (_ONES[number],)
    if number < 20:
        return (_TEENS[number],)
    return (_TENS[number // 10 * 10], *((_ONES[number % 10],) if number % 10 else ()))


def _after_hundreds(number: int) -> Words:
    if not number:
        return ("hundred",)
    return ("oh", _ONES[number]) if number < 10 else _below_hundred(number)


def named_drugs(words: Sequence[str], grammar: Grammar) -> Iterator[tuple[int, int, str]]:
    """Where drugs are named: (first word, number of words, generic name), the longest name at each place."""
    names = drug_names(grammar)
    longest = max(map(len, names), default=0)
    place = 0
    while place < len(words):
        lengths = (
            n for n in range(min(longest, len(words) - place), 0, -1) if tuple(words[place : place + n]) in names
        )
        length = next(lengths, 0)
        if length:
            yield place, length, names[tuple(words[place : place + length])]
        place += length or 1


def drug_names(grammar: Grammar) -> Mapping[Words, str]:
    """Every listed way to say a drug, as words, and the drug."""
    return {tuple(form.split()): drug.name for drug in grammar.drugs.values() for form in drug.spoken}


def _partners(name: str, pairs: Collection[frozenset[str]]) -> set[str]:
    return set().union(*(pair - {name} for pair in pairs if name in pair))


def _numbers(run: Sequence[str], before: Sequence[str]) -> list[str]:
    """One number in digits; a clock time, four digits after "at" or "time", with a colon."""
    value = value_of(list(run))
    if value is None:
        return list(run)
    digits = format(value, "f")
    if run[0] in {"zero", "oh"} and value == value.to_integral_value() and len(run) > 1:
        digits = digits.zfill(4)
    if len(digits) == 4 and digits.isdigit() and before and before[-1] in {"at", "time"}:
        return [f"{digits[:2]}:{digits[2:]}"]
    return [digits]


def _letters(run: Sequence[str]) -> list[str]:
    """Other words, with letters that are spelled apart joined and in capitals."""
    parts: list[str] = []
    joins = False
    for word in run:
        letter = len(word) == 1 and word.isalpha()
        if letter and joins:
            parts[-1] += word.upper()
        else:
            parts.append(word.upper() if letter and word != "a" else word)
        joins = letter and word != "a"
    return parts
