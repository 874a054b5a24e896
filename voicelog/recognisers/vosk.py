"""Vosk with a model directory of the user's: it learns from the grammar which word may follow which."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib import metadata, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.grammar.phrases import phrase_list
from voicelog.recognisers.base import SAMPLE_RATE, Availability, Hypothesis, Listener, Utterance, Word
from voicelog.recognisers.models import VARIABLE, found_models, places
from voicelog.recognisers.pronunciations import place_of, typed_only
from voicelog.recognisers.spoken_as import read_spoken_as, spoken_back, suggestions

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

GARBAGE = "<garbage>"
SPOKEN_AS_FILE = "spoken_as.txt"
"""In the model's directory: words that the model lacks, and words it has that sound like them."""
BLOCK = SAMPLE_RATE // 5
"""Samples handed over at once: the engine decodes in steps of 0.2 s, and larger blocks only add delay."""
PADDING = SAMPLE_RATE // 2
"""Samples of silence before each utterance: without them a short first word is lost (vosk-api issue 195)."""
_UNKNOWN_WORDS = ("[unk]", "<unk>", "<UNK>")
_QUIET = -1
_INSTALL = 'install it: pip install "voicelog[vosk]"'
_GET_MODEL = f"put a small English model with a dynamic graph into models/ or ${VARIABLE}; see models/README.md"


def is_available(model: Path | None = None) -> Availability:
    """Whether Vosk and a model that takes phrase lists are here. Never raises, never downloads."""
    if util.find_spec("vosk") is None:
        return Availability(False, "vosk is not installed", _INSTALL)
    found = found_models(model, is_model)
    if not found:
        return Availability(False, f"no Vosk model in {', '.join(map(str, places(model)))}", _GET_MODEL)
    fit = [path for path in found if takes_phrases(path)]
    if not fit:
        return Availability(False, f"{found[0]} has a static graph and ignores phrase lists", _GET_MODEL)
    return Availability(True, f"vosk {metadata.version('vosk')}, model {fit[0].resolve().name}")


def is_model(path: Path) -> bool:
    """Whether a directory holds a Vosk model, of the present layout or the older flat one."""
    return (path / "am" / "final.mdl").is_file() or (path / "final.mdl").is_file()


def takes_phrases(path: Path) -> bool:
    """Whether a model composes its graph when it runs; one with a static graph ignores phrase lists without a word."""
    return any((place / "HCLr.fst").is_file() and (place / "Gr.fst").is_file() for place in (path / "graph", path))


def open(grammar: Grammar, model: Path | None = None, pronunciations: Iterable[Path] = ()) -> VoskListener:
    """Load the model and teach it the grammar.

    Args:
        grammar: what may be said.
        model: a model directory; otherwise the first fit one of ``$VOICELOG_MODELS`` and ``models``.
        pronunciations: directories of ``*.dict`` and ``typed_only.txt`` beside those of the grammar's overlays.

    Raises:
        RecogniserError: engine or model missing or broken, or the model lacks a word of the grammar.
    """
    ready = is_available(model)
    if not ready.ready:
        raise RecogniserError(ready.detail, ready.hint)
    path = next(filter(takes_phrases, found_models(model, is_model)))
    directories = (*grammar.overlays, *pronunciations)
    silent = typed_only(grammar.vocabulary, directories)
    spoken_as = read_spoken_as(path / SPOKEN_AS_FILE)
    engine = _engine(path)

    def known(word: str) -> bool:
        return bool(engine.vosk_model_find_word(word) >= 0)

    check_words(grammar, silent, spoken_as, known, path, directories)
    phrases = phrase_list(grammar, silent, spoken_as)
    unknown_word = next(filter(known, _UNKNOWN_WORDS), "")
    options = {
        "engine": f"vosk {metadata.version('vosk')}",
        "model": path.resolve().name,
        "garbage_word": unknown_word or "none in this model",
        "phrases": str(len(phrases)),
    }
    return VoskListener(_recogniser(engine, [*phrases, *filter(None, [unknown_word])]), options, spoken_as)


