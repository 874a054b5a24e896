"""From a spoken clock time to a moment, near when it was heard."""

from __future__ import annotations

from datetime import datetime, timedelta

CLOSE = timedelta(hours=2)
"""A twelve-hour reading is taken only when it lies this near and the twenty-four-hour one does not, and a moment later
than when it was heard only within this."""


def moment_of(clock: str, heard_at: datetime) -> datetime:
    """The moment that a spoken "HH:MM" means: the nearest such time to when it was heard, across midnight if need be.

    "Ten forty five" heard shortly before eleven at night is 22:45, because 10:45 lies half a day away. Hours that only
    a twenty-four-hour clock has (0, 13 and up) are never moved by half a day.
    """
    hour, minute = (int(part) for part in clock.split(":"))
    said = heard_at.replace(hour=hour, minute=minute, second=0, microsecond=0)
    nearest = _nearest(said, heard_at)
    if abs(nearest - heard_at) <= CLOSE or not 1 <= hour <= 12:
        return nearest
    other = _nearest(said + timedelta(hours=12), heard_at)
    return other if abs(other - heard_at) <= CLOSE else nearest


def _nearest(said: datetime, heard_at: datetime) -> datetime:
    days = [said + timedelta(days=day) for day in (-2, -1, 0, 1)]
    return min((day for day in days if day - heard_at <= CLOSE), key=lambda moment: abs(moment - heard_at))
