"""What is said and when: read-backs, questions, tones and alarms, so that the crew can work by ear alone."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from voicelog.casefile.chain import EntryDraft
from voicelog.dialogue.echo import Sounded
from voicelog.speech.voices import MUTE

if TYPE_CHECKING:
    from collections.abc import Callable
    from decimal import Decimal

    from voicelog.speech.speaker import Speaker

ALARM_EVERY_S = 5.0
"""How often the alarm sounds while nothing can be heard or recorded."""
_SPOKEN = {"read_back", "question", "notice"}
_CLOSE_WITHIN_S = 10.0


class Mouth:
    """Speaks for the session."""

    def __init__(self, speaker: Speaker, voice: str) -> None:
        self.latest = ""
        """What was said last."""
        self._speaker, self._mute = speaker, voice == MUTE
        self._answers_to_speech: set[str] = set()
        self._next_alarm = self._told_until = 0.0

    @property
    def failure(self) -> str:
        """Why nothing can be heard, or ''."""
        return self._speaker.failure or ""

    @property
    def speaking(self) -> bool:
        """Whether something sounds or is about to."""
        return self._speaker.speaking

    def answer(self, entries: Sequence[EntryDraft], over: str = "", prefix: str = "") -> None:
        """Say what an utterance led to.

        Args:
            entries: as entered.
            over: what was said while it was heard. An answer to words that were heard through such an answer is only a
                tone: voicelog must not talk with itself.
            prefix: said before it.
        """
        texts = [str(entry.body["text"]) for entry in entries if entry.type in _SPOKEN]
        if not texts:
            return
        asks = any(entry.type == "question" for entry in entries) or texts[-1].endswith("Confirm?")
        text = " ".join([prefix, *texts]).strip()
        self.latest = text
        if self._mute or any(said in over for said in self._answers_to_speech):
            self._speaker.tone("ask" if asks else "heard")
            return
        if over:
            self._answers_to_speech.add(text)
        if any(entry.type == "question" for entry in entries):
            self._speaker.tone("ask")
        self._speaker.say(text)

    def tell(self, text: str, *, urgent: bool = False) -> None:
        """Say something of voicelog itself."""
        self.latest = text
        self._speaker.say(text, urgent=urgent)

    def breath(self) -> None:
        """The soft tone of one breath."""
        self._speaker.tone("breath")

    def recovered(self, text: str) -> None:
        """Tell that it works again."""
        self._speaker.tone("recovered")
        self.tell(text)

    def alarm(self, *, at_once: bool = False) -> None:
        """Sound the alarm, every five seconds however often it is called; never two of them in the queue."""
        now = time.monotonic()
        if (at_once or now >= self._next_alarm) and "tone alarm" not in self._speaker.waiting:
            self._next_alarm = now + ALARM_EVERY_S
            self._speaker.tone("alarm")

    def sounded(self, seconds_at: Callable[[float], Decimal]) -> Iterable[Sounded]:
        """What was said lately, tones left out.

        Args:
            seconds_at: from ``time.monotonic()`` to seconds on the case's clock.
        """
        for start, end, text in self._speaker.spans():
            if not text.startswith("tone "):
                yield Sounded(seconds_at(start), seconds_at(end), text)

    def finished(self) -> list[tuple[float, float, str]]:
        """What was said to its end since the last call: start and end by ``time.monotonic()``, and the words."""
        now = time.monotonic()
        spans = [span for span in self._speaker.spans() if span[0] > self._told_until and span[1] < now]
        if spans:
            self._told_until = spans[-1][0]
        return [span for span in spans if not span[2].startswith("tone ")]

    def close(self) -> None:
        """Let what is queued be heard, then be silent."""
        self._speaker.close(0.0 if self._speaker.failure else _CLOSE_WITHIN_S)
