"""The rows of a protocol file: one small closed model a section, each row with its source and date."""

from __future__ import annotations

import datetime
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from voicelog.events import Sign

Severity = Literal["alarm", "ask", "note"]
"""``alarm`` is spoken at once and loudly, ``ask`` waits for a spoken confirm, ``note`` is told and shown."""
AgeUnit = Literal["day", "month", "year"]
AGE_DAYS: dict[AgeUnit, Decimal] = {"day": Decimal(1), "month": Decimal("30.4375"), "year": Decimal("365.25")}
"""Days in a unit of age, by the Julian year of 365.25 days; an age said is rounded more coarsely than that."""
Measured = Sign | Literal["systolic", "diastolic"]
"""What a limit of a rule may be about."""
Above = Annotated[Decimal, Field(gt=0, le=1_000_000)]


def _age(text: str) -> str:
    age_in_days(text)
    return text


def age_in_days(text: str) -> Decimal:
    """Days of an age written as ``28 days``, ``12 months`` or ``1 year``.

    Raises:
        ValueError: for anything else.
    """
    number, _, unit = text.partition(" ")
    days = next((days for name, days in AGE_DAYS.items() if unit.removesuffix("s") == name), None)
    if days is None or not number.isdigit():
        raise ValueError('write an age as "28 days", "12 months" or "1 year"')
    return int(number) * days


Age = Annotated[str, AfterValidator(_age)]


class Row(BaseModel):
    """What every row has."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    name: str
    """The key of its table."""
    source: Annotated[str, Field(min_length=1)]
    """Where its numbers come from; "from memory" where nobody looked them up."""
    date: datetime.date
    """When they were last looked at."""

    @property
    def cited(self) -> str:
        """Source and date in one text."""
        return f"{self.source} ({self.date})"


class Span(BaseModel):
    """The values from low to high, both included."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    low: Decimal
    high: Decimal

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low {self.low} is above high {self.high}")
        return self

    def holds(self, value: Decimal | int) -> bool:
        """Whether the value lies in it."""
        return self.low <= value <= self.high


class Off(Row):
    """Takes a shipped row out of force."""

    off: Literal[True]


class Limit(Row):
    """Values outside are impossible: they cannot be entered in the national record."""

    sign: Measured
    unit: str
    """UCUM; a value in a unit that converts is compared in this one."""
    span: Span


class AgeBand(Row):
    """One age band: its normal values, and how far outside them a value is asked about."""

    from_age: Age
    below_age: Age | None = None
    child: bool = False
    """Whether doses by weight are looked at."""
    normal: dict[Measured, Span] = Field(default_factory=dict)
    """Normal values awake; shown beside a value, never a reason to ask."""
    ask_outside: dict[Measured, Span] = Field(default_factory=dict)
    """Values outside are more often misheard than measured."""
    hypotension_below: Above | None = None
    """Systolic mm[Hg]."""
    hypotension_per_year: Decimal = Decimal(0)
    """Added to it for each full year of age."""

    def covers(self, days: Decimal) -> bool:
        """Whether an age in days lies in the band."""
        return age_in_days(self.from_age) <= days and (self.below_age is None or days < age_in_days(self.below_age))


class Change(Row):
    """A change since the last value that is asked about."""

    sign: Measured
    within_min: Above
    """Minutes between the two values at the most."""
    factor: Above
    """The larger is at least this many times the smaller, and"""
    at_least: Above
    """they differ by this much, in the unit of the sign."""
    direction: Literal["both", "down"] = "both"
    slip_at_least: Above | None = None
    """Two values that differ in one digit, or by a leading one, and by this much may be the same value misheard."""
    teen_ten_at_least: Above | None = None
    """Two values that sound alike, as 118 and 180 do, and differ by this much are asked about."""
    unless_between: tuple[str, ...] = ()
    """Drugs given, procedures and findings that explain a change when they lie between the two values."""


class UnitDoubt(Row):
    """A value that fits another unit than the one it was said in."""

    sign: Sign
    unit: str
    instead: str
    above: Decimal | None = None
    below: Decimal | None = None
    whole_only: bool = False
    """Whether a fraction is a doubt by itself."""


class RhythmRate(Row):
    """A heart rate that a rhythm cannot have."""

    rhythm: str
    """The rhythm as recorded."""
    above: Decimal | None = None
    below: Decimal | None = None


class LevelTotal(Row):
    """The coma scale totals that go with a level of responsiveness."""

    level: Literal["alert", "verbal", "pain", "unresponsive"]
    span: Span


class Minutes(Row):
    """A span of time that a check uses."""

    minutes: Above


class Percent(Row):
    """A tolerance."""

    percent: Above


class BeforeDrug(Row):
    """How long ventilation goes on before a drug."""

    drug: str
    minutes: Above


class AfterDrug(Row):
    """Values that are due after a drug."""

    minutes: Above
    signs: Annotated[tuple[Sign, ...], Field(min_length=1)]
    drugs: tuple[str, ...] = ()
    """Empty for every drug."""
    besides: tuple[str, ...] = ()
    """Drugs it is not about."""


class ResumeAfter(Row):
    """Ventilation that was paused for a drug is taken up again."""

    drugs: tuple[str, ...] = ()
    """Empty for every drug."""
    minutes: Above
    paused_within_min: Above
    """How long before the drug the pause may have begun."""


class Unstable(Row):
    """One thing that makes a patient count as unstable."""

    sign: Measured | None = None
    below: Decimal | None = None
    above: Decimal | None = None
    levels: tuple[Literal["verbal", "pain", "unresponsive"], ...] = ()
    ventilated: bool = False
    arrest: bool = False
    hypotension: bool = False


class Cycle(Row):
    """Something that comes round while a procedure goes on."""

    minutes: Above
    during: Literal["cardiopulmonary_resuscitation", "bag_valve_mask_ventilation"]
    since_sign: Sign | None = None
    """Counted from the last such value too, where there is one."""
    aloud: bool = True


class Pacing(Row):
    """How far apart breaths are."""

    from_age: Age
    below_age: Age | None = None
    every_s: Above


class Band(Row):
    """Values from which a score is low or of concern."""

    low_below: Decimal | None = None
    high_from: Decimal | None = None


class Fresh(Row):
    """How far apart the inputs of a score may be, and the saturation scale it uses."""

    within_min: Above
    scale: Literal[1, 2] = 1
