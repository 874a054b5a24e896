"""Fits the callout card to one page: estimates heights, shares sections among columns, finds how many words have room.

Estimates are for Letter landscape, the tighter of the two papers for this text, in the type of ``card.css``; the test
with a real browser shows whether they hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise
from math import ceil
from textwrap import wrap
from typing import TypeVar

from voicelog.views.card_sections import Row, Section, shortened

_Part = TypeVar("_Part")
COLUMNS = 4
DRUG_COLUMNS = 9
PAGE_MM = 201.5
"""Height between the margins of Letter landscape, 204 mm, less a line for a long footer."""
FIXED_MM = 22.0
"""Title, caution, footer, and the heading and note of the drug list."""
SAYING_MM, VALUES_MM, LABEL_MM = 3.12, 2.68, 2.65
"""Height of a line of each."""
HEADING_MM, ROW_MM = 4.5, 0.16
"""A heading with the gap above it; a row's rule."""
SAYING_LETTERS, NARROW_SAYING_LETTERS, LABEL_LETTERS, VALUE_LETTERS = 34, 37, 16, 54
"""Letters in a line; in a section of short labels the sayings have more room."""
DRUG_LETTERS = 22
VALUES_AT_FIRST = 4
"""Listed words for one field when the sections are shared among the columns."""
VALUES_TRIED = (99, 40, 30, 24, 20, 18, 16, 14, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 0)
"""Listed words for one field, the most first; the last is taken whether or not it fits."""
NARROW_WORD = 10
"""Letters; where no word of a section's labels is longer, the labels take less room."""


def is_narrow(section: Section) -> bool:
    """Whether every word of its labels is short."""
    return all(len(word) <= NARROW_WORD for row in section.rows if row.sayings for word in row.label.split())


def columns(sections: Sequence[Section], drugs: Sequence[str]) -> list[list[Section]]:
    """The sections in order, cut into columns of like height, each with as many listed words as it has room for.

    Args:
        sections: with every listed word.
        drugs: the drug list below the columns, each as printed.
    """
    room = PAGE_MM - FIXED_MM - ceil(sum(_lines(drug, DRUG_LETTERS) for drug in drugs) / DRUG_COLUMNS) * LABEL_MM
    heights = [section_mm(shortened(section, VALUES_AT_FIRST)) for section in sections]
    places = range(1, len(sections))
    cuts = min(
        combinations(places, min(COLUMNS - 1, len(places))),
        key=lambda cut: max(sum(part) for part in _cut(heights, cut)),
    )
    return [_filled(column, room) for column in _cut(sections, cuts)]


def _filled(column: Sequence[Section], room: float) -> list[Section]:
    for most in VALUES_TRIED:
        short = [shortened(section, most) for section in column]
        if sum(map(section_mm, short)) <= room:
            break
    return short


def section_mm(section: Section) -> float:
    """Estimated height of a section in print."""
    letters = NARROW_SAYING_LETTERS if is_narrow(section) else SAYING_LETTERS
    note = _lines(section.note, VALUE_LETTERS) * VALUES_MM
    return HEADING_MM + note + sum(_row_mm(row, letters, section.run_in) for row in section.rows)


def _row_mm(row: Row, letters: int, run_in: bool) -> float:
    said = " / ".join(saying.text for saying in row.sayings)
    listed = "; ".join(", ".join(group) for group in row.values)
    if run_in or not said:
        return ROW_MM + _lines(f"{row.label}: {said}{listed}", VALUE_LETTERS) * VALUES_MM
    beside = max(_lines(said, letters) * SAYING_MM, _lines(row.label, LABEL_LETTERS) * LABEL_MM)
    return ROW_MM + beside + _lines(listed, VALUE_LETTERS) * VALUES_MM


def _lines(text: str, letters: int) -> int:
    return len(wrap(text, letters))


def _cut(parts: Sequence[_Part], cuts: Sequence[int]) -> list[Sequence[_Part]]:
    edges = [0, *cuts, len(parts)]
    return [parts[start:end] for start, end in pairwise(edges)]
