"""JSON with every number written digit for digit from its Decimal; never through a float."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any


def exact_json(value: Any, indent: int = 0) -> str:
    """The indented JSON text of None, bool, int, str, finite Decimal, and lists and dicts of these.

    Raises:
        TypeError: for a float or any other type.
        ValueError: for a Decimal that is not finite.
    """
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError(f"{value} is not a finite number")
        return format(value, "f")
    if value is None or isinstance(value, bool | int | str):
        return json.dumps(value, ensure_ascii=False)
    inner = " " * (indent + 2)
    if isinstance(value, dict) and value:
        items = [f"{json.dumps(str(key))}: {exact_json(item, indent + 2)}" for key, item in value.items()]
    elif isinstance(value, list) and value:
        items = [exact_json(item, indent + 2) for item in value]
    elif isinstance(value, dict | list):
        return "{}" if isinstance(value, dict) else "[]"
    else:
        raise TypeError(f"{type(value).__name__} has no exact JSON form")
    opening, closing = "{}" if isinstance(value, dict) else "[]"
    body = f",\n{inner}".join(items)
    return f"{opening}\n{inner}{body}\n{' ' * indent}{closing}"
