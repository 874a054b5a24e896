"""What a check says: one thing to notice, in words for ear and eye, with the rule that it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from voicelog.checks.rows import Row, Severity
from voicelog.dialogue.wording import spoken_number, spoken_unit
from voicelog.views.labels import written_number, written_unit


@dataclass(frozen=True)
class Finding:
    """One thing to notice; it never says what to do."""

    check: str
    """Short id of the check, ``sudden_change``."""
    severity: Severity
    """``alarm``: spoken at once; ``ask``: waits for a spoken confirm; ``note``: told and shown."""
    about: str
    """The entry, ``E7``, or the field it is about."""
    for_ear: str
    """Short spoken words without a stop, numbers digit by digit; fits behind a read-back."""
    for_eye: str
    """The same for the screen, with units."""
    source: str
    """Source and date of the rule."""
    beside: tuple[str, ...] = ()
    """Other entries that it rests on."""


CONTRADICTION = "two entries that cannot both be true"
"""The source of findings that rest on no number."""


def cited(row: Row | None) -> str:
    """Source and date of a row; a plain word where no row is needed."""
    return row.cited if row else CONTRADICTION


def rounded(value: Decimal, places: int = 2) -> Decimal:
    """A computed value as it is told: at most so many decimal places."""
    return Decimal(format(Decimal(format(value, f".{places}f")).normalize(), "f"))


def said(value: Decimal | int, unit: str | None) -> str:
    """A value as spoken, its unit in words; a unit without words is left unsaid."""
    try:
        words = spoken_unit(unit, value)
    except KeyError:
        words = ""
    return f"{spoken_number(value)} {words}".strip()


def shown(value: Decimal | int, unit: str | None) -> str:
    """A value as printed, with its unit."""
    name = written_unit(unit)
    return f"{written_number(value)}{'' if name in ('/min', '%') else ' '}{name}".strip()
