"""The board of a live session: few lines in plain words, to be read from two metres; nothing by colour alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from voicelog.casefile.state import CaseState, RecordedEvent, current
from voicelog.events import Medication, Milestone, Procedure, VitalSign
from voicelog.views.labels import written, written_number
from voicelog.views.screen import printable
from voicelog.views.timeline import MARKS

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

_QUIET_DBFS, _LOUD_DBFS, _BAR = -60.0, -6.0, 10
_BEHIND_S = 3.0
_NARROW = 60
_MOST_WAITING, _MOST_DRUGS = 4, 6
_RED, _YELLOW, _HEAD = "bold white on red", "bold yellow", "dim"


@dataclass(frozen=True)
class LiveStatus:
    """How the session itself is."""

    now: datetime
    """Aware."""
    level_dbfs: float
    """Of the microphone, dB full scale."""
    deaf_s: float | None = None
    """For how long nothing was heard; None while the sound comes."""
    speech: bool = False
    """Somebody speaks."""
    behind_s: float = 0.0
    """How far the recogniser is behind."""
    not_recording: str = ""
    """Why nothing can be recorded, or ''."""
    no_sound: str = ""
    """Why nothing can be said, or ''."""
    heard: str = ""
    """The words heard last."""
    answer: str = ""
    """What was said to them, or what became of them."""


def board(state: CaseState, status: LiveStatus, width: int) -> RenderableType:
    """The whole board for that width (40 columns or more); long lines are folded."""
    from rich.console import Group
    from rich.text import Text

    lines: list[Text] = [*_health(status, width), Text()]
    lines += [*_last(status), Text()]
    for title, part in (
        ("WAITS FOR CONFIRM", _waiting(state, status.now)),
        ("VITAL SIGNS", _vitals(state, status.now, width)),
        ("DRUGS", _drugs(state)),
        ("CLOCKS", _clocks(state, status.now)),
    ):
        found = list(part)
        if found:
            lines += [Text(title, _HEAD), *found]
    for line in lines:
        # Never cut: what falls off the edge of a narrow terminal may be the dose.
        line.overflow = "fold"
    return Group(*lines)


def level_bar(level: float) -> str:
    """A level in dB full scale as ten signs: empty at -60, full at -6."""
    full = round(_BAR * min(1.0, max(0.0, (level - _QUIET_DBFS) / (_LOUD_DBFS - _QUIET_DBFS))))
    return "#" * full + "-" * (_BAR - full)


def passed(span: timedelta) -> str:
    """A time that runs: 0:07, 12:05, 1:02:30."""
    seconds = max(0, int(span.total_seconds()))
    hours, rest = divmod(seconds, 3600)
    return f"{hours}:{rest // 60:02}:{rest % 60:02}" if hours else f"{rest // 60}:{rest % 60:02}"


def _health(status: LiveStatus, width: int) -> Iterator[Text]:
    from rich.text import Text

    clock = status.now.strftime("%H:%M:%S")
    if status.deaf_s is not None:
        yield Text(f" DEAF for {passed(timedelta(seconds=status.deaf_s))} - NOTHING IS HEARD ".ljust(width), _RED)
        yield Text(clock)
    else:
        doing = "HEARS SPEECH" if status.speech else "LISTENING"
        meter = f"[{level_bar(status.level_dbfs)}]"
        if width >= _NARROW:
            meter += f" {status.level_dbfs:.0f} dB"
        yield Text.assemble((f"{doing:<12}", "bold green"), f"  {clock}  ", meter)
    if status.not_recording:
        yield Text(f" NOT RECORDING: {printable(status.not_recording)} ".ljust(width), _RED)
    if status.no_sound:
        yield Text(f"NO SOUND OUT: {printable(status.no_sound)}", _YELLOW)
    if status.behind_s >= _BEHIND_S:
        yield Text(f"SLOW: {status.behind_s:.0f} seconds behind", _YELLOW)


def _last(status: LiveStatus) -> Iterator[Text]:
    from rich.text import Text

    yield Text.assemble(("HEARD  ", _HEAD), printable(status.heard) or "nothing yet")
    if status.answer:
        asks = status.answer.endswith("?")
        yield Text.assemble(("SAID   ", _HEAD), (printable(status.answer), _YELLOW if asks else "bold"))


def _waiting(state: CaseState, now: datetime) -> Iterator[Text]:
    from rich.text import Text

    waiting = [one for one in current(state) if one.status == "unconfirmed"]
    sign, style = MARKS["unconfirmed"]
    for one in waiting[-_MOST_WAITING:]:
        since = f"  {passed(now - one.event.heard_at)}" if one.event.heard_at else ""
        yield Text(f"{sign} {written(one.event)}{since}", style)
    if len(waiting) > _MOST_WAITING:
        yield Text(f"{sign} and {len(waiting) - _MOST_WAITING} more", style)


def _vitals(state: CaseState, now: datetime, width: int) -> Iterator[Text]:
    from rich.text import Text

    signs: dict[str, list[RecordedEvent]] = {}
    for one in current(state):
        if isinstance(one.event, VitalSign):
            signs.setdefault(one.event.sign, []).append(one)
    for found in signs.values():
        latest = found[-1]
        parts = [written(latest.event)]
        change = _change(found)
        if change:
            parts.append(f"({change})")
        if latest.event.occurred_at and width >= _NARROW:
            parts.append(f"  {passed(now - latest.event.occurred_at)} ago")
        yield Text.assemble((" ".join(parts), "bold"), _doubt(latest))


def _change(found: Sequence[RecordedEvent]) -> str:
    """The change since the measurement before, with its sign; '' where the two cannot be compared."""
    if len(found) < 2:
        return ""
    before, latest = found[-2].event, found[-1].event
    assert isinstance(before, VitalSign)
    assert isinstance(latest, VitalSign)
    if before.unit != latest.unit:
        return ""
    if latest.systolic is None or before.systolic is None:
        return _signed((latest.value or Decimal(0)) - (before.value or Decimal(0)))
    change = _signed(Decimal(latest.systolic - before.systolic))
    if latest.diastolic is None or before.diastolic is None:
        return change
    return f"{change}/{_signed(Decimal(latest.diastolic - before.diastolic))}"


def _signed(change: Decimal) -> str:
    number = written_number(abs(change))
    return f"+{number}" if change > 0 else f"-{number}" if change < 0 else "same"


def _drugs(state: CaseState) -> Iterator[Text]:
    from rich.text import Text

    drugs = [one for one in current(state) if isinstance(one.event, Medication)]
    if len(drugs) > _MOST_DRUGS:
        yield Text(f"{len(drugs) - _MOST_DRUGS} earlier", "dim")
    for one in drugs[-_MOST_DRUGS:]:
        sign, style = MARKS[one.status]
        when = one.event.occurred_at
        clock = when.strftime("%H:%M") if when else "     "
        yield Text.assemble(f"{clock}  ", (f"{sign} {one.status}", style), "  ", (written(one.event), "bold"))


def _doubt(one: RecordedEvent) -> Text:
    from rich.text import Text

    sign, style = MARKS[one.status]
    return Text(f"  {sign} {one.status}", style) if one.status == "unconfirmed" else Text()


def _clocks(state: CaseState, now: datetime) -> Iterator[Text]:
    from rich.text import Text

    standing = current(state)
    starts: list[tuple[str, datetime | None]] = [_first_contact(standing)]
    vitals = [one.event.occurred_at for one in standing if isinstance(one.event, VitalSign)]
    starts.append(("last vital sign", max((at for at in vitals if at), default=None)))
    given: dict[str, datetime | None] = {}
    for one in standing:
        if isinstance(one.event, Medication) and one.event.action == "given":
            given[one.event.drug] = one.event.occurred_at
    starts += given.items()
    for name, at in starts:
        if at is not None:
            yield Text.assemble((f"{passed(now - at):>8}", "bold"), f"  since {printable(name)}")


def _first_contact(standing: Sequence[RecordedEvent]) -> tuple[str, datetime | None]:
    """When the patient was reached, as said, or else when the first breath was given."""
    for one in standing:
        if isinstance(one.event, Milestone) and one.event.milestone == "patient_contact":
            return "patient contact", one.event.occurred_at
    for one in standing:
        if isinstance(one.event, Procedure) and one.event.procedure == "bag_valve_mask_ventilation":
            return "first ventilation", one.event.occurred_at
    return "patient contact", None
