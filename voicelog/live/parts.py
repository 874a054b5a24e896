"""What a live session is made of, and where its sound lies on the case's clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from voicelog.live.clock import CaseTime

if TYPE_CHECKING:
    from voicelog.audio.clock import SampleClock
    from voicelog.audio.microphone import Microphone
    from voicelog.live.case import LiveCase
    from voicelog.live.hearing import HearingThread
    from voicelog.live.mouth import Mouth
    from voicelog.live.recorder import Recorder
    from voicelog.live.show import Show
    from voicelog.session import Session


@dataclass
class Place:
    """Where the microphone's samples lie; set when the first of them comes."""

    first: int | None = None
    """The case's number of the microphone's sample 0."""


@dataclass(frozen=True)
class Parts:
    """What a live session is made of, each open and ready."""

    case: LiveCase
    session: Session
    clock: SampleClock
    microphone: Microphone
    hearing: HearingThread
    recorder: Recorder
    mouth: Mouth
    show: Show
    full_duplex: bool = False
    """Take everything as said: the microphone does not hear the loudspeaker."""
    resumed_at: int = 0
    """Sound before this sample was stored by a session that was broken off."""
    time: CaseTime = field(default_factory=CaseTime)
    """What tells the time."""
    place: Place = field(default_factory=Place)
    """Changed by the loop alone."""

    def now(self) -> datetime:
        """The time of the session, in the time zone of the case; it never steps back."""
        return self.time.now().astimezone(self.clock.started_at.tzinfo)

    def seconds_at(self, monotonic: float) -> Decimal:
        """From ``time.monotonic()`` to seconds on the case's clock."""
        return self.clock.seconds((self.place.first or 0) + self.microphone.sample_at(monotonic))

    def happened(self, kind: str, text: str) -> None:
        """Show something about the session itself."""
        self.show.happened(kind, self.now(), text)
