"""Three listeners: one adapted to callouts proposes, the grammar listener and a free-text one vouch or doubt.

Where the adapted listener wrote no callout, the free-text one may propose, and the adapted one votes on that.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.parse.written import spoken
from voicelog.recognisers import moonshine, second, sphinx, whisper
from voicelog.recognisers.again import Again
from voicelog.recognisers.base import (
    LATE,
    Availability,
    Hypothesis,
    Listener,
    SecondOpinion,
    Utterance,
    Word,
)
from voicelog.recognisers.free import FreeListener
from voicelog.recognisers.meanings import in_words
from voicelog.recognisers.models import called
from voicelog.recognisers.weighing import Scales, text_of
from voicelog.recognisers.whisper import WhisperListener, WhisperSettings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SETTINGS = WhisperSettings(beam=4, readings=4, windows_s=(6.0, 8.0, 10.0, 15.0), padding_s=2.0)
"""How the adapted model is run: what else it may have written is a rival of what it wrote."""
THIRD = replace(SETTINGS, readings=1)
"""The same for the smaller adapted model that is asked in doubt."""
_Open = TypeVar("_Open", bound=FreeListener)


def is_available() -> Availability:
    """Whether all three can run here, an adapted model among them. Never raises, never downloads."""
    found = whisper.adapted_models()
    if not found:
        return Availability(False, "no model adapted to callouts", "see models/README.md")
    parts = [whisper.is_available(found[0]), sphinx.is_available(), second.is_available()]
    missing = [part for part in parts if not part.ready]
    if missing:
        return missing[0]
    votes = "; ".join(part.detail for part in parts[1:])
    third = "".join(f"; model {called(path, whisper.BUNDLE)} is asked in doubt" for path in _further(found))
    return Availability(True, f"model {called(found[0], whisper.BUNDLE)} proposes; two vote: {votes}{third}")


def _further(found: Sequence[Path]) -> list[Path]:
    """The adapted model that lies beside the one that proposes and was not made from the same one, if there is any.

    Of several the first by name: two that began with the same weights must not vouch for each other. Nor is one
    asked where no listener of another make votes: an unadapted Whisper model may be what it was made from.
    """
    if not moonshine.is_available().ready:
        return []
    proposes = _made_from(found[0])
    others = [path for path in found[1:] if path.parent == found[0].parent]
    return [path for path in others if _made_from(path) not in {"", proposes}][:1]


def _made_from(model: Path) -> str:
    """Digest of the model that an adapted one was made from; '' where its file does not say."""
    try:
        made = json.loads((model / whisper.ADAPTED_FILE).read_text(encoding="utf-8"))
        return str(made["from"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def open(grammar: Grammar, patience_s: float | None = None) -> TrioListener:
    """Open all three.

    Args:
        grammar: what may be said.
        patience_s: seconds to wait for the judgement at the end of an utterance; None to wait as long as it takes.

    Raises:
        RecogniserError: one of them cannot run here, or the grammar has a word that cannot be heard.
    """
    ready = is_available()
    if not ready.ready:
        raise RecogniserError(f"the trio cannot listen: {ready.detail}", ready.hint)
    found = whisper.adapted_models()
    with ExitStack() as opened:
        adapted = _to_close(opened, whisper.open(grammar, found[0], SETTINGS))
        third = [_to_close(opened, whisper.open(grammar, path, THIRD)) for path in _further(found)]
        other = _to_close(opened, second.open(grammar))
        listener = TrioListener(adapted, other, Again(grammar), grammar, patience_s, *third)
        opened.pop_all()
    return listener


@dataclass(frozen=True)
class _Judgement:
    """What is made of one utterance."""

    early: Future[Hypothesis | None]
    """The adapted listener's own reading; None where it wrote no callout."""
    made: Future[Utterance]
    """The whole judgement."""


