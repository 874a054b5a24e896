"""Small word nets for one utterance, with numbers laid open; what the grammar listener's engine is held to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from voicelog.grammar.numbers import DIGITS, TEENS, TENS

Words = tuple[str, ...]
START, END = 0, 1
"""The states in which every net begins and ends."""
_ZERO = ("oh", "zero")
"""Ways to say nought."""
_DIGIT = sorted(word for word, value in DIGITS.items() if value)
_ANY_DIGIT = [*_DIGIT, *_ZERO]
_TEEN = sorted(TEENS)
_TEN = sorted(TENS)


class Net:
    """Arcs and empty arcs of a net from START to END, as the engine takes them."""

    def __init__(self, entries: Mapping[str, Words]) -> None:
        self.arcs: list[tuple[int, int, float, str]] = []
        self.empty: list[tuple[int, int, float]] = []
        self._entries = entries
        self._states = END + 1

    def state(self) -> int:
        """A new state."""
        self._states += 1
        return self._states - 1

    def path(self, start: int, end: int, words: Sequence[str], weight: float = 1.0) -> None:
        """One way through; the weight is that of its first word."""
        for number, word in enumerate(words):
            onward = end if number == len(words) - 1 else self.state()
            self.choice(start, onward, (word,), 1.0 if number else weight)
            start = onward

    def paths(self, start: int, end: int, rows: Sequence[Words]) -> None:
        """Several ways through."""
        for row in rows:
            self.path(start, end, row)

    def choice(self, start: int, end: int, words: Sequence[str], weight: float = 1.0) -> None:
        """One word of several, in every way to say it."""
        self.arcs += [(start, end, weight, entry) for word in words for entry in self._entries.get(word, ())]


def is_digits(word: str) -> bool:
    """Whether a word is a number in digits."""
    return word[:1].isdigit() or word[:1] == "."


def lay_number(net: Net, start: int, end: int, written: str) -> None:
    """Any number of the same form: whole below 1000, with a point, or a clock time."""
    whole, point, _ = written.partition(".")
    if len(whole.replace(":", "")) >= 4:
        middle, thousands = net.state(), net.state()
        _lay_pair(net, start, middle)
        _lay_pair(net, middle, end)
        net.choice(middle, end, ("hundred",))
        net.choice(start, thousands, _DIGIT)
        _lay_pair(net, start, thousands)
        net.choice(thousands, end, ("thousand",))
    elif point:
        middle = net.state()
        after = net.state()
        if whole:
            _lay_whole(net, start, middle)
        net.choice(start if not whole else middle, after, ("point",))
        if whole in {"", "0"}:
            net.choice(start, after, ("point",))
        onward = net.state()
        net.choice(after, end, _ANY_DIGIT)
        net.choice(after, onward, _ANY_DIGIT)
        net.choice(onward, end, _ANY_DIGIT)
        _lay_pair(net, after, end)
    else:
        _lay_whole(net, start, end)


def _lay_pair(net: Net, start: int, end: int) -> None:
    """Two digits: ten to ninety nine, or oh five."""
    middle, zero = net.state(), net.state()
    net.choice(start, end, _TEEN)
    net.choice(start, end, _TEN)
    net.choice(start, middle, _TEN)
    net.choice(middle, end, _DIGIT)
    net.choice(start, zero, _ZERO)
    net.choice(zero, end, _DIGIT)


def _lay_whole(net: Net, start: int, end: int) -> None:
    """Zero to nine hundred ninety nine, in every way to say it."""
    net.choice(start, end, _ANY_DIGIT)
    _lay_pair(net, start, end)
    first, hundred, and_ = net.state(), net.state(), net.state()
    net.choice(start, first, _DIGIT)
    _lay_pair(net, first, end)
    second = net.state()
    net.choice(first, second, _ANY_DIGIT)
    net.choice(second, end, _ANY_DIGIT)
    net.choice(first, hundred, ("hundred",))
    net.choice(first, end, ("hundred",))
    net.choice(hundred, and_, ("and",))
    for state in (hundred, and_):
        net.choice(state, end, _DIGIT)
        _lay_pair(net, state, end)
