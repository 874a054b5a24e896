"""Says random sentences from the grammar's own trees, with what each of them means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from random import Random
from typing import Any

from voicelog.drill.adapt import spoken_numbers as say
from voicelog.grammar.model import Grammar, Phrase, ValueList
from voicelog.grammar.net import expansions
from voicelog.grammar.numbers import KINDS
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Sequence, Tagged

RANGES: dict[str, tuple[int, int, int]] = {
    "count": (2, 299, 0), "pressure": (20, 299, 0), "gas_pressure": (11, 149, 1), "percentage": (1, 100, 0),
    "glucose": (36, 900, 1), "degrees": (80, 110, 1), "score": (1, 15, 0), "pain": (0, 10, 0),
    "millimeters": (1, 9, 0), "dose": (1, 900, 2), "age": (1, 119, 0), "weight": (1, 300, 1), "energy": (1, 400, 0),
    "gauge": (14, 24, 0), "flow": (1, 60, 0),
}  # fmt: skip
"""Kind of number -> smallest and largest value said, and decimal places; inside what the grammar lets count."""


@dataclass(frozen=True)
class Sentence:
    """Words and what they mean."""

    words: tuple[str, ...] = ()
    soft: tuple[bool, ...] = ()
    """For each word, whether it is a label or filler word that carries no value."""
    fields: tuple[tuple[str, Any], ...] = ()
    """What is said: (field, value) in order, a field may be there twice."""
    event: Mapping[str, Any] = field(default_factory=dict)
    """What the phrase itself means."""

    def __add__(self, other: Sentence) -> Sentence:
        return Sentence(self.words + other.words, self.soft + other.soft, self.fields + other.fields, self.event)

    @property
    def text(self) -> str:
        """The words joined by blanks."""
        return " ".join(self.words)


class Sampler:
    """Draws sentences from a grammar."""

    def __init__(self, grammar: Grammar, random: Random) -> None:
        self.grammar = grammar
        self.random = random

    def sentence(self, phrase: Phrase) -> Sentence:
        """One sentence of a phrase."""
        return replace(self.said(self.random.choice(phrase.say)), event=phrase.event)

    def said(self, node: Node) -> Sentence:
        """One way to say a tree."""
        match node:
            case Literal(word):
                return Sentence((word,), (True,))
            case Sequence(parts):
                return sum((self.said(part) for part in parts), Sentence())
            case Alternatives(choices):
                return self.said(self.random.choice(choices))
            case Optional(part):
                return self.said(part) if self.random.random() < 0.4 else Sentence()
            case Reference(name):
                return self.referred(name, "")
            case Tagged(Reference(name), tag, None):
                return self.referred(name, tag)
            case Tagged(part, tag, constant):
                inner = self.said(part)
                value = " ".join(inner.words) if constant is None else constant
                hard = (False,) * len(inner.words)
                return replace(inner, soft=hard, fields=(*inner.fields, (tag, value)))

    def referred(self, name: str, tag: str) -> Sentence:
        """One way to say a number, a list item or a rule."""
        if name in KINDS:
            return self.number(name, tag)
        if name in self.grammar.rules:
            return self.said(self.random.choice(self.grammar.rules[name]))
        return self.item(self.grammar.lists[name], tag)

    def item(self, values: ValueList, tag: str) -> Sentence:
        """One item of a list in one of its forms."""
        filled, tree = self.random.choice(values.items)
        words = self.random.choice(expansions(tree))
        first = tag or filled[0][0] or values.field
        fields = ((first, filled[0][1]), *((named or values.field, value) for named, value in filled[1:]))
        return Sentence(words, (False,) * len(words), fields)

    def number(self, name: str, tag: str) -> Sentence:
        """One number of a kind."""
        random = self.random
        value: Any
        if name == "clock":
            hour, minute = random.randrange(24), random.randrange(60)
            words, value = say.clock(hour, minute, random), f"{hour:02}:{minute:02}"
        elif name == "one_dose":
            words, value = [random.choice(["a", "an"])], Decimal(1)
        elif name == "part_dose":
            value = Decimal(random.randrange(1, 100)).scaleb(-2).normalize()
            words = say.decimal_number(value, random)
        elif name == "expiry":
            year, month = random.randrange(2021, 2040), random.randrange(1, 13)
            words, value = say.expiry(year, month, random), f"{year}-{month:02}"
        elif name == "lot":
            sign, figures = random.choice("abdkz"), f"{random.randrange(100, 10000)}"
            words, value = say.lot(sign, figures), f"{sign.upper()}{figures}"
        else:
            low, high, places = RANGES[name]
            value = Decimal(random.randrange(low, high + 1))
            if places and random.random() < 0.4:
                value = (value + Decimal(random.randrange(1, 10)).scaleb(-random.randrange(1, places + 1))).normalize()
                value = min(value, Decimal(high))
            words = say.decimal_number(value, random)
        field_name = tag or ("stated_time" if name == "clock" else "value")
        return Sentence(tuple(words), (False,) * len(words), ((field_name, value),))
