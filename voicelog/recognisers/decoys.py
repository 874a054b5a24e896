"""What else the shape of a reading could hold: its numbers, its drug and its route put in other ones' places.

An independent listener that, shown a reading among them, prefers it, has heard these values too, however it would
have spelled them. The decoys need not sound alike: they are what chance would choose from.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rapidfuzz import fuzz

from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import TENS
from voicelog.parse.written import numbers_in, runs
from voicelog.recognisers.written import Words, drug_names, named_drugs, said

MOST_NUMBERS = 40
"""Most decoys by number; the time grows with their number."""
ALIKE_DRUGS = 6
"""Decoys for a drug whose names look most like it."""
OTHER_DRUGS = 6
"""Further ones, from all over the formulary."""
SPELLED_ROUTES = tuple(tuple(route) for route in ("iv", "im", "io", "in", "po"))
WORDS_ALIKE = (
    frozenset(
        ("intranasal", "intramuscular", "intravenous", "intraosseous", "sublingual", "subcutaneous", "nebulized")
    ),
    frozenset(("micrograms", "milligrams", "grams")),
    frozenset(("microgram", "milligram", "gram")),
    frozenset(("left", "right")),
)
"""Words of which each may stand where another stands."""


def by_number(words: Sequence[str]) -> list[Words]:
    """The reading with one digit of a number changed, one less or more, a teen for a ten; at most MOST_NUMBERS."""
    reading, place = tuple(words), 0
    found: list[list[Words]] = []
    for run, is_number in runs(reading):
        after = place + len(run)
        digits = numbers_in(run) if is_number else []
        if len(digits) == 1:
            others = _other_numbers(digits[0].replace(":", ""))
            found.append([(*reading[:place], *said(other), *reading[after:]) for other in others])
        place = after
    # With many numbers, some of each.
    share = MOST_NUMBERS // max(1, len(found))
    return [row for rows in found for row in rows[:share]]


def by_name(words: Sequence[str], grammar: Grammar, near: Sequence[str] = ()) -> list[Words]:
    """The reading with another drug, route, unit or side.

    Args:
        words: the reading.
        grammar: what may be said.
        near: drugs that must be among the others, by generic name.
    """
    reading = tuple(words)
    return list(dict.fromkeys([*_other_drugs(reading, grammar, near), *_other_words(reading)]))


def _other_numbers(digits: str) -> list[str]:
    """Those that sound alike first: they must not be missing where there are too many."""
    found: list[str] = []
    if digits.isdigit():
        value = int(digits)
        below = value % 100
        if 13 <= below <= 19:
            found.append(str(value - below + 10 * (below % 10)))
        if below in TENS.values() and below >= 30:
            found.append(str(value - below + 10 + below // 10))
        if value < 100:
            found.append(f"1{digits.zfill(2)}")
        if value >= 100:
            found.append(str(int(digits[1:])))
        if value >= 10:
            found.append(digits[:-1])
    # Of every digit some, should they be too many.
    for other in "0123456789":
        for place, sign in enumerate(digits):
            leads = place == 0 and digits[1:2] != "."
            if sign not in {".", other} and not (leads and other == "0"):
                found.append(digits[:place] + other + digits[place + 1 :])
    return [number for number in dict.fromkeys(found) if number != digits]


def _other_drugs(reading: Words, grammar: Grammar, near: Sequence[str]) -> Iterator[Words]:
    for place, length, drug in named_drugs(reading, grammar):
        own = " ".join(reading[place : place + length])
        names = {name: other for name, other in drug_names(grammar).items() if other != drug}
        ranked = sorted(names, key=lambda name: (-fuzz.ratio(own, " ".join(name)), name))
        asked = [tuple(grammar.drugs[other].spoken[0].split()) for other in near if other != drug]
        rest = ranked[ALIKE_DRUGS:]
        for name in dict.fromkeys([*asked, *ranked[:ALIKE_DRUGS], *rest[:: max(1, len(rest) // OTHER_DRUGS)]]):
            yield (*reading[:place], *name, *reading[place + length :])


def _other_words(reading: Words) -> Iterator[Words]:
    for place, word in enumerate(reading):
        for others in WORDS_ALIKE:
            for other in sorted(others - {word}) if word in others else ():
                yield (*reading[:place], other, *reading[place + 1 :])
        pair = reading[place : place + 2]
        for route in SPELLED_ROUTES if pair in SPELLED_ROUTES else ():
            if route != pair:
                yield (*reading[:place], *route, *reading[place + 2 :])
