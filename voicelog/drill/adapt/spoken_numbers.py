"""Says numbers and clock times in the ways that crews do: the other direction of ``voicelog.grammar.numbers``."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from random import Random

from voicelog.grammar.numbers import LETTERS

ONES = "zero one two three four five six seven eight nine".split()
TEENS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
MONTHS = "january february march april may june july august september october november december".split()
TENS = "- - twenty thirty forty fifty sixty seventy eighty ninety".split()


def below_hundred(number: int) -> list[str]:
    """7 -> seven, 17 -> seventeen, 70 -> seventy, 76 -> seventy six."""
    if number < 10:
        return [ONES[number]]
    if number < 20:
        return [TEENS[number - 10]]
    return [TENS[number // 10]] + ([ONES[number % 10]] if number % 10 else [])


def digit(number: int, random: Random) -> str:
    """One digit; nought has several names."""
    return random.choice(["zero", "oh", "o"]) if number == 0 else ONES[number]


def below_thousand(number: int, random: Random) -> list[str]:
    """118 -> one hundred and eighteen, one hundred eighteen, one eighteen, one one eight."""
    hundreds, rest = divmod(number, 100)
    if not hundreds:
        return below_hundred(number)
    first = [random.choice([ONES[hundreds], "a"]) if hundreds == 1 else ONES[hundreds]]
    full = [*first, "hundred", *(random.choice([["and"], []]) + below_hundred(rest) if rest else [])]
    apart = [digit(int(sign), random) if place else ONES[hundreds] for place, sign in enumerate(str(number))]
    ways = [full, apart]
    if rest >= 10:
        ways.append([ONES[hundreds], *below_hundred(rest)])
    return random.choice(ways)


def whole(number: int, random: Random) -> list[str]:
    """Any whole number below one hundred thousand."""
    thousands, rest = divmod(number, 1000)
    if not thousands:
        return below_thousand(number, random)
    return [*below_hundred(thousands), "thousand", *(below_thousand_full(rest) if rest else [])]


def below_thousand_full(number: int) -> list[str]:
    """118 -> one hundred eighteen, the only way it is said after a thousand."""
    hundreds, rest = divmod(number, 100)
    return ([ONES[hundreds], "hundred"] if hundreds else []) + (below_hundred(rest) if rest else [])


def decimal_number(number: Decimal, random: Random) -> list[str]:
    """102.4 -> one oh two point four; 0.3 -> zero point three, point three."""
    before, _, after = format(number, "f").partition(".")
    words = [] if before == "0" and after and random.random() < 0.5 else whole(int(before), random)
    if not after:
        return words
    return [*words, random.choice(["point", "point", "decimal"]), *(digit(int(sign), random) for sign in after)]


def clock(hour: int, minute: int, random: Random) -> list[str]:
    """09:05 -> oh nine oh five; 14:00 -> fourteen hundred; 14:05 -> one four zero five."""
    nought = random.choice(["zero", "oh"])
    hours = [nought, ONES[hour]] if hour < 10 else below_hundred(hour)
    if minute == 0:
        return [*hours, "hundred", *random.choice([["hours"], []])]
    minutes = [nought, ONES[minute]] if minute < 10 else below_hundred(minute)
    ways: list[Sequence[str]] = [[*hours, *minutes]]
    if hour >= 10:
        ways.append([ONES[hour // 10], digit(hour % 10, random), *(digit(int(s), random) for s in f"{minute:02}")])
    return list(random.choice(ways))


def expiry(year: int, month: int, random: Random) -> list[str]:
    """2027, 3 -> march twenty twenty seven, zero three twenty twenty seven."""
    named = MONTHS[month - 1].split()
    figures = [*(["zero"] if month < 10 else []), *below_hundred(month)]
    return [*random.choice([named, figures]), "twenty", *below_hundred(year % 100)]


def lot(sign: str, figures: str) -> list[str]:
    """a, 447 -> alfa four four seven."""
    return [next(word for word, letter in LETTERS.items() if letter == sign), *(ONES[int(one)] for one in figures)]
