"""The syntax tree of a template: what the loader reads once and every consumer walks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Literal:
    """One word to be said."""

    word: str


@dataclass(frozen=True)
class Reference:
    """A list, rule or number by name: ``<route>``."""

    name: str


@dataclass(frozen=True)
class Sequence:
    """Parts said one after another; empty means nothing is said."""

    parts: tuple[Node, ...]


@dataclass(frozen=True)
class Alternatives:
    """Exactly one of the choices is said."""

    choices: tuple[Node, ...]


@dataclass(frozen=True)
class Optional:
    """The part may be left out."""

    part: Node


@dataclass(frozen=True)
class Tagged:
    """A part that fills a field: with the value it names, or with a constant."""

    part: Node
    field: str
    """The event field to fill."""
    constant: str | None = None
    """The value to set, or None to capture the value of the part."""


Node = Literal | Reference | Sequence | Alternatives | Optional | Tagged


def references(node: Node) -> Iterator[str]:
    """Every name the tree refers to, in order, with repeats."""
    match node:
        case Reference(name):
            yield name
        case Sequence(parts) | Alternatives(parts):
            for part in parts:
                yield from references(part)
        case Optional(part) | Tagged(part, _, _):
            yield from references(part)


def literals(node: Node) -> Iterator[str]:
    """Every word that stands in the tree itself, in order, with repeats."""
    match node:
        case Literal(word):
            yield word
        case Sequence(parts) | Alternatives(parts):
            for part in parts:
                yield from literals(part)
        case Optional(part) | Tagged(part, _, _):
            yield from literals(part)
