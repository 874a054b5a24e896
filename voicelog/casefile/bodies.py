"""What the body of an entry holds, key by key: taken only where it is of the kind that voicelog writes."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

_MISSING = object()


class MalformedError(ValueError):
    """A body lacks something or holds something else."""


def typed(body: Mapping[str, Any], key: str, kind: type) -> Any:
    """The value of a key, which must be of that kind; true and false are no numbers."""
    value = body.get(key, _MISSING)
    if value is _MISSING:
        raise MalformedError(f"it has no {key!r}")
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise MalformedError(f"its {key!r} is not of type {kind.__name__}")
    return value


def text_of(body: Mapping[str, Any], key: str) -> str:
    """A text, which must be there."""
    return str(typed(body, key, str))


def text_or_none(body: Mapping[str, Any], key: str) -> str | None:
    """A text, or null."""
    return None if key in body and body[key] is None else text_of(body, key)


def list_of(body: Mapping[str, Any], key: str, kind: type) -> list[Any]:
    """A list of items of that kind."""
    items: list[Any] = typed(body, key, list)
    if not all(isinstance(item, kind) for item in items):
        raise MalformedError(f"its {key!r} holds something that is not of type {kind.__name__}")
    return items


def number_or_none(body: Mapping[str, Any], key: str) -> Decimal | None:
    """A finite number that stands as text, or null."""
    text = body.get(key, _MISSING)
    if text is None:
        return None
    try:
        # Asked for three times a word, so the usual case goes without the checks that tell an unusual one.
        number = Decimal(text if type(text) is str else text_of(body, key))
    except InvalidOperation as error:
        raise MalformedError(f"its {key!r} is not a number") from error
    if not number.is_finite():
        raise MalformedError(f"its {key!r} is not a finite number")
    return number
