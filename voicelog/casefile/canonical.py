"""Canonical JSON: one text for one value, so that a hash over the text is a hash over the value."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

# json escapes the controls below U+0020 itself; these too would act on a terminal or break a line.
_OTHER_CONTROLS = re.compile("[\x7f-\x9f\u2028\u2029]")


def canonical_json(value: Any) -> str:
    """The canonical text of a value: sorted keys, no blanks, UTF-8, control characters escaped.

    Args:
        value: None, bool, int, str, finite Decimal (written as a string, digits kept), aware datetime (written as
            ISO 8601 with its offset), and lists, tuples and string-keyed mappings of these.

    Raises:
        TypeError: for a float, a key that is not a string, or any other type.
        ValueError: for a naive datetime, a Decimal that is not finite, text that UTF-8 cannot hold, or a value
            nested too deeply.
    """
    try:
        return _written(_plain(value))
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def parse_canonical(text: str) -> Any:
    """The value of a canonical text; Decimals and datetimes stay the strings they were written as.

    Raises:
        ValueError: when the text is not JSON, or is JSON but not in canonical form.
    """
    try:
        value = _DECODER.decode(text)
        # What JSON gives needs no way round by ``_plain``: a long case is read through here when it is opened.
        again = _written(value)
    except (RecursionError, TypeError, ValueError) as error:
        raise ValueError(f"not canonical JSON: {error}") from error
    if again != text:
        raise ValueError("JSON, but not in canonical form")
    return value


def _written(value: Any) -> str:
    text = _ENCODER.encode(value)
    # What can be shown has neither a control character nor half of a surrogate pair; most texts can.
    if text.isprintable():
        return text
    text.encode("utf-8")
    return _OTHER_CONTROLS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def _no_float(text: str) -> Any:
    raise ValueError(f"the number {text[:40]} is no whole one; measured numbers stand as text")


_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)
_DECODER = json.JSONDecoder(parse_float=_no_float, parse_constant=_no_float)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError(f"{value} is not a finite number")
        return str(value)
    if isinstance(value, datetime):
        if value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} has no offset from UTC")
        return value.isoformat()
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise TypeError(f"the key {key!r} is not a string")
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no canonical form; write a number as an int or a Decimal")
