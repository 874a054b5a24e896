"""Many cases as a table of lines; laid out here, as a rich table of thousands of rows takes seconds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.many.brief import Brief, BriefDrug
from voicelog.views.screen import printable
from voicelog.views.units import written_number, written_unit

if TYPE_CHECKING:
    from rich.console import Console

# Each state has a sign, a word and a colour, so that none is told by colour alone.
STATES = {
    "closed": ("● closed", "green"),
    "open": ("▲ open", "bold yellow"),
    "damaged": ("✕ damaged", "bold red"),
    "foreign": ("– not a case", "dim"),
}
_MARKS = {"unconfirmed": "▲", "proposed": "○"}
LEGEND = "▲ a drug that nobody confirmed, ○ one still proposed"
_STATE_WIDTH = max(len(words) for words, _ in STATES.values())
_WHEN_WIDTH = len("2026-11-25 10:30")
_OPEN_WIDTH = len("open")
_SIGNED = "signed off"
_NARROW = 130
"""Columns below which a case takes two lines."""
_LINES_AT_ONCE = 500

Parts = list[tuple[str, str]]
"""Pieces of a line, each with its style."""


def drug_text(drug: BriefDrug) -> str:
    """One dose on the list; what nobody confirmed says so."""
    dose = "" if drug.dose is None else f" {written_number(drug.dose)} {written_unit(drug.unit)}".rstrip()
    # The sign stands first, so that no cut takes it away.
    mark = "" if drug.status == "confirmed" else f"{_MARKS.get(drug.status, '?')} "
    return printable(f"{mark}{drug.drug}{dose}")


def drugs_text(brief: Brief) -> str:
    """Every dose on the list, those alike counted."""
    counted: dict[str, int] = {}
    for drug in brief.drugs:
        text = drug_text(drug)
        counted[text] = counted.get(text, 0) + 1
    return ", ".join(text if times == 1 else f"{times} × {text}" for text, times in counted.items())


def print_list(console: Console, briefs: Sequence[Brief]) -> None:
    """A header and a line a case; two lines on a narrow terminal. Cells that do not fit are cut, and show it."""
    from rich.text import Text

    names = [printable(Path(brief.path).name) for brief in briefs]
    lines = list(
        _wide(console.width, briefs, names) if console.width >= _NARROW else _slim(console.width, briefs, names)
    )
    if not console.is_terminal:
        console.file.write("".join("".join(text for text, _ in parts).rstrip() + "\n" for parts in lines))
        return
    for at in range(0, len(lines), _LINES_AT_ONCE):
        joined = Text("\n").join(Text.assemble(*parts) for parts in lines[at : at + _LINES_AT_ONCE])
        console.print(joined, soft_wrap=True)


def _wide(width: int, briefs: Sequence[Brief], names: Sequence[str]) -> Iterator[Parts]:
    longest = max((len(name) for name in names), default=4)
    name_width = min(longest, max(16, width // 4))
    signed = [_signed(brief) for brief in briefs]
    signed_width = max(len(_SIGNED), min(width // 6, max(map(len, signed), default=0)))
    rest = width - _WHEN_WIDTH - _OPEN_WIDTH - _STATE_WIDTH - signed_width - name_width - 6 * 2
    problem_width = rest * 2 // 5
    drugs_width = rest - problem_width
    head = [("when", _WHEN_WIDTH), ("problem", problem_width), ("drugs", drugs_width), ("open", _OPEN_WIDTH)]
    head += [("state", _STATE_WIDTH), (_SIGNED, signed_width), ("file", 4)]
    yield [("  ".join(_cell(text, wide) for text, wide in head), "bold")]
    for brief, by, name in zip(briefs, signed, names, strict=True):
        state, style = STATES[brief.state]
        parts: Parts = [(f"{_when(brief)}  ", "")]
        if brief.note:
            parts.append((_cell(printable(brief.note), problem_width + 2 + drugs_width) + "  ", style))
        else:
            parts.append((_cell(_problems(brief), problem_width) + "  ", ""))
            parts.append((_cell(drugs_text(brief), drugs_width) + "  ", ""))
        parts.append((_count(brief) + "  ", "bold yellow" if brief.open_items else "dim"))
        parts += [(_cell(state, _STATE_WIDTH) + "  ", style), (_cell(by, signed_width) + "  ", "")]
        yield [*parts, (_cut(name, name_width), "")]


def _slim(width: int, briefs: Sequence[Brief], names: Sequence[str]) -> Iterator[Parts]:
    for brief, name in zip(briefs, names, strict=True):
        state, style = STATES[brief.state]
        waits = f", {brief.open_items} open" if brief.open_items else ""
        signed = f", {_SIGNED} {_signed(brief)}" if brief.signed_off else ""
        first = f"{_when(brief).strip()}  {state}{waits}{signed}".strip()
        # As many as the state may be long: the name is cut before it.
        yield [(_cut(first, width), style if not brief.open_items else "bold yellow")]
        yield [(_cut(f"  {name}", width), "dim")]
        told = printable(brief.note) or "; ".join(text for text in (_problems(brief), drugs_text(brief)) if text)
        yield [(_cut(f"  {told or 'nothing recorded'}", width), "")]


def _when(brief: Brief) -> str:
    return f"{brief.opened_at:%Y-%m-%d %H:%M}" if brief.opened_at else " " * _WHEN_WIDTH


def _signed(brief: Brief) -> str:
    """When and by whom the case was signed off; the day stands first, so that no cut takes it away."""
    return printable(f"{brief.signed_off.at:%Y-%m-%d} {brief.signed_off.by}") if brief.signed_off else ""


def _problems(brief: Brief) -> str:
    return printable(", ".join(brief.problems))


def _count(brief: Brief) -> str:
    return f"{brief.open_items if brief.is_case else '':>{_OPEN_WIDTH}}"


def _cut(text: str, width: int) -> str:
    # Plain letters take a column each: no need to look thousands of them up.
    if len(text) <= width and text.isascii():
        return text
    from rich.cells import cell_len, set_cell_size

    return text if cell_len(text) <= width else set_cell_size(text, max(width - 1, 0)).rstrip() + "…"


def _cell(text: str, width: int) -> str:
    kept = _cut(text, width)
    if kept.isascii():
        return kept.ljust(width)
    from rich.cells import cell_len

    return kept + " " * (width - cell_len(kept))
