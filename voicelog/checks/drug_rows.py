"""The rows of a protocol file about drugs; the others stand in `rows`."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Self

from pydantic import Field, model_validator

from voicelog.checks.rows import Above, Measured, Row, Severity
from voicelog.events import Route


class Repeat(Row):
    """The window in which one dose of a drug follows another."""

    drug: str
    from_min: Above
    """A dose sooner than this is asked about."""
    until_min: Above | None = None
    routes: tuple[Route, ...] = ()
    """Empty for every route."""
    in_arrest: bool | None = None
    """Only in cardiac arrest, only outside it, or null for both."""
    aloud: bool = False
    """Whether the start of the window is spoken."""


class Total(Row):
    """A sum of doses, or a number of them, above which the crew is asked."""

    drug: str
    dose: Above | None = None
    unit: str | None = None
    """A unit of mass or volume, or the same for each kilogram."""
    count: Annotated[int, Field(gt=0)] | None = None
    within_h: Above | None = None

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if (self.dose is None) != (self.unit is None) or (self.dose is None and self.count is None):
            raise ValueError("needs dose and unit, or count")
        return self


class Strength(Row):
    """A drug that comes in strengths so far apart that a dose without one is asked about."""

    drug: str
    by_route: dict[Route, str] = Field(default_factory=dict)
    """Routes that tell the strength."""
    in_arrest: str | None = None
    """The strength that is meant in cardiac arrest."""


class Challenge(Row):
    """A strength by a route that is always asked about."""

    drug: str
    concentration: str
    routes: tuple[Route, ...]
    outside_arrest_only: bool = False
    because: Annotated[str, Field(min_length=1)]
    """Spoken and shown: "undiluted"."""


class NeverUnit(Row):
    """Units in which a drug is not dosed."""

    drug: str
    units: tuple[str, ...]
    instead: str
    """The unit that may have been meant."""


class Thousandfold(Row):
    """When a dose looks like milligrams taken for micrograms, against the single-dose limit of the formulary."""

    above: Above
    """So many times the limit."""
    below: Above
    """The limit divided by so much."""


class Caution(Row):
    """A value beside which a drug is asked about."""

    drug: str
    sign: Measured
    below: Decimal | None = None
    above: Decimal | None = None
    within_min: Above


class Allergy(Row):
    """Drugs that an allergy on record is about, besides the one it names."""

    allergen: str
    """As recorded."""
    drugs: tuple[str, ...]
    severity: Severity = "ask"


class PerKilogram(Row):
    """To whom the formulary's limits by weight apply."""

    below_kg: Above
    """Children of this weight and more have the limits of an adult."""
