"""From a spoken clock time to a moment, near when it was heard."""

from __future__ import annotations

from datetime import datetime, timedelta

CLOSE = timedelta(hours=2)
"""A twelve-hour reading is taken only when it lies this near and the twenty-four-hour one does not."""


def moment_of(clock: str, heard_at: datetime) -> datetime:
    """The moment that a spoken "HH:MM" means: the nearest such time to when it was heard, across midnight if need be.

    "Ten forty five" heard shortly before eleven at night is 22:45, because 10:45 lies half a day away.
    """
    hour, minute = (int(part) for part in clock.split(":"))
    today = heard_at.replace(hour=hour, minute=minute, second=0, microsecond=0)
    days = [today + timedelta(days=day) for day in (-1, 0, 1)]
    nearest = min(days, key=lambda moment: abs(moment - heard_at))
    if abs(nearest - heard_at) <= CLOSE or hour > 12:
        return nearest
    shifted = [moment + timedelta(hours=12) for moment in days] + [moment - timedelta(hours=12) for moment in days]
    other = min(shifted, key=lambda moment: abs(moment - heard_at))
    return other if abs(other - heard_at) <= CLOSE else nearest
