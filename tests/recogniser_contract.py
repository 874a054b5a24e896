"""What every recogniser must do, whatever engine is behind it; each one's tests subclass this and say how to speak."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator

import numpy as np
import pytest

from voicelog.grammar.loader import load_grammar
from voicelog.recognisers.base import Listener, RecogniserModule


class RecogniserContract(ABC):
    """Subclass as ``class TestX(RecogniserContract)``; set ``module`` and write ``speak``."""

    module: RecogniserModule
    said = ("patient contact", "heart rate one thirty six")
    """Two callouts that ``speak`` can say and the recogniser hears word for word."""
    heard: tuple[str, ...] = ()
    """How the recogniser writes them; empty when as they are said."""

    @abstractmethod
    def speak(self, listener: Listener, text: str) -> None:
        """Feed one callout, without ending the utterance."""

    @pytest.fixture(scope="class")
    @classmethod
    def listener(cls) -> Iterator[Listener]:
        listener = cls.opened()
        yield listener
        listener.close()

    @classmethod
    def opened(cls) -> Listener:
        """Open the recogniser for the shipped grammar; override for an engine whose model knows another language."""
        if not cls.module.is_available().ready:
            pytest.skip(cls.module.is_available().detail)
        return cls.module.open(load_grammar())

    def texts(self) -> tuple[str, ...]:
        """The two callouts as they are heard."""
        return self.heard or self.said

    def test_it_says_what_it_found_here(self) -> None:
        assert self.module.is_available().detail

    def test_it_bears_its_name(self, listener: Listener) -> None:
        assert listener.name == self.module.__name__.rpartition(".")[2]  # type: ignore[attr-defined]

    def test_its_options_name_the_engine_in_plain_text(self, listener: Listener) -> None:
        assert listener.options["engine"]
        assert all(isinstance(value, str) for value in listener.options.values())

    def test_nothing_fed_is_nothing_heard(self, listener: Listener) -> None:
        assert listener.finish().alternatives == ()

    def test_what_is_said_is_heard(self, listener: Listener) -> None:
        self.speak(listener, self.said[0])
        assert listener.finish().best.text == self.texts()[0]

    def test_one_utterance_leaves_nothing_behind_for_the_next(self, listener: Listener) -> None:
        heard = []
        for text in (*self.said, self.said[0]):
            self.speak(listener, text)
            heard.append(listener.finish().best.text)
        assert heard == [*self.texts(), self.texts()[0]]

    def test_a_guess_at_the_end_changes_nothing_that_is_heard(self, listener: Listener) -> None:
        self.speak(listener, self.said[0])
        plain = listener.finish().best.text
        self.speak(listener, self.said[0])
        listener.guess(np.zeros(0, np.int16))
        assert listener.finish().best.text == plain
        # The crew went on speaking after the guess.
        self.speak(listener, self.said[1])
        whole = listener.finish().best.text
        listener.guess(np.zeros(1600, np.int16))
        self.speak(listener, self.said[1])
        assert listener.finish().best.text == whole

    def test_words_have_times_in_order_or_none_at_all(self, listener: Listener) -> None:
        self.speak(listener, self.said[1])
        words = listener.finish().best.words
        times = [time for word in words for time in (word.start, word.end)]
        known = [time for time in times if time is not None]
        assert len(known) in {0, len(times)}
        assert known == sorted(known)

    def test_confidence_is_a_probability_or_none(self, listener: Listener) -> None:
        self.speak(listener, self.said[1])
        given = [word.confidence for word in listener.finish().best.words]
        assert [one for one in given if one is not None and not 0 <= one <= 1] == []
