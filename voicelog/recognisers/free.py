"""What listeners of free text have in common: they take a whole utterance, write it, and score other texts for it."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Sequence
from typing import TYPE_CHECKING

from voicelog.recognisers.base import SAMPLE_RATE, Listener

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LONGEST_S = 30.0
"""Most seconds of one utterance: what the models were trained on."""
INSTALL = 'install it: pip install "voicelog[second]"'
"""What to do where an engine or a model is missing."""


class FreeListener(Listener):
    """An open recogniser that writes free text and can tell how well a given text fits what was heard."""

    refusal: str
    """Why the last utterance has no reading, or ''."""

    def __init__(self) -> None:
        self._blocks: list[NDArray[np.int16]] = []
        self.refusal = ""

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        self._blocks.append(block.copy())

    def _fed(self) -> NDArray[np.int16]:
        """The utterance as fed, which is over; sets ``refusal`` where it cannot be heard."""
        import numpy as np

        blocks, self._blocks = self._blocks, []
        audio = np.concatenate(blocks) if blocks else np.zeros(0, dtype=np.int16)
        self.refusal = unfit(audio)
        return audio

    def score(self, audio: NDArray[np.int16], texts: Sequence[str], beyond: float = math.inf) -> list[float]:
        """How well each text fits the sound: the mean natural logarithm of its tokens' probabilities, 0 at best.

        Texts are comparable when they are written alike, numbers in digits ("Heart rate 124."). Sound that was just
        heard by ``finish`` is not read again. The time taken grows with the number of texts.

        Args:
            audio: one whole utterance, as fed.
            texts: candidates; one without any token scores minus infinity.
            beyond: see ``totals``.
        """
        return [total / tokens if tokens else -math.inf for total, tokens in self.totals(audio, texts, beyond)]

    def lead(self, audio: NDArray[np.int16], text: str, others: Sequence[str], beyond: float = math.inf) -> float:
        """By how much a text fits the sound better than the best of others, as natural logarithm of the odds.

        Args:
            audio: one whole utterance, as fed.
            text: what may have been said, written as this model would.
            others: at least one other text, written alike.
            beyond: a greater lead may be told smaller than it is, though not smaller than this.
        """
        (own, _), *totals = self.totals(audio, [text, *others], beyond)
        return own - max(total for total, _ in totals)

    @abstractmethod
    def totals(
        self, audio: NDArray[np.int16], texts: Sequence[str], beyond: float = math.inf
    ) -> list[tuple[float, int]]:
        """The natural logarithm of each text's probability, and how many tokens it has: 0 where it is empty.

        A text that lies more than ``beyond`` below the first one need not be read to its end: what is told of it may
        be more than its own, never less.
        """


def unfit(audio: NDArray[np.int16]) -> str:
    """Why a sound cannot be heard at all, or ''."""
    if not len(audio):
        return "no sound"
    return f"longer than {LONGEST_S:g} s" if len(audio) > LONGEST_S * SAMPLE_RATE else ""
