"""When the soft pacing tone sounds: at the protocol's pause between breaths, and never over words."""

from __future__ import annotations

from voicelog.checks.clocks import Pace


class Pacer:
    """Keeps the beat. A beat that falls on words is left out; the next one keeps its time."""

    def __init__(self) -> None:
        self._pace: Pace | None = None
        self._next = 0.0

    def stop(self) -> None:
        """Forget the beat; it is told anew when it starts again."""
        self._pace = None

    def step(self, pace: Pace | None, now: float, words: bool) -> tuple[str, bool]:
        """What to say and whether to sound the tone now.

        Args:
            pace: by the protocol; None while nobody ventilates.
            now: seconds on any steady clock.
            words: whether somebody speaks, voicelog too.

        Returns:
            Words that tell a new pace, '' for none, and whether a breath is due.
        """
        if pace is None:
            self.stop()
            return "", False
        every = float(pace.every_s)
        if pace != self._pace:
            if words:
                return "", False
            self._pace, self._next = pace, now + every
            return f"Pacing {pace.for_ear}.", False
        if now < self._next:
            return "", False
        self._next += every * (1 + (now - self._next) // every)
        return "", not words
