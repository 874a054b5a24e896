"""A case told in half a minute, in two trade orders; what does not fit stays in the record, and that is said."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, Literal, get_args

from voicelog.casefile.state import CaseState
from voicelog.checks.protocol import Protocol
from voicelog.grammar.model import Drug
from voicelog.views.handover_clauses import Clause
from voicelog.views.handover_parts import PENDING, Part, parts_of

Format = Literal["sbar", "mist"]
FORMATS = get_args(Format)
WORDS_A_MINUTE = 150
"""An unhurried reading pace (issue text)."""
MOST_WORDS = 75
"""Half a minute at that pace."""
MORE = "More in the record."
_LAYOUTS: dict[Format, tuple[tuple[str, str, tuple[str, ...]], ...]] = {
    "sbar": (
        ("situation", "Situation", ("patient",)),
        ("background", "Background", ("background", "findings_before", "vitals_before", "drugs")),
        ("assessment", "Assessment", ("findings_after", "vitals_after", "procedures", "remarks")),
        # The fourth letter asks for a recommendation; voicelog makes none and tells what is open instead.
        ("pending", "Pending", ("pending",)),
    ),
    "mist": (
        ("complaint", "Medical complaint", ("patient", "background")),
        ("illness", "Illness", ("findings_before", "findings_after", "remarks")),
        ("signs", "Signs", ("vitals_before", "vitals_after")),
        ("treatment", "Treatment", ("drugs", "procedures")),
        ("pending", "Pending", ("pending",)),
    ),
}


@dataclass(frozen=True)
class Section:
    """One letter of the format."""

    name: str
    title: str
    parts: tuple[Part, ...]
    """Those with clauses in them."""

    @property
    def clauses(self) -> tuple[Clause, ...]:
        """Every clause, in the order told."""
        return tuple(clause for part in self.parts for clause in part.clauses)

    def lines(self, *, aloud: bool, after: str = "") -> list[str]:
        """A sentence a part, for the ear or for the eye; the first without its lead where that was said last."""
        found: list[tuple[str, list[str]]] = []
        for part in self.parts:
            texts = [clause.spoken if aloud else clause.written for clause in part.clauses]
            # On the page the title of the section says it already.
            lead = part.lead if aloud or part.lead != PENDING else ""
            if found and found[-1][0] == lead:
                found[-1][1].extend(texts)
            else:
                found.append((lead, texts))
        if found and found[0][0] == after:
            found[0] = ("", found[0][1])
        said = [f"{lead}: {', '.join(texts)}" if lead else ", ".join(texts) for lead, texts in found]
        return [f"{text[:1].upper()}{text[1:]}." for text in said]


@dataclass(frozen=True)
class Handover:
    """A handover of a case as it stood at a moment."""

    format: Format
    as_of: datetime
    """The moment."""
    sections: tuple[Section, ...]
    """Those in which there is something to tell."""
    left_out: tuple[Clause, ...] = ()
    """What did not fit, the most important first."""

    @property
    def spoken(self) -> str:
        """The whole as it is said; the titles of the sections are not."""
        lines: list[str] = []
        lead = ""
        for section in self.sections:
            lines += section.lines(aloud=True, after=lead)
            lead = section.parts[-1].lead
        return " ".join([*lines, MORE] if self.left_out else lines)

    @property
    def words(self) -> int:
        """How many words are said."""
        return len(self.spoken.split())

    @property
    def seconds(self) -> Decimal:
        """How long they take, at 150 words a minute."""
        return Decimal(self.words * 60) / WORDS_A_MINUTE


def handover(
    state: CaseState, protocol: Protocol, drugs: Mapping[str, Drug], now: datetime, form: Format = "sbar"
) -> Handover:
    """What can be said of a case in 75 words, the most important first; every drug given, however many words it takes.

    Args:
        state: the case.
        protocol: the rules of what is due.
        drugs: the formulary, by generic name.
        now: the moment; what happened later is not told.
        form: the order of the sections.
    """
    parts = parts_of(state, protocol, drugs, now)
    clauses = [clause for _, _, names in _LAYOUTS[form] for name in names for clause in parts[name].clauses]
    by_rank = sorted(clauses, key=lambda clause: clause.rank)
    kept: list[Clause] = []
    full_at: int | None = None
    for clause in by_rank:
        # Nothing slips in because it is short while something more important was left out.
        if full_at is not None and clause.rank > full_at:
            break
        more = [*kept, clause]
        if clause.rank == 0 or _report(form, now, parts, more, by_rank).words <= MOST_WORDS:
            kept = more
        else:
            full_at = clause.rank
    return _report(form, now, parts, kept, by_rank)


def plain_handover(told: Handover, caution: str) -> dict[str, Any]:
    """The object that ``voicelog handover --json`` prints."""
    return {
        "type": "handover",
        "format": told.format,
        "as_of": told.as_of,
        "spoken": told.spoken,
        "words": told.words,
        "seconds": told.seconds,
        "sections": [
            {
                "name": section.name,
                "title": section.title,
                "text": " ".join(section.lines(aloud=False)),
                "spoken": " ".join(section.lines(aloud=True)),
                "clauses": [{**_plain(clause), "lead": part.lead} for part in section.parts for clause in part.clauses],
            }
            for section in told.sections
        ],
        "left_out": [_plain(clause) for clause in told.left_out],
        "caution": caution,
    }


def _report(
    form: Format, now: datetime, parts: Mapping[str, Part], kept: Collection[Clause], ranked: Sequence[Clause]
) -> Handover:
    sections = []
    for name, title, names in _LAYOUTS[form]:
        chosen = (Part(parts[one].lead, tuple(c for c in parts[one].clauses if c in kept)) for one in names)
        filled = tuple(part for part in chosen if part.clauses)
        if filled:
            sections.append(Section(name, title, filled))
    return Handover(form, now, tuple(sections), tuple(clause for clause in ranked if clause not in kept))


def _plain(clause: Clause) -> dict[str, Any]:
    return {
        "text": clause.written,
        "spoken": clause.spoken,
        "entries": list(clause.entries),
        "confirmed": not clause.unconfirmed,
        "at": clause.at,
    }
