"""Words for the callout card: sample sayings of a template, spoken forms of listed values, ways to say numbers."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from voicelog.grammar.acceptor import untimed
from voicelog.grammar.label_words import read_as
from voicelog.grammar.model import Grammar, Phrase, ValueList
from voicelog.grammar.net import Automaton, expansions
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Tagged, references
from voicelog.grammar.tree import Sequence as Said

_SAMPLE_NUMBERS = {
    "clock": "ten forty five",
    "score": "five",
    "pain": "five",
    "millimeters": "four",
    "part_dose": "point five",
    "one_dose": "a",
    "gauge": "eighteen",
}
"""A number of each kind for a saying that has no example of its own; any other kind gets DEFAULT_NUMBER."""
DEFAULT_NUMBER = "forty"
NO_BREAK = "\u00a0"
LONG_NAME = 4
"""Words; so long a name is printed as its initials where it has any."""
_NUMBERS = (
    ("118", "count", ("one one eight", "one eighteen")),
    ("105", "count", ("one oh five", "one hundred and five")),
    ("50", "count", ("five zero", "fifty")),
    ("0.3", "dose", ("zero point three", "point three")),
    ("2.5", "dose", ("two point five", "two and a half")),
    ("1,500", "dose", ("fifteen hundred", "one thousand five hundred")),
    ("14:05", "clock", ("fourteen oh five", "one four zero five")),
    ("21:10", "clock", ("twenty one ten", "ten past nine p m")),
)
"""(as written, kind of number, ways to say it); only what the loaded grammar accepts is printed."""


def spoken_letters(text: str) -> str:
    """Letters that are spelled out in capitals and kept on one line: ``i v push`` -> ``I V push``; ``a`` stays."""
    words = text.split()
    letters = [len(word) == 1 and word.isalpha() for word in words]
    shown = ""
    for index, word in enumerate(words):
        follows = index > 0 and letters[index] and letters[index - 1]
        before = index + 1 < len(words) and letters[index] and letters[index + 1]
        blank = "" if index == 0 else NO_BREAK if follows else " "
        shown += blank + (word.upper() if letters[index] and (word != "a" or follows or before) else word)
    return shown


def sample_sayings(phrase: Phrase, grammar: Grammar) -> list[str]:
    """The shortest saying of each template, its lists and numbers filled in; for a phrase without examples."""
    return [" ".join(_sample(untimed(tree), grammar)) for tree in phrase.say]


def _sample(node: Node, grammar: Grammar) -> tuple[str, ...]:
    match node:
        case Literal(word):
            return (word,)
        case Said(parts):
            return tuple(word for part in parts for word in _sample(part, grammar))
        case Alternatives(choices):
            return _sample(choices[0], grammar)
        case Tagged(part):
            return _sample(part, grammar)
        case Reference(name):
            if name in grammar.rules:
                return _sample(grammar.rules[name][0], grammar)
            if name in grammar.lists:
                return _sample(grammar.lists[name].items[0][1], grammar)
            return tuple(_SAMPLE_NUMBERS.get(name, DEFAULT_NUMBER).split())
        case Optional():
            return ()


def lists_used(trees: Iterable[Node], grammar: Grammar) -> tuple[str, ...]:
    """Names of the lists that the trees and the rules they use refer to, in order, once."""
    found: dict[str, None] = {}
    seen: set[str] = set()

    def walk(node: Node) -> None:
        for name in references(node):
            if name in grammar.lists:
                found[name] = None
            elif name in grammar.rules and name not in seen:
                seen.add(name)
                for tree in grammar.rules[name]:
                    walk(tree)

    for tree in trees:
        walk(tree)
    return tuple(found)


def spoken_values(lists: Iterable[ValueList]) -> tuple[str, ...]:
    """How each value of the lists is said, once; what they share is joined: ``left or right thigh, arm``."""
    forms: dict[tuple[str, str], list[str]] = {}
    for values in lists:
        for filled, tree in values.items:
            # A unit's name is a symbol, which is typed and not said.
            name = "" if values.field == "unit" else filled[0][1].replace("_", " ")
            said = forms.setdefault((name, filled[0][1]), [])
            said.extend(" ".join(form) for form in expansions(tree))
    best = dict.fromkeys(_best_form(name, said) for (name, _), said in forms.items())
    return _rates_joined(_sides_joined(best))


def _best_form(name: str, said: list[str]) -> str:
    """The value's own name where it can be said so, else the first form; its initials with it or in its place."""
    plain = spoken_letters(name if name in said else said[0])
    initials = [form for form in said if " " in form and all(len(word) == 1 for word in form.split())]
    letters = spoken_letters(initials[0]) if initials else plain
    if letters == plain:
        return plain
    return letters if len(plain.split()) >= LONG_NAME else f"{plain} ({letters})"


def _sides_joined(forms: Iterable[str]) -> list[str]:
    said = list(forms)
    both = [form[5:] for form in said if form.startswith("left ") and f"right {form[5:]}" in said]
    paired = {f"{side} {part}" for side in ("left", "right") for part in both}
    rest = [form for form in said if form not in paired]
    return [*([f"left or right {', '.join(both)}"] if both else []), *rest]


def _rates_joined(forms: Iterable[str]) -> tuple[str, ...]:
    """Units per something together: ``milligrams or micrograms per minute``."""
    parts: dict[str, list[str]] = {}
    for form in forms:
        what, per, of = form.partition(" per ")
        parts.setdefault(per + of, []).append(what)
    return tuple(
        text
        for tail, whats in parts.items()
        for text in (
            whats if not tail else [f"{', '.join(whats[:-1])} or {whats[-1]}{tail}" if whats[1:] else whats[0] + tail]
        )
    )


def number_ways(grammar: Grammar) -> list[tuple[str, tuple[str, ...]]]:
    """(number as written, ways to say it) for the kinds of numbers that the grammar uses."""
    ways = []
    for written, kind, sayings in _NUMBERS:
        automaton = grammar.compiled.numbers.get(kind)
        said = tuple(saying for saying in sayings if automaton and _means(saying, written, kind, automaton))
        if said:
            ways.append((written, said))
    return ways


def _means(saying: str, written: str, kind: str, automaton: Automaton) -> bool:
    words = saying.split()
    state: Automaton | None = automaton
    for word in words:
        state = state.steps.get(word) if state else None
    if state is None or not state.final:
        return False
    value = read_as(kind, words)
    return value == (Decimal(written.replace(",", "")) if isinstance(value, Decimal) else written)
