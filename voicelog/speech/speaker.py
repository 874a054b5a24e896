"""Says read-backs and plays tones one after another in its own thread, and keeps what sounded when."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from voicelog.errors import AudioError
from voicelog.speech.output import Output
from voicelog.speech.tones import TONE_RATE, tone
from voicelog.speech.tones import Tone as Tone
from voicelog.speech.voices import Voice

_RETRY_EVERY_S = 1.0
_WATCH_S = 0.25
_SPANS_KEPT = 200
_JOIN_ABOVE = 3
_TEXTS_KEPT = 8


@dataclass
class _Item:
    texts: list[str]
    tone: Tone | None = None
    urgent: bool = False
    unsaid: int = 0

    @property
    def words(self) -> str:
        """What will be said, or the tone's name."""
        if self.tone is not None:
            return f"tone {self.tone}"
        left_out = [f"{self.unsaid} earlier messages were not said"] if self.unsaid else []
        return ". ".join([*left_out, *self.texts])


class Speaker:
    """Sound out. Nothing here raises into the caller once it is made: see ``failure``.

    The device is opened at once and stays open, so that the first word is not late. What is queued while there is no
    device waits. Of more than 3 messages waiting the ordinary ones are joined to one; of more than 8 joined the oldest
    are not said, and their number is said in their place.
    """

    def __init__(self, voice: Voice, device: str | int | None = None) -> None:
        """Start the thread; the device is opened there.

        Args:
            voice: from ``open_voice``; a ``SilentVoice`` leaves the tones.
            device: name (or part of it) or number; None for the default output.
        """
        self._voice, self._device = voice, device
        self._change = threading.Condition()
        self._items: deque[_Item] = deque()
        self._current: _Item | None = None
        self._spans: deque[tuple[float, float, str]] = deque(maxlen=_SPANS_KEPT)
        self._failure: str | None = None
        self._voice_failure: str | None = None
        self._device_name = ""
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="speaker", daemon=True)
        self._thread.start()

    def say(self, text: str, urgent: bool = False) -> None:
        """Queue words. Urgent ones go before all that waits, the newest urgent first; nothing is cut off or dropped."""
        self._put(_Item([text], urgent=urgent))

    def tone(self, name: Tone) -> None:
        """Queue a tone; an alarm goes before all that waits."""
        self._put(_Item([], tone=name, urgent=name == "alarm"))

    @property
    def speaking(self) -> bool:
        """True while something sounds or is about to; False when it waits for a device that is not there."""
        with self._change:
            waits = bool(self._items or self._current)
            return waits and self._failure is None

    @property
    def waiting(self) -> list[str]:
        """The words (or "tone ...") that wait, in the order they will sound."""
        with self._change:
            return [item.words for item in self._items]

    def spans(self) -> list[tuple[float, float, str]]:
        """What sounded: start and end by ``time.monotonic()`` and the words ("tone heard" for a tone), oldest first.

        Times are those at the device's output, its stated delay included. What sounds now is the last one, with the end
        expected. What the device broke off and will be said again stands twice. The last 200 are kept.
        """
        with self._change:
            return list(self._spans)

    @property
    def device_name(self) -> str:
        """Name of the device that is or was last open; '' before."""
        return self._device_name

    @property
    def failure(self) -> str | None:
        """Why something cannot be heard now, in one line; None while all is well. It mends itself."""
        return self._failure or self._voice_failure

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until all that was queued has sounded; False when it has not within that many seconds or cannot now."""
        with self._change:
            self._change.wait_for(
                lambda: not (self._items or self._current) or self._failure is not None or self._closing, timeout_s
            )
            return not (self._items or self._current)

    def close(self, wait_s: float = 0.0) -> None:
        """Let what is queued sound for at most that many seconds, then stop the thread and close the device."""
        if wait_s > 0:
            self.wait(wait_s)
        with self._change:
            self._closing = True
            self._change.notify_all()
        self._thread.join(timeout=5)

    def _put(self, item: _Item) -> None:
        with self._change:
            if item.urgent:
                self._items.appendleft(item)
            else:
                self._items.append(item)
                self._join()
            self._change.notify_all()

    def _join(self) -> None:
        """Old read-backs must not pile up behind each other: one breath for all, and no more than can be followed."""
        ordinary = [item for item in self._items if not item.urgent and item.tone is None]
        if len(ordinary) <= _JOIN_ABOVE:
            return
        first, *rest = ordinary
        for item in rest:
            first.texts += item.texts
            first.unsaid += item.unsaid
            self._items.remove(item)
        over = len(first.texts) - _TEXTS_KEPT
        if over > 0:
            first.unsaid += over
            del first.texts[:over]

    def _run(self) -> None:
        output: Output | None = None
        while True:
            try:
                if output is None:
                    output = Output(self._device)
                    self._device_name = output.name
                    self._set_failure(None)
                if not self._turn(output):
                    break
            except AudioError as error:
                self._set_failure(error.message)
                if output is not None:
                    output.close()
                    output = None
                with self._change:
                    if self._change.wait_for(lambda: self._closing, _RETRY_EVERY_S):
                        break
        if output is not None:
            output.close()

    def _turn(self, output: Output) -> bool:
        """Play the next thing, if there is one; False when it is time to end."""
        with self._change:
            self._change.wait_for(lambda: self._items or self._closing, _WATCH_S)
            if self._closing:
                return False
            self._current = self._items.popleft() if self._items else None
        if self._current is None:
            output.check()
            return True
        try:
            self._play(output, self._current)
        except AudioError:
            with self._change:
                # It was not heard to its end: it is the next one again.
                self._items.appendleft(self._current)
            raise
        finally:
            with self._change:
                self._current = None
                self._change.notify_all()
        return True

    def _play(self, output: Output, item: _Item) -> None:
        try:
            samples, rate = (tone(item.tone), TONE_RATE) if item.tone else self._voice.render(item.words)
            self._voice_failure = None
        except AudioError as error:
            # Words that this voice cannot say will not be said by trying again; a tone tells that there was something.
            self._voice_failure = error.message
            samples, rate = tone("ask"), TONE_RATE
        if not len(samples):
            return
        start, end = output.begin(samples, rate)
        with self._change:
            self._spans.append((start, end, item.words))
        end = output.finish(end)
        with self._change:
            self._spans[-1] = (start, min(end, time.monotonic()), item.words)

    def _set_failure(self, reason: str | None) -> None:
        with self._change:
            self._failure = reason
            self._change.notify_all()
