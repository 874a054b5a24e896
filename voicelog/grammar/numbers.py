"""Spoken numbers: one closed grammar per use, and one reading of the words it lets through.

General word-to-number libraries mis-read "one twenty over eighty"; here a template says which words may be said, in the
same syntax as every phrase, and ``value_of`` gives the one value those words have.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

DIGITS = {w: n for n, w in enumerate("zero one two three four five six seven eight nine".split())}
# Radio forms: tree, fower, fife, niner (ICAO Annex 10 Vol. II 5.2.1.4, from memory); oh and o are common practice.
DIGITS |= {"oh": 0, "o": 0, "tree": 3, "fower": 4, "fife": 5, "niner": 9}
_TEEN_WORDS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen"
TEENS = {w: n for n, w in enumerate(_TEEN_WORDS.split(), start=10)}
TENS = {w: 10 * n for n, w in enumerate("twenty thirty forty fifty sixty seventy eighty ninety".split(), start=2)}
MONTHS = {
    word: number
    for number, word in enumerate(
        "january february march april may june july august september october november december".split(), start=1
    )
}
_ALPHABET = (
    "alfa bravo charlie delta echo foxtrot golf hotel india juliett kilo lima mike november oscar papa quebec romeo "
    "sierra tango uniform victor whiskey yankee zulu"
)
LETTERS = {word: word[0] for word in _ALPHABET.split()}
"""Letters of a lot number, by the spelling alphabet: plain letters sound alike. ICAO Annex 10 Vol. II, from memory."""
ORDINALS = {
    word: number
    for number, word in enumerate(
        "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth "
        "fifteenth sixteenth seventeenth eighteenth nineteenth twentieth".split(),
        start=1,
    )
} | {"thirtieth": 30}
NUMBER_WORDS = (
    frozenset(DIGITS) | frozenset(TEENS) | frozenset(TENS) | {"hundred", "thousand", "point", "decimal", "half"}
)
"""Words that are part of a number wherever they stand; never mended and never skipped."""
_STEMS = {"thir": "thirty", "four": "forty", "fif": "fifty", "six": "sixty", "seven": "seventy", "eigh": "eighty"}
_PAIRS = {f"{stem}teen": ten for stem, ten in (_STEMS | {"nine": "ninety"}).items()}
SOUND_ALIKE = _PAIRS | {ten: teen for teen, ten in _PAIRS.items()}
"""Number words that differ in one ending, each with the other: WHO Patient Safety Solutions 3, from memory."""

PARTS = {
    "digit": "(one | two | three | tree | four | fower | five | fife | six | seven | eight | nine | niner)",
    "nought": "(zero | oh | o)",
    "teen": "(ten | eleven | twelve | thirteen | fourteen | fifteen | sixteen | seventeen | eighteen | nineteen)",
    "tens": "(twenty | thirty | forty | fifty | sixty | seventy | eighty | ninety)",
    "any_digit": "(<digit> | <nought>)",
    "to_ninety_nine": "(<digit> | <teen> | <tens> [<digit>])",
    "to_nine_ninety_nine": (
        "(<nought> | <to_ninety_nine> | (<digit> | a) hundred [[and] <to_ninety_nine>]"
        " | <digit> (<teen> | <tens> [<digit>]) | <digit> <any_digit> [<any_digit>])"
    ),
    "to_thousands": (
        "(<to_nine_ninety_nine> | (<to_ninety_nine> | a) thousand [[and] <to_nine_ninety_nine>]"
        " | <teen> hundred [[and] <to_ninety_nine>])"
    ),
    "month": f"({' | '.join(MONTHS)})",
    "ordinal": f"({' | '.join(ORDINALS)} | (twenty | thirty) ({' | '.join(list(ORDINALS)[:9])}))",
    "year_figures": "((twenty | thirty) [<digit>] | (two | three) <any_digit>)",
    "whole_year": "(twenty <year_figures> | two thousand [and] <year_figures> | two (zero | oh) <year_figures>)",
    "lot_sign": f"(<any_digit> | {' | '.join(LETTERS)})",
    "decimals": "(point | decimal) (<any_digit> [<any_digit>] [<any_digit>] | <teen> | <tens> [<digit>])",
}
"""Building blocks by name, in template syntax."""


@dataclass(frozen=True)
class NumberKind:
    """One use of numbers: what may be said and which values count."""

    say: str
    """Template over PARTS."""
    low: Decimal
    """Smallest value that counts, in the unit of the use."""
    high: Decimal
    """Largest value that counts."""
    clock: bool = False
    """The value is a clock time HH:MM instead of a number."""
    typed: str = r"\d+(\.\d+)?|\.\d+"
    """Pattern of the digits that may be typed in place of words; empty for none."""

    def accepts_typed(self, word: str) -> bool:
        """Whether a typed word such as ``118`` or ``0.3`` is a number of this use."""
        typed = word[:1] in _TYPED_SIGNS and len(word) <= MAX_TYPED
        return typed and bool(re.fullmatch(self.typed, word, re.ASCII))


_TYPED_SIGNS = frozenset("0123456789.")
MAX_TYPED = 12
"""Longest typed number; a longer run of digits is no measurement."""


def _kind(say: str, low: str, high: str) -> NumberKind:
    return NumberKind(say, Decimal(low), Decimal(high))


_DECIMAL = "(<to_nine_ninety_nine> [<decimals>] | <decimals>)"
_DOSE = "(<to_thousands> [<decimals>] | <decimals> | <to_ninety_nine> and a half | [a] half [a])"
_MINUTES = "(<teen> | <tens> [<digit>] | <nought> <any_digit> | hundred | <digit> <any_digit>)"
_HALF_DAY = "(a m | p m | am | pm)"

# Limits: NEMSIS v3.5.1 eVitals (XSD) for what it defines - pressure and rate 0-500, percentage 0-100, score 3-15 for
# the coma scale and 0-10 for pain; count is held to 300, above which no pulse or breathing is counted (common practice,
# no source). Age, weight, gauge, energy, flow: common practice, no source.
KINDS: dict[str, NumberKind] = {
    "count": _kind("<to_nine_ninety_nine>", "0", "300"),
    "pressure": _kind("<to_nine_ninety_nine>", "0", "300"),
    "gas_pressure": _kind(_DECIMAL, "0", "150"),
    "percentage": _kind("<to_nine_ninety_nine>", "0", "100"),
    "glucose": _kind("(<to_thousands> [<decimals>])", "0", "2000"),
    "degrees": _kind("(<to_nine_ninety_nine> [<decimals>])", "10", "115"),
    "score": _kind("(<nought> | <digit> | <teen>)", "0", "15"),
    "pain": _kind("(<nought> | <digit> | <teen>)", "0", "10"),
    "millimeters": _kind("(<digit> [<decimals>] | <digit> and a half)", "1", "9"),
    "dose": _kind(_DOSE, "0", "10000"),
    "part_dose": NumberKind("(<nought> <decimals> | <decimals>)", Decimal(0), Decimal(1), typed=r"0?\.\d+"),
    "one_dose": NumberKind("(a | an)", Decimal(1), Decimal(1), typed=""),
    "age": _kind("(<to_nine_ninety_nine> | <tens> <digit>)", "0", "120"),
    "weight": _kind("(<to_nine_ninety_nine> [<decimals>] | <to_ninety_nine> and a half)", "0", "700"),
    "energy": _kind("<to_nine_ninety_nine>", "1", "400"),
    "gauge": _kind("(<digit> <any_digit> | <teen> | <tens> [<digit>])", "12", "26"),
    "flow": _kind("(<to_ninety_nine> [<decimals>] | <nought> <decimals> | <digit> <digit> | half [a])", "0", "60"),
    "clock": NumberKind(
        f"((<teen> | <tens> [<digit>] | <digit> | <nought> <any_digit>) {_MINUTES} [hours | {_HALF_DAY}]"
        " | <any_digit> <any_digit> <any_digit> <any_digit> [hours]"
        f" | ([a] quarter | half | <to_ninety_nine>) (past | after | to | before) (<digit> | <teen>) [{_HALF_DAY}]"
        f" | (<digit> | <teen>) (o'clock [{_HALF_DAY}] | {_HALF_DAY}))",
        Decimal(0),
        Decimal(2359),
        clock=True,
        typed=r"\d{1,2}:\d{2}|\d{4}",
    ),
    # A day in figures beside a month in figures is read in two orders, so only a named month has a day.
    "expiry": NumberKind(
        "(<month> [of] (<whole_year> | <year_figures>) | <month> [the] <ordinal> <whole_year>"
        " | (<nought> <digit> | <digit> | one (<digit> | zero) | ten | eleven | twelve) [slash]"
        " (<whole_year> | <year_figures>))",
        Decimal(0),
        Decimal(0),
        typed="",
    ),
    "lot": NumberKind(
        "<lot_sign> <lot_sign> <lot_sign>" + " [<lot_sign>" * 7 + "]" * 7,
        Decimal(0),
        Decimal(0),
        typed="",
    ),
}


def value_of(words: Sequence[str]) -> Decimal | None:
    """The value of spoken number words, such as ``one oh two point four`` or ``two and a half``.

    Args:
        words: one number's words, lower case; digits typed as ``118`` or ``0.3`` count as well.

    Returns:
        The value, or None when the words do not make one number.
    """
    if not words:
        return None
    if len(words) == 1 and re.fullmatch(NumberKind.typed, words[0], re.ASCII):
        return Decimal(words[0])
    if list(words) in (["a"], ["an"]):
        return Decimal(1)
    if words[-1] == "a":
        words = words[:-1]
    if "half" in words:
        before = list(words[: words.index("half")])
        whole = [word for word in before if word not in {"and", "a"}]
        value = _whole(whole) if whole else 0
        return None if value is None else Decimal(value) + Decimal("0.5")
    for mark in ("point", "decimal"):
        if mark in words:
            cut = list(words).index(mark)
            value = _whole(words[:cut]) if cut else 0
            tail = _glued(words[cut + 1 :])
            return Decimal(f"{value}.{tail}") if value is not None and tail else None
    value = _whole(words)
    return None if value is None else Decimal(value)


def mistakable(words: Sequence[str]) -> Decimal | None:
    """The value that a number is most easily mistaken for by ear, ``fifty`` for ``fifteen``; None when there is none.

    Where two words of it could be mistaken, the first counts: it makes the larger difference. A digit after a ten
    tells: no teen has one.
    """
    for place, word in enumerate(words):
        if word in SOUND_ALIKE and not (word in TENS and {*words[place + 1 : place + 2]} & DIGITS.keys()):
            return value_of([*words[:place], SOUND_ALIKE[word], *words[place + 1 :]])
    return None


def sound_alike(words: Sequence[str], others: Sequence[str]) -> bool:
    """Whether two rows of words, word by word, hold a teen where the other has its ten."""
    return len(words) == len(others) and any(
        SOUND_ALIKE.get(one) == two for one, two in zip(words, others, strict=True)
    )


def spelled_alike(words: Sequence[str], others: Sequence[str]) -> bool:
    """Whether two rows of words, word by word, hold an m where the other has an n, as ``i m`` and ``i n``."""
    return len(words) == len(others) and any({one, two} == {"m", "n"} for one, two in zip(words, others, strict=True))


def clock_of(words: Sequence[str]) -> str | None:
    """The clock time HH:MM of spoken words: ``oh nine oh five``, ``fourteen hundred``, ``ten past nine p m``."""
    said = [word for word in words if word not in {"hours", "o'clock", "m"}]
    half_day = said.pop() if said and said[-1] in {"a", "p", "am", "pm"} else ""
    time = _clock(said, "o'clock" in words or bool(half_day))
    if time is None or not half_day:
        return time
    hour = int(time[:2])
    if not 1 <= hour <= 12:
        return None
    return f"{hour % 12 + (12 if half_day.startswith('p') else 0):02}{time[2:]}"


def _clock(words: Sequence[str], whole_hour: bool) -> str | None:
    for mark in ("past", "after", "to", "before"):
        if mark in words:
            return _beside_the_hour(words[: words.index(mark)], words[-1], mark in {"to", "before"})
    if len(words) == 1 and ":" in words[0]:
        digits = words[0].replace(":", "").zfill(4)
    else:
        hundred = bool(words) and words[-1] == "hundred"
        said = _glued(words[:-1] if hundred else words)
        if not said:
            return None
        digits = f"{said.zfill(2)}00" if hundred or (len(words) == 1 and whole_hour) else said.zfill(4)
    if len(digits) != 4 or not digits.isdecimal() or int(digits[:2]) > 23 or int(digits[2:]) > 59:
        return None
    return f"{digits[:2]}:{digits[2:]}"


def _beside_the_hour(minutes: Sequence[str], hour: str, before: bool) -> str | None:
    """``ten past nine``, ``quarter to three``."""
    named = {"quarter": 15, "half": 30}
    minutes = [word for word in minutes if word != "a"]
    passed = named[minutes[0]] if minutes and minutes[0] in named else int(_glued(minutes) or 60)
    hours = DIGITS.get(hour, TEENS.get(hour, 24))
    if passed > 59 or not 1 <= hours <= 12:
        return None
    total = (hours * 60 + (-passed if before else passed)) % (24 * 60)
    return f"{total // 60:02}:{total % 60:02}"


def _glued(words: Sequence[str]) -> str:
    """Digits said one after another: ``one eighteen`` is 118, ``two twenty five`` 225, ``one oh five`` 105; else ''."""
    digits = ""
    tens = 0
    for word in words:
        if tens and DIGITS.get(word):
            digits += str(tens + DIGITS[word])
            tens = 0
            continue
        if tens:
            digits += str(tens)
            tens = 0
        if word in TENS:
            tens = TENS[word]
        elif word in TEENS or word in DIGITS:
            digits += str(TEENS.get(word, DIGITS.get(word)))
        elif word.isascii() and word.isdigit():
            digits += word
        else:
            return ""
    return digits + (str(tens) if tens else "")


def _whole(words: Sequence[str]) -> int | None:
    """A whole number in words with ``hundred`` and ``thousand`` or digits said one after another."""
    words = [word for word in words if word != "and"]
    for mark, factor in (("thousand", 1000), ("hundred", 100)):
        if mark in words:
            cut = words.index(mark)
            head = 1 if words[:cut] in ([], ["a"]) else _whole(words[:cut])
            tail = _whole(words[cut + 1 :]) if words[cut + 1 :] else 0
            return None if head is None or tail is None or tail >= factor else head * factor + tail
    digits = _glued(words)
    return int(digits) if digits else None
