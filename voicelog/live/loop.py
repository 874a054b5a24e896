"""The loop of a live session: one thread owns the case file, the dialogue and the board; it never waits long."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import TYPE_CHECKING

from voicelog.audio.microphone import Block, Deaf, Lost, Recovered
from voicelog.casefile.chain import EntryDraft
from voicelog.defects import place_of
from voicelog.errors import RecogniserError
from voicelog.live.clock import Sleep, sample_at
from voicelog.live.hearing import Opinion
from voicelog.live.talk import Talk
from voicelog.views.board import LiveStatus

if TYPE_CHECKING:
    from voicelog.audio.microphone import Heard
    from voicelog.live.parts import Parts

_READ_S = 0.04
_TICK_S = 0.1
_SETTLE_S = 0.7
_FINISH_S = 20.0
_TOLD_S = 1.0
_AGAIN_S = 30.0
_SLOW_S = 5.0


class Live:
    """One session from the first sample to the last."""

    def __init__(self, parts: Parts) -> None:
        self.stopping = False
        """Set by a signal: end in good order."""
        self._p = parts
        self._deaf: Deaf | None = None
        self._deaf_since = 0.0
        self._talk = Talk(parts)
        self._sleep = Sleep()
        self._next_tick = self._told_lost = self._told_slow = 0.0
        self._was_failing = False
        self._no_sound = ""

    def run(self) -> None:
        """Listen until the crew or a signal ends it; then settle and close the case file.

        Raises:
            CaseFileError: the disk refuses to the end; the case file is left open and can go on.
            RecogniserError: the recogniser failed; the same.
        """
        parts = self._p
        while not self.stopping and not parts.session.state.ended:
            self._turn()
        until = time.monotonic() + _SETTLE_S
        while not parts.session.state.ended and time.monotonic() < until:
            # What was said just before the signal is heard to its end.
            self._turn()
        self._end()

    def _turn(self) -> None:
        parts = self._p
        self._take(parts.microphone.read(_READ_S))
        self._listen()
        if time.monotonic() >= self._next_tick:
            self._next_tick = time.monotonic() + _TICK_S
            self._tick()
        if parts.hearing.failure is not None:
            parts.mouth.alarm(at_once=True)
            parts.mouth.tell("I cannot hear any more. The recogniser failed.", urgent=True)
            raise RecogniserError(
                f"the recogniser failed: {place_of(parts.hearing.failure)}",
                f"Go on with: voicelog listen --resume {parts.case.path}",
            ) from parts.hearing.failure

    def _listen(self) -> None:
        """Take what was understood meanwhile."""
        for news in self._p.hearing.heard():
            if isinstance(news, Opinion):
                self._talk.settled(news)
            else:
                self._talk.understood(news)

    def _take(self, heard: Heard | None) -> None:
        """Store and pass on what came from the microphone."""
        parts = self._p
        if heard is None:
            return
        if self._p.place.first is None:
            self._begin()
        assert self._p.place.first is not None
        match heard:
            case Block(samples, start, padding=False):
                parts.recorder.sound(samples, self._p.place.first + start)
                if not parts.hearing.sound(samples, self._p.place.first + start):
                    self._slow()
            case Deaf(since, reason, _):
                self._deaf, self._deaf_since = heard, since
                self._p.happened("deaf", f"nothing is heard: {reason}")
                parts.mouth.alarm(at_once=True)
            case Recovered(missed, seconds, at):
                reason = self._deaf.reason if self._deaf else "no sound"
                self._gap(self._p.place.first + at, self._p.place.first + at + missed, reason)
                self._deaf = None
                text = _deaf_for(seconds)
                self._p.happened("recovered", text)
                parts.mouth.recovered(text)
            case Lost(missed, at):
                self._gap(self._p.place.first + at, self._p.place.first + at + missed, "sound was lost on its way")
                self._lost(missed / parts.clock.rate)

    def _begin(self) -> None:
        """The first sound: from here on samples are counted. What lies between it and a case broken off is a gap."""
        parts = self._p
        ago = time.monotonic() - parts.microphone.monotonic_at(0)
        begin = sample_at(parts.clock, self._p.now() - timedelta(seconds=ago))
        self._p.place.first = max(begin, parts.resumed_at)
        if parts.resumed_at and self._p.place.first > parts.resumed_at:
            self._gap(parts.resumed_at, self._p.place.first, "voicelog was not running")

    def _tick(self) -> None:
        parts = self._p
        slept = self._sleep.slept_s()
        if slept and self._p.place.first is not None:
            self._slept(slept)
        stepped = parts.time.stepped_s()
        if stepped:
            self._stepped(stepped)
        parts.recorder.write()
        self._mind_the_disk()
        if self._deaf is not None or parts.recorder.failure is not None:
            parts.mouth.alarm()
        if parts.mouth.failure != self._no_sound:
            self._no_sound = parts.mouth.failure
            self._p.happened("no_sound" if self._no_sound else "sound", self._no_sound or "it can be heard again")
        if parts.hearing.behind_s > _SLOW_S:
            self._slow()
        self._talk.tick()
        parts.show.refresh(lambda: parts.case.state, self._status)

    def _mind_the_disk(self) -> None:
        parts = self._p
        failure = parts.recorder.failure
        if failure is not None and not self._was_failing:
            self._was_failing = True
            self._p.happened("not_recording", failure.message)
            parts.mouth.alarm(at_once=True)
            parts.mouth.tell(
                "Cannot record. Disk full." if "full" in failure.message else "Cannot record.", urgent=True
            )
        elif failure is None and self._was_failing:
            self._was_failing = False
            self._p.happened("recording", "recording again")
            parts.mouth.recovered("Recording again.")

    def _gap(self, start: int, end: int, reason: str) -> None:
        clock = self._p.clock
        body = {"start": clock.seconds(start), "end": clock.seconds(end), "reason": reason}
        draft = EntryDraft("gap", body, clock.at(start))
        self._p.recorder.enter(draft)
        self._p.show.entered([draft])

    def _slept(self, seconds: float) -> None:
        """The microphone's clock stood still: what comes now is later on the case's clock."""
        assert self._p.place.first is not None
        missed = round(seconds * self._p.clock.rate)
        end = self._p.recorder.end
        self._p.place.first += missed
        self._gap(end, end + missed, "the machine slept")
        text = _deaf_for(seconds)
        self._p.happened("recovered", text)
        self._p.mouth.recovered(text)

    def _stepped(self, seconds: float) -> None:
        """The wall clock was set: noted, and not followed, or what came later would stand before what came earlier."""
        text = f"the clock of this machine was moved by {seconds:.0f} s; the case goes on with the old time"
        self._p.recorder.enter(EntryDraft("clock_stepped", {"seconds": f"{seconds:.0f}", "text": text}, self._p.now()))
        self._p.happened("clock_stepped", text)

    def _lost(self, seconds: float) -> None:
        now = time.monotonic()
        if seconds >= _TOLD_S or now - self._told_lost > _AGAIN_S:
            self._told_lost = now
            self._p.mouth.alarm()
            self._p.mouth.tell("I missed some sound.", urgent=True)

    def _slow(self) -> None:
        now = time.monotonic()
        if now - self._told_slow > _AGAIN_S:
            self._told_slow = now
            text = f"I am {self._p.hearing.behind_s:.0f} seconds behind."
            self._p.happened("slow", text)
            self._p.mouth.alarm()
            self._p.mouth.tell(text, urgent=True)

    def _status(self) -> LiveStatus:
        parts = self._p
        failure = parts.recorder.failure
        return LiveStatus(
            self._p.now(),
            parts.microphone.level_dbfs,
            time.monotonic() - self._deaf_since if self._deaf else None,
            parts.hearing.speech,
            parts.hearing.behind_s,
            failure.message if failure else "",
            self._no_sound,
            self._talk.heard,
            parts.mouth.latest,
        )

    def _end(self) -> None:
        """Hear what is left, settle, close. What the disk refuses stays open and can go on."""
        parts = self._p
        parts.hearing.finish(_FINISH_S)
        self._listen()
        self._p.happened("kept_up", f"the recogniser was at most {parts.hearing.most_behind_s:.1f} s behind")
        if self._deaf is not None and self._p.place.first is not None:
            end = self._p.place.first + parts.microphone.sample_at(time.monotonic())
            self._gap(self._p.place.first + self._deaf.at_sample, end, self._deaf.reason)
        parts.recorder.write(at_once=True)
        self._talk.record_late()
        if parts.recorder.failure is not None:
            raise parts.recorder.failure
        entries = parts.session.close(self._p.now())
        parts.mouth.answer(entries)
        parts.show.entered(entries)


def _deaf_for(seconds: float) -> str:
    count = max(1, round(seconds))
    return f"I was deaf for {count} second{'' if count == 1 else 's'}."
