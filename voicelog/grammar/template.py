"""Reads template text, in the expansion syntax of the JSpeech Grammar Format, into a tree.

Syntax: ``word``, ``[optional]``, ``(a | b)``, ``<name>``, and after each of these a tag ``{field}``
or ``{field=value}``.
Source: JSpeech Grammar Format, W3C Note 5 June 2000, sections 4.3 to 4.6.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from voicelog.errors import VoicelogError
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Sequence, Tagged

_TOKEN = re.compile(r"\s*(?:(<[^<>]*>)|(\{[^{}]*\})|([a-z0-9][a-z0-9'.-]*)|([()\[\]|]))")
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_TAG = re.compile(r"([a-z][a-z0-9_]*)(?:=(.+))?\Z")
MAX_DEPTH = 40
"""Deepest nesting of brackets; deeper text is refused rather than overflowing the stack."""


class TemplateError(VoicelogError):
    """A template is malformed; column counts from 1 in the template text."""

    def __init__(self, message: str, column: int, hint: str = "") -> None:
        super().__init__(message, hint)
        self.column = column


@dataclass(frozen=True)
class _Token:
    text: str
    column: int


def _tokens(text: str) -> list[_Token]:
    tokens = []
    position = 0
    stripped = text.rstrip()
    while position < len(stripped):
        found = _TOKEN.match(stripped, position)
        if not found:
            bad = re.match(r"\s*", stripped[position:])
            column = position + (bad.end() if bad else 0) + 1
            raise TemplateError(
                f"unexpected character {stripped[column - 1]!r}",
                column,
                "words are lower case; use [ ] ( ) | <name> {field}",
            )
        tokens.append(
            _Token(found.group().strip(), found.start() + len(found.group()) - len(found.group().lstrip()) + 1)
        )
        position = found.end()
    return tokens


@lru_cache(maxsize=8_192)
def parse_template(text: str) -> Node:
    """Read one template.

    Raises:
        TemplateError: with the column of the first fault.
    """
    tokens = _tokens(text)
    if not tokens:
        raise TemplateError("the template is empty", 1, "write the words to be said")
    node, position = _alternatives(tokens, 0, len(text), 0)
    if position < len(tokens):
        raise TemplateError(f"unexpected {tokens[position].text!r}", tokens[position].column, "is a bracket missing?")
    return node


def _alternatives(tokens: list[_Token], position: int, width: int, depth: int) -> tuple[Node, int]:
    if depth > MAX_DEPTH:
        raise TemplateError("brackets are nested too deeply", tokens[position - 1].column, "use a <rule>")
    choices = []
    while True:
        node, position = _sequence(tokens, position, width, depth)
        choices.append(node)
        if position < len(tokens) and tokens[position].text == "|":
            position += 1
            continue
        break
    return (choices[0] if len(choices) == 1 else Alternatives(tuple(choices))), position


def _sequence(tokens: list[_Token], position: int, width: int, depth: int) -> tuple[Node, int]:
    parts: list[Node] = []
    while position < len(tokens) and tokens[position].text not in {"|", ")", "]"}:
        token = tokens[position]
        if token.text.startswith("{"):
            if not parts:
                raise TemplateError(
                    "a tag must follow what it tags", token.column, "put {field} after a word or <name>"
                )
            parts[-1] = _tagged(parts[-1], token)
            position += 1
            continue
        node, position = _atom(tokens, position, width, depth)
        parts.append(node)
    if not parts:
        column = tokens[position].column if position < len(tokens) else width + 1
        raise TemplateError("nothing stands here to be said", column, "write a word, or drop the bracket or bar")
    return (parts[0] if len(parts) == 1 else Sequence(tuple(parts))), position


def _atom(tokens: list[_Token], position: int, width: int, depth: int) -> tuple[Node, int]:
    token = tokens[position]
    if token.text in {"(", "["}:
        closing = ")" if token.text == "(" else "]"
        node, position = _alternatives(tokens, position + 1, width, depth + 1)
        if position >= len(tokens) or tokens[position].text != closing:
            raise TemplateError(f"{token.text!r} is never closed", token.column, f"add {closing!r}")
        return (node if closing == ")" else Optional(node)), position + 1
    if token.text.startswith("<"):
        name = token.text[1:-1]
        if not _NAME.match(name):
            raise TemplateError(f"{token.text!r} is not a name", token.column, "names are a-z, 0-9 and _")
        return Reference(name), position + 1
    return Literal(token.text), position + 1


def _tagged(part: Node, token: _Token) -> Tagged:
    found = _TAG.match(token.text[1:-1].strip())
    if not found:
        raise TemplateError(f"{token.text!r} is not a tag", token.column, "write {field} or {field=value}")
    return Tagged(part, found.group(1), found.group(2))
