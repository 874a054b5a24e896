"""Text in place of audio, for tests and typed drills: what is said is what is heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Availability, Hypothesis, Listener, Utterance, Word

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def is_available() -> Availability:
    """Always ready: it needs neither engine nor model."""
    return Availability(True, "typed text, no model")


def open(grammar: Grammar) -> ScriptListener:
    """A listener for typed text; any grammar will do."""
    return ScriptListener()


class ScriptListener(Listener):
    """Hears typed words, letter for letter."""

    name = "script"

    def __init__(self) -> None:
        self._words: list[Word] = []
        self.options = {"engine": "script"}

    def feed_text(self, text: str) -> None:
        """Take the next words of an utterance."""
        self._words += words_of(text)

    def feed(self, block: NDArray[np.int16]) -> None:
        """Refuse audio.

        Raises:
            RecogniserError: always.
        """
        raise RecogniserError("the script recogniser hears typed text only", "choose --listener sphinx for audio")

    def finish(self) -> Utterance:
        """End the utterance; its words carry no times."""
        words, self._words = tuple(self._words), []
        return Utterance((Hypothesis(words),)) if words else Utterance()

    def close(self) -> None:
        """Nothing to free."""
