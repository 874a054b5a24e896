"""A bounded set of sentences of a grammar that takes every alternative of every template at least once.

The set is the same each time. A template is varied one part at a time around its shortest sentence, and a few times
with all parts moving on together, so that parts that may be left out also stand side by side. A rule is taken through
all its ways where it is first met and by two of them elsewhere; of a list or number two are said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

from voicelog.grammar.label_words import read_as
from voicelog.grammar.model import Grammar, Phrase, ValueList
from voicelog.grammar.net import Automaton, Values
from voicelog.grammar.numbers import KINDS
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Tagged
from voicelog.grammar.tree import Sequence as Said

_T = TypeVar("_T")
FEW = 2
"""How many of a rule's ways, a list's items or a kind's numbers stand for all of them."""
TOGETHER = 2
"""How many times all parts of a template move on at once."""
_NUMBERS = tuple(
    tuple(text.split())
    for text in (
        "four", "forty", "ninety", "thirty seven", "one eighteen", "sixteen", "point five", "a", "ten past nine",
        "fourteen oh five", "march twenty twenty seven", "alfa four four seven one",
    )
)  # fmt: skip
"""Numbers to choose from for a kind: the first that it takes."""


@dataclass(frozen=True)
class Sentence:
    """Words, and the fields that they fill when read as meant."""

    words: tuple[str, ...] = ()
    fields: tuple[tuple[str, str | Decimal], ...] = ()
    """(field, value) in the order said; numbers as Decimal."""

    def __add__(self, other: Sentence) -> Sentence:
        return Sentence(self.words + other.words, self.fields + other.fields)

    @property
    def text(self) -> str:
        """The words joined by blanks."""
        return " ".join(self.words)

    @property
    def contradicts(self) -> bool:
        """Whether it gives one field two values, as nobody would."""
        return len(dict(self.fields)) < len(set(self.fields))


