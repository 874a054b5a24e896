"""The elements of a NEMSIS document: how they are laid out, what stands for what is not known, and their text."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

NAMESPACE = "http://www.nemsis.org"
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
NOT_RECORDED = "7701003"
"""The Not Value that software fills in at export. Source: NEMSIS v3 NOT Values use guidance, 2024-08-01."""


@dataclass(frozen=True)
class Node:
    """One element."""

    name: str
    """Its name, such as ``eVitals.10``."""
    text: str = ""
    """Its value; empty for a group, or where an attribute says why there is none."""
    attributes: tuple[tuple[str, str], ...] = ()
    """Name and value of each attribute."""
    children: tuple[Node, ...] = ()
    """The elements in it, in order."""

    def attribute(self, name: str) -> str | None:
        """The value of an attribute, or None."""
        return dict(self.attributes).get(name)

    def all(self, name: str) -> Iterator[Node]:
        """Every element of that name in this one, itself included."""
        if self.name == name:
            yield self
        for child in self.children:
            yield from child.all(name)

    def first(self, name: str) -> Node | None:
        """The first element of that name, or None."""
        return next(self.all(name), None)


def absent(name: str, why: str = NOT_RECORDED) -> Node:
    """An element without a value, and the Not Value that says why."""
    return Node(name, attributes=(("xsi:nil", "true"), ("NV", why)))


def pertinent(name: str, code: str) -> Node:
    """An element without a value, and the Pertinent Negative that stands for it."""
    return Node(name, attributes=(("xsi:nil", "true"), ("PN", code)))


def laid_out(layout: str, values: Mapping[str, Sequence[Node]]) -> tuple[Node, ...]:
    """The elements of a layout in its order: those given, and Not Recorded for the rest.

    Args:
        layout: names apart by blanks, ``NAME(...)`` for a group; ``?`` behind a name leaves it out when nothing is
            given for it. Inside a section, such as ``eVitals(...)``, names lack its prefix, and ``03-05`` is a run.
        values: element name to the nodes that stand there.
    """
    return tuple(_nodes(iter(re.findall(r"[\w.?-]+|[()]", layout)), "", values))


def _nodes(tokens: Iterator[str], section: str, values: Mapping[str, Sequence[Node]]) -> list[Node]:
    made: list[Node] = []
    names: list[str] = []

    def settle() -> None:
        for name in names:
            bare = name.rstrip("?")
            made.extend(values.get(bare, () if name.endswith("?") else (absent(bare),)))
        names.clear()

    for token in tokens:
        if token == ")":
            break
        if token != "(":
            settle()
            names += _run(token, section)
            continue
        (name,) = names
        names.clear()
        bare = name.rstrip("?")
        inside = _nodes(tokens, section or bare, values)
        if bare in values:
            made.extend(values[bare])
        elif inside or not name.endswith("?"):
            made.append(Node(bare, children=tuple(inside)))
    settle()
    return made


def _run(token: str, section: str) -> list[str]:
    first, dash, last = token.partition("-")
    prefix = f"{section}." if section else ""
    if not dash:
        return [prefix + token]
    return [f"{prefix}{number:02}" for number in range(int(first), int(last) + 1)]


def document_text(root: Node, comments: Sequence[str]) -> str:
    """The document, with comment lines before its root element."""
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    # Two hyphens would end a comment.
    lines += [f"<!-- {re.sub('-(?=-)', '- ', comment).rstrip('-')} -->" for comment in comments]
    namespaces = (("xmlns", NAMESPACE), ("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance"))
    top = Node(root.name, root.text, namespaces + root.attributes, root.children)
    return "\n".join([*lines, *_lines(top, "")]) + "\n"


def _lines(node: Node, indent: str) -> Iterator[str]:
    opening = " ".join([node.name, *(f"{name}={quoteattr(value)}" for name, value in node.attributes)])
    if node.children:
        yield f"{indent}<{opening}>"
        for child in node.children:
            yield from _lines(child, indent + "  ")
        yield f"{indent}</{node.name}>"
    else:
        text = escape(_NOT_IN_XML.sub("\N{REPLACEMENT CHARACTER}", node.text))
        yield f"{indent}<{opening}>{text}</{node.name}>" if text else f"{indent}<{opening}/>"
