"""A case as a timeline, its drugs with their state, and what is still open; for a terminal, with or without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicelog.events import Medication
from voicelog.views.labels import written
from voicelog.views.screen import printable

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from voicelog.casefile.state import CaseState, RecordedEvent

# Each state has a sign, a word and a colour, so that none is told by colour alone.
MARKS = {
    "confirmed": ("●", "green"),
    "unconfirmed": ("▲", "bold yellow"),
    "proposed": ("○", "cyan"),
    "amended": ("↷", "dim"),
    "rejected": ("✕", "dim"),
}


def _mark(event: RecordedEvent) -> tuple[str, str]:
    sign, style = MARKS[event.status]
    return f"{sign} {event.status}", style


def timeline_table(state: CaseState) -> RenderableType:
    """Every event ever recorded, in order of entry, with what became of it."""
    from rich.table import Table
    from rich.text import Text

    table = Table(title="Timeline", title_justify="left", expand=False, pad_edge=False, box=None, show_edge=False)
    table.add_column("time", no_wrap=True)
    table.add_column("entry", no_wrap=True)
    table.add_column("what", overflow="fold")
    table.add_column("state", no_wrap=True)
    table.add_column("notes", overflow="fold")
    for recorded in state.events:
        state_text, style = _mark(recorded)
        struck = recorded.status in ("amended", "rejected")
        when = recorded.event.occurred_at
        notes = [flag.replace("_", " ") for flag in recorded.flags]
        if recorded.amends:
            notes.insert(0, f"corrects {recorded.amends}")
        if recorded.event.stated_time:
            notes.append(f"time said: {recorded.event.stated_time}")
        if struck and recorded.basis:
            notes.append(recorded.basis)
        table.add_row(
            when.strftime("%H:%M:%S") if when else "",
            Text(printable(recorded.id)),
            Text(written(recorded.event), style="dim" if struck else ""),
            Text(state_text, style=style),
            Text(printable(", ".join(notes)), style="dim"),
        )
    return table


def open_items(state: CaseState) -> list[str]:
    """What still needs a person, one line each."""
    items = [
        f"{printable(e.id)} {written(e.event)}: never confirmed" for e in state.events if e.status == "unconfirmed"
    ]
    if not state.closed:
        items.append("the case is not closed")
    return items


def print_case(console: Console, state: CaseState) -> None:
    """The timeline, the drugs with their state, and what is open."""
    from rich.text import Text

    console.print(timeline_table(state))
    console.print()
    console.print("Drugs", style="italic")
    drugs = [e for e in state.events if isinstance(e.event, Medication) and e.status not in ("amended", "rejected")]
    for recorded in drugs:
        state_text, style = _mark(recorded)
        when = recorded.event.occurred_at
        clock = when.strftime("%H:%M:%S") if when else "        "
        console.print(Text.assemble(f"  {clock}  {written(recorded.event)}  ", (state_text, style)), soft_wrap=True)
    if not drugs:
        console.print("  none", style="dim")
    console.print()
    console.print("Open", style="italic")
    items = open_items(state)
    for item in items:
        console.print(Text(f"  ▲ {item}", style="bold yellow"), soft_wrap=True)
    if not items:
        console.print("  nothing", style="dim")
