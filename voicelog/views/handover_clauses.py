"""The clauses of a handover: single entries of a record in words that our own grammar reads back to the same values."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from voicelog.casefile.state import RecordedEvent
from voicelog.checks.course import moment_of
from voicelog.dialogue.wording import spoken, spoken_number, spoken_time
from voicelog.events import Assessment, Event, Medication, Patient, Procedure, VitalSign
from voicelog.views.labels import written

_SHORT = {"heart rate ": "pulse ", "respiratory rate ": "respirations "}
"""Shorter labels that the grammar reads as the same sign."""
_NOISES = frozenset({"wheezes", "crackles", "rhonchi", "stridor"})
"""Breath sounds that need no label."""


@dataclass(frozen=True)
class Clause:
    """One thing that is told."""

    said: str
    """Words for the ear, numbers digit by digit; for an entry those that the grammar reads back."""
    shown: str
    """The same for the eye, with units."""
    rank: int
    """0 is never left out; the higher, the sooner."""
    entries: tuple[str, ...] = ()
    """The entries that it tells; empty for what is pending without an entry of its own."""
    unconfirmed: bool = False
    """Whether one of them was not confirmed."""
    missing: tuple[str, ...] = ()
    """What such an entry should tell and does not, ``route not recorded``."""
    at: datetime | None = None
    """When it happened; None for what has no single time."""

    @property
    def spoken(self) -> str:
        """With the word for its state before, and what it lacks after it."""
        return self._with_state(self.said)

    @property
    def written(self) -> str:
        """As `spoken`, for the eye."""
        return self._with_state(self.shown)

    def _with_state(self, text: str) -> str:
        return ", ".join([f"unconfirmed {text}" if self.unconfirmed else text, *self.missing])


def event_clause(entry: RecordedEvent, rank: int, *, timed: bool = False) -> Clause:
    """One entry; with its time where that is wanted."""
    return merged_clause(entry.event, (entry,), rank, timed=timed)


def merged_clause(event: Event, entries: Sequence[RecordedEvent], rank: int, *, timed: bool = False) -> Clause:
    """Something that entries say together, such as an age and a sex that were said apart."""
    at = moment_of(entries[-1])
    label = ("lot", "expiry", "appearance", "checked_by", "witness") if isinstance(event, Medication) else ()
    # Half a minute has no room for what was read off a label; it stays in the record.
    bare = event.model_copy(update=dict.fromkeys(("stated_time", *label)))
    said, shown = _said(bare), _shown(bare)
    if timed and at:
        said, shown = f"{said} at {spoken_time(f'{at:%H:%M}')}", f"{shown} at {at:%H:%M}"
    unconfirmed = any(entry.status != "confirmed" for entry in entries)
    return Clause(said, shown, rank, tuple(entry.id for entry in entries), unconfirmed, _missing(bare, at), at)


def in_order(entries: Iterable[RecordedEvent]) -> list[RecordedEvent]:
    """Entries earliest first, those without a time before the others."""
    return sorted(entries, key=lambda entry: (_placed(entry), entry.seq))


def _placed(entry: RecordedEvent) -> datetime:
    """When an entry happened; for a stated time, which has no seconds, when it was heard if that was in its minute."""
    at, heard = moment_of(entry), entry.event.heard_at
    if at is None:
        return datetime.min.replace(tzinfo=UTC)
    return heard if heard and at <= heard < at + timedelta(minutes=1) else at


def _said(event: Event) -> str:
    try:
        match event:
            case Patient(age=int(age)):
                old = f"{spoken_number(age)} {event.age_unit or 'year'} old"
                return f"{old} {event.sex}" if event.sex else old
            case Patient(weight_kg=weight) if weight is not None:
                return f"weight {spoken_number(weight)} kilograms"
            case Patient():
                return spoken(event).removeprefix("patient ")
            case Assessment(finding="glasgow_coma_scale", total=int(total)):
                return f"coma scale {spoken_number(total)}"
            case Assessment(finding="breath_sounds", sound=sound) if sound in _NOISES:
                return spoken(event).removeprefix("breath sounds ")
            case Procedure(procedure="bag_valve_mask_ventilation"):
                return spoken(event).removeprefix("bag valve mask ")
            case VitalSign():
                text = spoken(event)
                if event.sign == "oxygen_saturation":
                    return text.replace(" percent", "", 1)
                label = next((label for label in _SHORT if text.startswith(label)), "")
                return _SHORT.get(label, "") + text.removeprefix(label)
            case _:
                return spoken(event)
    except KeyError:
        # A unit that the grammar does not have, from another program's record, is told as it stands.
        return written(event)


def _shown(event: Event) -> str:
    if isinstance(event, Patient) and event.age is not None:
        old = f"{event.age} {event.age_unit or 'year'} old"
        return f"{old} {event.sex}" if event.sex else old
    return written(event).removeprefix("patient ")


def _missing(event: Event, at: datetime | None) -> tuple[str, ...]:
    """What a dose or a procedure does not tell."""
    lacks = []
    if isinstance(event, Medication) and event.action == "given":
        lacks += ["dose not recorded"] if event.dose is None and event.volume_ml is None else []
        lacks += ["route not recorded"] if event.route is None else []
    if isinstance(event, Medication | Procedure) and at is None:
        lacks.append("time not recorded")
    return tuple(lacks)
