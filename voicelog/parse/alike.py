"""What a drug or a dose may be mistaken for by ear, so that the read-back can set it apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from voicelog.checks.doses import limit_passed
from voicelog.events import Medication
from voicelog.grammar.model import Drug
from voicelog.grammar.numbers import mistakable
from voicelog.parse.result import Draft

MOST_LETTERS = 6
"""A name that takes more letters to set apart, as albuterol from albuterol with ipratropium, is clearer said whole."""


def set_apart(draft: Draft, drug: Drug) -> Draft:
    """The draft of a medication with what sets its drug and its dose apart from those that sound like them."""
    event = draft.event
    assert isinstance(event, Medication)
    return replace(draft, spelled=letters_apart(drug.name, drug.sounds_like), not_dose=_other_dose(event, drug))


def letters_apart(name: str, others: Sequence[str]) -> str:
    """The first letters of a name, up to the one in which it differs from each other name: ``keta``; '' for none.

    Words that it shares with another name are left out: of calcium chloride beside calcium gluconate, ``c``.
    """
    if not others:
        return ""
    shared = max(_shared(name, other) for other in others)
    word = name.rfind(" ", 0, shared + 1) + 1
    letters = name[word : shared + 1]
    return letters if len(letters) <= MOST_LETTERS else ""


def _shared(name: str, other: str) -> int:
    """How many letters two names have in common at their beginning."""
    return next((n for n, (a, b) in enumerate(zip(name, other, strict=False)) if a != b), min(len(name), len(other)))


def _other_dose(event: Medication, drug: Drug) -> Decimal | None:
    """The dose this one may be mistaken for, unless that is too large to be one dose of this drug."""
    evidence = event.evidence.get("dose")
    if event.dose is None or evidence is None:
        return None
    other = mistakable(evidence.words.split())
    if other is None or limit_passed(drug, other, event.unit or "", event.route):
        return None
    return other