class TrioListener(Listener):
    """An adapted listener whose readings come with the opinion of two others."""

    name = "trio"

    def __init__(
        self,
        adapted: WhisperListener,
        other: FreeListener,
        again: Again,
        grammar: Grammar,
        patience_s: float | None = None,
        third: WhisperListener | None = None,
    ) -> None:
        self._adapted = adapted
        self._other = other
        self._third = third
        self._again = again
        self._patience_s = patience_s
        self._blocks: list[NDArray[np.int16]] = []
        # Sound is judged in the order in which it was said; the engines of one judgement run side by side.
        self._judging = ThreadPoolExecutor(1)
        self._side = ThreadPoolExecutor(2)
        self._scales = Scales(adapted, other, third, again, grammar, self._side)
        self._guess: tuple[bytes, _Judgement] | None = None
        self._late: dict[int, Future[Utterance]] = {}
        self._tickets = 0
        self.options = {
            "engine": " with ".join(part.options["engine"] for part in (adapted, again, other)),
            **{f"adapted_{name}": value for name, value in adapted.options.items()},
            **{f"grammar_{name}": value for name, value in again.options.items()},
            **{f"second_{name}": value for name, value in other.options.items()},
            **({f"third_{name}": value for name, value in third.options.items()} if third else {}),
        }

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        self._blocks.append(block.copy())

    def guess(self, tail: NDArray[np.int16]) -> Utterance | None:
        """Listen to what will be the utterance, should it end here; waits for it only where patience has no end."""
        import numpy as np

        audio = np.concatenate((*self._blocks, tail))
        judgement = self._judge(audio)
        self._guess = audio.tobytes(), judgement
        return judgement.made.result() if self._patience_s is None else None

    def finish(self) -> Utterance:
        """End the utterance; where the judgement takes longer than patience lasts, a callout that the adapted listener
        wrote is given alone, marked LATE; anything else is waited for.
        """
        import numpy as np

        blocks, self._blocks = self._blocks, []
        guess, self._guess = self._guess, None
        if not blocks:
            return Utterance()
        audio = np.concatenate(blocks)
        known = guess is not None and guess[0] == audio.tobytes()
        judgement = guess[1] if guess and known else self._judge(audio)
        try:
            return judgement.made.result(self._patience_s)
        except TimeoutError:
            reading = judgement.early.result()
            if reading is None:
                return judgement.made.result()
            self._tickets += 1
            self._late[self._tickets] = judgement.made
            return Utterance((reading,), SecondOpinion(refusal=LATE, ticket=self._tickets))

    def late(self) -> list[tuple[int, Utterance]]:
        """Judgements that were late and are there now."""
        there = [(ticket, made.result()) for ticket, made in self._late.items() if made.done()]
        for ticket, _ in there:
            del self._late[ticket]
        return there

    def close(self) -> None:
        """Free all engines."""
        self._judging.shutdown()
        self._side.shutdown()
        self._again.close()
        for listener in (self._other, self._third, self._adapted):
            if listener is not None:
                listener.close()

    def _judge(self, audio: NDArray[np.int16]) -> _Judgement:
        early: Future[Hypothesis | None] = Future()
        made = self._judging.submit(self._judged, audio, early)
        # Whatever happens, nobody waits for a reading that does not come.
        made.add_done_callback(lambda _: None if early.done() else early.set_result(None))
        return _Judgement(early, made)

    def _judged(self, audio: NDArray[np.int16], early: Future[Hypothesis | None]) -> Utterance:
        free = self._side.submit(text_of, self._other, audio)
        texts = [text for text in text_of(self._adapted, audio).alternatives if text.confidence]
        found = [(text, row) for text in texts for row in self._scales.rows(text)]
        if found:
            early.set_result(Hypothesis(tuple(Word(word) for word in in_words(found[0][1])), found[0][0].confidence))
            forced = found[0][0] is not texts[0]
            theirs = free.result().best, self._other.refusal
            return self._scales.weighed(audio, found, (self._adapted, self._other), theirs, forced)
        early.set_result(None)
        # The adapted listener wrote no callout: the other one may propose, and is told to have been alone.
        other = free.result().best
        found = [(other, row) for row in self._scales.rows(other)] if other.confidence else []
        own = (texts[0] if texts else Hypothesis(())), self._adapted.refusal
        if not found:
            # What was heard is told, though nothing is entered of it: a number alone may belong to what came before.
            plain = Hypothesis(tuple(spoken(own[0].words)), own[0].confidence)
            score = math.log(other.confidence) if other.confidence else None
            opinion = SecondOpinion(other.words, self._other.refusal, score, unlike_adapted=True)
            return Utterance((plain,) if plain.words else (), opinion)
        made = self._scales.weighed(audio, found, (self._other, self._adapted), own, forced=False)
        return replace(made, second=replace(made.second or SecondOpinion(), unlike_adapted=True))


def _to_close(opened: ExitStack, listener: _Open) -> _Open:
    """The listener, which is closed again should another not be opened."""
    opened.callback(listener.close)
    return listener