class Sentences:
    """Says what a grammar can say."""

    def __init__(self, grammar: Grammar) -> None:
        self.grammar = grammar
        self._rules: dict[str, list[Sentence]] = {}
        self._kinds: dict[str, list[tuple[tuple[str, ...], str | Decimal]]] = {}

    def covering(self, phrase: Phrase) -> list[list[Sentence]]:
        """For each template of a phrase, sentences that take all its alternatives, the shortest first."""
        return [self._sound(self._all(tree)) for tree in phrase.say]

    def shortest(self, phrase: Phrase) -> Sentence:
        """The shortest sentence of a phrase that says anything."""
        return min((tree[0] for tree in self.covering(phrase)), key=lambda sentence: len(sentence.words))

    def around(self, tree: Node, name: str) -> tuple[Sentence, str, Sentence] | None:
        """The shortest way to say a tree with a list in it: what is before the list, its tag there, what is after."""
        match tree:
            case Reference(called) if called == name:
                return Sentence(), "", Sentence()
            case Tagged(Reference(called), tag, None) if called == name:
                return Sentence(), tag, Sentence()
            case Reference(called):
                return self._around_first(self.grammar.rules.get(called, ()), name)
            case Optional(part):
                return self.around(part, name)
            case Tagged(part, tag, constant):
                # A value of several words is not one item of a list.
                found = self.around(part, name) if constant is not None else None
                return found and (found[0], found[1], found[2] + Sentence((), ((tag, str(constant)),)))
            case Alternatives(choices):
                return self._around_first(choices, name)
            case Said(parts):
                for at, part in enumerate(parts):
                    if found := self.around(part, name):
                        before, after = self._plain(parts[:at]), self._plain(parts[at + 1 :])
                        return before + found[0], found[1], found[2] + after
        return None

    def forms(self, values: ValueList) -> Iterator[tuple[Values, Sentence]]:
        """What each item of a list fills, and its words, every alternative taken."""
        for filled, tree in values.items:
            for form in self._all(tree):
                yield filled, Sentence(form.words)

    def _around_first(self, trees: Iterable[Node], name: str) -> tuple[Sentence, str, Sentence] | None:
        return next((found for tree in trees if (found := self.around(tree, name))), None)

    def _plain(self, parts: Sequence[Node]) -> Sentence:
        return sum((self._few(part)[0] for part in parts), Sentence())

    @staticmethod
    def _sound(sentences: list[Sentence]) -> list[Sentence]:
        """Each once, shortest first, without the empty one and, unless there are no others, contradictory ones."""
        said = [sentence for sentence in dict.fromkeys(sentences) if sentence.words]
        sound = [sentence for sentence in said if not sentence.contradicts]
        return sorted(sound or said, key=lambda sentence: len(sentence.words))

    def _few(self, node: Node) -> list[Sentence]:
        return _ends(self._all(node))

    def _all(self, node: Node) -> list[Sentence]:
        match node:
            case Literal(word):
                return [Sentence((word,))]
            case Optional(part):
                return [Sentence(), *self._all(part)]
            case Alternatives(choices):
                return [form for choice in choices for form in self._all(choice)]
            case Said(parts):
                return _woven([self._all(part) for part in parts])
            case Reference(name):
                return self._called(name, "")
            case Tagged(Reference(name), tag, None):
                return self._called(name, tag)
            case Tagged(part, tag, constant):
                return [
                    form + Sentence((), ((tag, form.text if constant is None else constant),))
                    for form in self._all(part)
                ]

    def _called(self, name: str, tag: str) -> list[Sentence]:
        if name in KINDS:
            return self._numbers(name, tag)
        if name in self.grammar.lists:
            return self._listed(self.grammar.lists[name], tag)
        if name in self._rules:
            return _ends(self._rules[name])
        self._rules[name] = [form for tree in self.grammar.rules[name] for form in self._all(tree)]
        return self._rules[name]

    def _numbers(self, kind: str, tag: str) -> list[Sentence]:
        if kind not in self._kinds:
            automaton = self.grammar.compiled.numbers[kind]
            said = [(words, _value(kind, words, automaton)) for words in _NUMBERS]
            self._kinds[kind] = [(words, value) for words, value in said if value is not None][:FEW]
        field = tag or ("stated_time" if KINDS[kind].clock else "value")
        return [Sentence(words, ((field, value),)) for words, value in self._kinds[kind]]

    def _listed(self, values: ValueList, tag: str) -> list[Sentence]:
        return [
            Sentence(self._all(tree)[0].words, filled_by(values, filled, tag)) for filled, tree in _ends(values.items)
        ]


def filled_by(values: ValueList, filled: Values, tag: str) -> tuple[tuple[str, str], ...]:
    """The fields an item of a list fills where it is used under a tag."""
    (first, value), *others = filled
    return ((tag or first or values.field, value), *((name or values.field, more) for name, more in others))


def _value(kind: str, words: tuple[str, ...], automaton: Automaton) -> str | Decimal | None:
    """The value of a number as the parser writes it, or None where the kind does not take it."""
    for word in words:
        if word not in automaton.steps:
            return None
        automaton = automaton.steps[word]
    if not automaton.final:
        return None
    value = read_as(kind, words)
    if not isinstance(value, Decimal):
        return value
    if not KINDS[kind].low <= value <= KINDS[kind].high:
        return None
    return Decimal(format(value.normalize(), "f"))


def _ends(forms: Sequence[_T]) -> list[_T]:
    """The first and the last."""
    return list(forms[:1]) + list(forms[1:][-1:])


def _woven(options: list[list[Sentence]]) -> list[Sentence]:
    """Ways to say parts in a row that take each option of each part at least once."""
    base = [forms[0] for forms in options]
    found = [sum(base, Sentence())]
    for at, forms in enumerate(options):
        for form in forms[1:]:
            found.append(sum([*base[:at], form, *base[at + 1 :]], Sentence()))
    for turn in range(1, TOGETHER + 1):
        found.append(sum((forms[turn % len(forms)] for forms in options), Sentence()))
    return list(dict.fromkeys(found))
