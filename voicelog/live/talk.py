"""The talk of a live session: what was heard goes to the dialogue, its answer to the loudspeaker, in good time."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

from voicelog.casefile.chain import EntryDraft
from voicelog.checks.clocks import pacing
from voicelog.dialogue.echo import after_read_back, sounded_meanwhile
from voicelog.dialogue.machine import asked_to_end
from voicelog.dialogue.reminders import Plan, next_reminder, planned
from voicelog.errors import CaseFileError
from voicelog.live.pacing import Pacer
from voicelog.live.show import words_of_entry
from voicelog.recognisers.base import Hypothesis

if TYPE_CHECKING:
    from collections.abc import Sequence

    from voicelog.live.hearing import Opinion, Speech
    from voicelog.live.parts import Parts

_QUIET_BEFORE_REMINDER_S = 4.0
_BUSY_S = 1.0
NOT_RECORDED = "Not recorded."
"""Said before a read-back while the disk refuses."""


class Talk:
    """Takes utterances in order; what the disk refuses waits for it, in order too."""

    def __init__(self, parts: Parts) -> None:
        self.heard = ""
        """The words heard last."""
        self._p = parts
        self._late: deque[Speech] = deque()
        self._plan = Plan()
        self._quiet_since = 0.0
        self._pacer = Pacer()

    def understood(self, speech: Speech) -> None:
        parts = self._p
        self._quiet_since = time.monotonic()
        if self._late or parts.recorder.failure:
            self._not_recorded(speech)
            return
        speech, over = self._without_own_voice(speech)
        try:
            entries = parts.session.hear(speech.utterance, speech.at, speech.span, over, self._is_late(speech))
        except CaseFileError as error:
            parts.recorder.refused(error)
            self._not_recorded(speech)
            return
        parts.mouth.answer(entries, over)
        self._entered(entries)

    def _entered(self, entries: Sequence[EntryDraft]) -> None:
        utterance = next((entry for entry in entries if entry.type == "utterance"), None)
        self.heard = words_of_entry(utterance) if utterance else self.heard
        self._p.show.entered(entries)

    def _without_own_voice(self, speech: Speech) -> tuple[Speech, str]:
        """The utterance without the read-back it begins with, and what voicelog said meanwhile."""
        parts = self._p
        # What sounded before a break is not known; the session compares such an utterance with what was said last.
        if parts.full_duplex or parts.place.first is None or self._is_late(speech):
            return speech, ""
        said = list(parts.mouth.sounded(self._p.seconds_at))
        words, span = speech.utterance.best.words, speech.span
        answer = after_read_back(words, span.start, span.end, said)
        if answer:
            alternatives = (Hypothesis(answer), *speech.utterance.alternatives)
            return replace(speech, utterance=replace(speech.utterance, alternatives=alternatives)), ""
        return speech, sounded_meanwhile(words, span.start, span.end, said)

    def _is_late(self, speech: Speech) -> bool:
        return speech.span.end <= self._p.clock.seconds(self._p.resumed_at)

    def _tell_what_sounded(self) -> None:
        """Enter what was said and when it sounded, so that a reviewer can tell it from the crew."""
        for start, end, text in self._p.mouth.finished():
            body = {"start": self._p.seconds_at(start), "end": self._p.seconds_at(end), "text": text}
            draft = EntryDraft("spoken", body, self._p.now())
            self._p.recorder.enter(draft)
            self._p.show.entered([draft])

    def _not_recorded(self, speech: Speech) -> None:
        """Say what was heard and that it is not recorded; keep it for when the disk takes it."""
        parts = self._p
        self._late.append(speech)
        speech, over = self._without_own_voice(speech)
        entries = parts.session.would_enter(speech.utterance, speech.at, speech.span, over)
        kinds = {entry.type for entry in entries}
        if "command" in kinds:
            # It is not obeyed now, nor later: what it was meant for may have changed by then.
            parts.mouth.tell(f"{NOT_RECORDED} Say it again later.")
        elif "event" in kinds or "question" in kinds:
            texts = [str(entry.body["text"]) for entry in entries if entry.type in {"read_back", "question"}]
            parts.mouth.tell(f"{NOT_RECORDED} {' '.join(texts)}".removesuffix(" Confirm?"))
        self.heard = words_of_entry(entries[0])
        parts.happened("not_recorded", self.heard)

    def record_late(self) -> None:
        """The disk takes entries again: enter what was heard meanwhile; commands in it are not obeyed."""
        parts = self._p
        while self._late and parts.recorder.failure is None:
            speech, over = self._without_own_voice(self._late[0])
            try:
                entries = parts.session.hear(speech.utterance, speech.at, speech.span, over, late=True)
            except CaseFileError as error:
                parts.recorder.refused(error)
                return
            self._late.popleft()
            parts.mouth.answer(entries)
            self._entered(entries)

    def _remind(self) -> None:
        """Say what has fallen due, never while somebody speaks."""
        parts = self._p
        now = self._p.now()
        state = parts.session.state
        self._plan = planned(self._plan, state.waiting, now)
        if parts.hearing.speech or parts.mouth.speaking or asked_to_end(state) or parts.hearing.behind_s > _BUSY_S:
            self._quiet_since = time.monotonic()
        if self._late or parts.recorder.failure or time.monotonic() - self._quiet_since < _QUIET_BEFORE_REMINDER_S:
            return
        plan, due = next_reminder(self._plan, state.waiting, now)
        try:
            entries = parts.session.remind(due, now) if due else parts.session.tick(now)
        except CaseFileError as error:
            parts.recorder.refused(error)
            return
        self._plan = plan
        if entries:
            parts.mouth.answer(entries)
            parts.show.entered(entries)

    def settled(self, opinion: Opinion) -> None:
        """The second listener has heard an utterance that was entered before."""
        parts = self._p
        try:
            entries = parts.session.settle(opinion.ticket, opinion.utterance, parts.now())
        except CaseFileError as error:
            parts.recorder.refused(error)
            return
        parts.mouth.answer(entries)
        parts.show.entered(entries)

    def tick(self) -> None:
        """Often: enter what waits for the disk and what sounded, and say what has fallen due."""
        if self._p.place.first is not None:
            self._tell_what_sounded()
        self.record_late()
        self._remind()
        self._pace()

    def _pace(self) -> None:
        """The soft tone of a breath, where somebody asked for it; it gives way to every word."""
        parts = self._p
        if not parts.session.state.pacing or parts.session.protocol is None:
            self._pacer.stop()
            return
        pace = pacing(parts.case.state, parts.session.protocol, parts.now())
        told, beat = self._pacer.step(pace, time.monotonic(), parts.mouth.speaking or parts.hearing.speech)
        if told:
            parts.mouth.tell(told)
        elif beat:
            parts.mouth.breath()