class VoskListener(Listener):
    """An open Vosk recogniser."""

    name = "vosk"

    def __init__(self, recogniser: Any, options: Mapping[str, str], spoken_as: Mapping[str, Sequence[str]]) -> None:
        self._recogniser = recogniser
        self._spoken_as = spoken_as
        self._waiting = b""
        self._words: list[Word] = []
        self._fed = 0
        self._start = 0
        self._open = False
        self.options = dict(options)

    def feed(self, block: NDArray[np.int16]) -> None:
        """Take the next block: int16 mono at SAMPLE_RATE, any length."""
        if not self._open:
            self._open = True
            # The engine's clock counts every sample ever fed, padding included; ours starts with the utterance.
            self._start = self._fed + PADDING
            self._waiting = bytes(2 * PADDING)
        self._waiting += block.tobytes()
        while len(self._waiting) >= 2 * BLOCK:
            self._accept(self._waiting[: 2 * BLOCK])
            self._waiting = self._waiting[2 * BLOCK :]

    def finish(self) -> Utterance:
        """End the utterance; one reading with times and confidences, or none when nothing was heard."""
        if not self._open:
            return Utterance()
        if self._waiting:
            self._accept(self._waiting)
        self._keep(self._recogniser.FinalResult())
        self._recogniser.Reset()
        words = spoken_back(self._words, self._spoken_as)
        self._waiting, self._words, self._open = b"", [], False
        return Utterance((Hypothesis(words, _least(words)),)) if words else Utterance()

    def close(self) -> None:
        """Free the recogniser and its model."""
        self._recogniser = None

    def _accept(self, block: bytes) -> None:
        self._fed += len(block) // 2
        # The engine ends an utterance at a pause and then drops it; its words so far are ours to keep.
        if self._recogniser.AcceptWaveform(block):
            self._keep(self._recogniser.Result())

    def _keep(self, result: str) -> None:
        self._words = heard(json.loads(result).get("result", ()), self._start / SAMPLE_RATE, self._words)


def heard(found: Iterable[Mapping[str, Any]], start_s: float, before: Sequence[Word] = ()) -> list[Word]:
    """The engine's words on the clock of the utterance; words outside the grammar in a row become one.

    Args:
        found: the engine's words with ``start`` and ``end`` in seconds since it was opened.
        start_s: where the utterance starts on that clock.
        before: the words of the utterance so far.
    """
    words = list(before)
    for part in found:
        text = GARBAGE if part["word"] in _UNKNOWN_WORDS else part["word"]
        start, end = (round(max(0.0, part[edge] - start_s), 3) for edge in ("start", "end"))
        confidence = min(1.0, part["conf"])
        if text == GARBAGE and words and words[-1].text == GARBAGE:
            words[-1] = Word(GARBAGE, words[-1].start, end, min(confidence, words[-1].confidence or 0.0))
        else:
            words.append(Word(text, start, end, confidence))
    return words


def check_words(
    grammar: Grammar,
    silent: frozenset[str],
    spoken_as: Mapping[str, Sequence[str]],
    known: Callable[[str], bool],
    directory: Path,
    pronunciations: Iterable[Path] = (),
) -> None:
    """Refuse words that the model lacks: it would drop them from their phrases without a word.

    Args:
        grammar: what may be said.
        silent: words that are never spoken.
        spoken_as: words that the model lacks, put as words it has.
        known: whether the model has a word.
        directory: the model's, for the message.
        pronunciations: as for ``open``.

    Raises:
        RecogniserError: for the first word missing, with words that sound alike; for a stand-in that cannot work.
    """
    file = directory / SPOKEN_AS_FILE
    for word, others in spoken_as.items():
        lacking = [other for other in others if not known(other)]
        if lacking:
            raise RecogniserError(
                f"{file}: {lacking[0]!r}, for {word!r}, is not in the model either", "choose words that the model has"
            )
        if set(others) <= grammar.vocabulary:
            raise RecogniserError(
                f"{file}: {' '.join(others)!r}, for {word!r}, can be said in the grammar itself",
                "choose at least one word that means nothing in the grammar",
            )
    missing = sorted(word for word in grammar.vocabulary - silent - spoken_as.keys() if not known(word))
    if not missing:
        return
    place = place_of(missing[0], grammar)
    more = f" (and {len(missing) - 1} more: {', '.join(missing[1:6])})" if len(missing) > 1 else ""
    alike = suggestions(missing, known, pronunciations)
    lines = "".join(f"\n    {word} = {said}" for word, said in alike.items())
    raise RecogniserError(
        f"{place}: " * bool(place) + f"the word {missing[0]!r} is not in the model {directory.resolve().name}{more}",
        f"put it as words the model has in {file}, or into typed_only.txt if it is never spoken"
        + f"; words that sound alike, to be checked by ear:{lines}" * bool(lines),
    )


def _engine(path: Path) -> Any:
    from vosk import Model, SetLogLevel

    SetLogLevel(_QUIET)
    try:
        # Never by language or name: that downloads.
        return Model(model_path=str(path))
    except Exception as error:  # the library raises nothing narrower
        raise RecogniserError(f"{path} is no model that Vosk can load", _GET_MODEL) from error


def _recogniser(engine: Any, phrases: Sequence[str]) -> Any:
    from vosk import KaldiRecognizer

    recogniser = KaldiRecognizer(engine, SAMPLE_RATE, json.dumps(phrases, ensure_ascii=False))
    recogniser.SetWords(True)
    return recogniser


def _least(words: Sequence[Word]) -> float | None:
    """The lowest confidence of any word: a reading is as sure as its least sure word."""
    return min((word.confidence for word in words if word.confidence is not None), default=None)
