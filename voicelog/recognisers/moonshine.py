"""A free-text listener of another make: a small Moonshine model, never primed, sharing no weights with the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata, util
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers import byte_pairs
from voicelog.recognisers.base import SAMPLE_RATE, Availability, Hypothesis, Utterance
from voicelog.recognisers.free import INSTALL, FreeListener, unfit
from voicelog.recognisers.models import bundled, called, found_models, places

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_States = dict[str, "NDArray[np.float32]"]
SHORTEST_S = 1.0
"""Least seconds that the model is shown; what is shorter is followed by silence."""
THREADS = 2
"""Processor cores that one utterance may use."""
TOKENS_PER_S = 6.5
"""Tokens that a second of speech can hold at most, as the model's makers count; text that runs beyond is invented."""
BUNDLE = "moonshine_voice"
"""A package that carries a small English model, up to its release 0.0.73."""
_FILES = ("encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin")
_START, _END = 1, 2
_PAST = "past_key_values"
_AT_ONCE = 8
"""Texts that are scored together: more take more memory, fewer more time."""


def is_available(model: Path | None = None) -> Availability:
    """Whether ONNX Runtime and a model directory are here. Never raises, never downloads."""
    for package in ("onnxruntime", "tokenizers"):
        if util.find_spec(package) is None:
            return Availability(False, f"{package} is not installed", INSTALL)
    found = _models(model)
    if not found:
        looked = ", ".join(map(str, places(model)))
        return Availability(False, f"no Moonshine model in ONNX Runtime's form in {looked}", INSTALL)
    return Availability(True, f"onnxruntime {metadata.version('onnxruntime')}, model {called(found[0], BUNDLE)}")


def open(grammar: Grammar, model: Path | None = None) -> MoonshineListener:
    """Open and warm up the model; the grammar does not matter to it, and no word of it is ever shown to the model.

    Args:
        grammar: what may be said.
        model: a directory with encoder, decoder and tokenizer as ``moonshine-voice`` carries them.

    Raises:
        RecogniserError: engine or model missing or broken.
    """
    ready = is_available(model)
    if not ready.ready:
        raise RecogniserError(ready.detail, ready.hint)
    path = _models(model)[0]
    encoder, decoder = (_session(path / name) for name in _FILES[:2])
    try:
        tokenizer = byte_pairs.tokenizer((path / _FILES[2]).read_bytes())
    except Exception as error:  # the library raises nothing narrower
        raise RecogniserError(f"{path / _FILES[2]} cannot be read: {error}", INSTALL) from error
    listener = MoonshineListener(encoder, decoder, tokenizer, called(path, BUNDLE))
    listener.warm_up()
    return listener


class MoonshineListener(FreeListener):
    """An open Moonshine model."""

    name = "moonshine"

    def __init__(self, encoder: Any, decoder: Any, tokenizer: Any, model: str) -> None:
        super().__init__()
        self._encoder = encoder
        self._decoder = decoder
        self._tokenizer = tokenizer
        self._seen: tuple[bytes, _Read] | None = None
        states = [one for one in decoder.get_inputs() if one.name.startswith(_PAST)]
        self._states = [(one.name, one.shape[1::2]) for one in states]
        self._outputs = [one.name.replace("present", _PAST) for one in decoder.get_outputs()]
        self.options = {
            "engine": f"onnxruntime {metadata.version('onnxruntime')}",
            "model": model,
            "threads": str(THREADS),
        }

    def finish(self) -> Utterance:
        """End the utterance; one reading without times, or none where it cannot be trusted (see ``refusal``)."""
        audio = self._fed()
        if self.refusal:
            return Utterance()
        read = self._begun(audio)
        ids: list[int] = []
        logs: list[float] = []
        most = 1 + math.ceil(TOKENS_PER_S * len(audio) / SAMPLE_RATE)
        while True:
            ids.append(int(read.next.argmax()))
            logs.append(float(read.next[ids[-1]]))
            if ids[-1] == _END:
                break
            if len(ids) > most:
                self.refusal = "more text than anyone can say in that time"
                return Utterance()
            read = self._on(read, ids[-1:])[1]
        words = words_of(self._tokenizer.decode(ids[:-1]).strip())
        if not words:
            self.refusal = "no words"
            return Utterance()
        return Utterance((Hypothesis(words, math.exp(sum(logs) / len(logs))),))

    def totals(
        self, audio: NDArray[np.int16], texts: Sequence[str], beyond: float = math.inf
    ) -> list[tuple[float, int]]:
        import numpy as np

        rows = [[*self._tokenizer.encode(text.strip()).ids, _END] if text.strip() else [] for text in texts]
        found = [(-math.inf, 0)] * len(texts)
        if unfit(audio) or not any(rows):
            return found
        begun, read = 0.0, self._begun(audio)
        if beyond < math.inf and rows[0] and len(rows) > 1:
            found = self._bounds(read, rows, beyond)
        unread = [place for place, ids in enumerate(rows) if ids and not found[place][1]]
        asked = sorted(unread, key=lambda place: len(rows[place]))
        if not asked:
            return found
        # What all begin with is read once.
        together = zip(*(rows[place][:-1] for place in asked), strict=False)
        same = sum(1 for _ in takewhile(lambda ids: len(set(ids)) == 1, together))
        if same:
            begun, read = self._on(read, rows[asked[0]][:same])
        for first in range(0, len(asked), _AT_ONCE):
            places = asked[first : first + _AT_ONCE]
            # Shorter rows are filled up at their end, which what comes before cannot see.
            longest = len(rows[places[-1]])
            ids = np.array([rows[place][same:] + [_END] * (longest - len(rows[place])) for place in places])
            logits = self._logits(read, ids[:, :-1]) if longest - same > 1 else None
            for row, place in enumerate(places):
                own = rows[place][same:]
                total = begun + float(read.next[own[0]])
                if logits is not None:
                    total += float(_logs(logits[row, : len(own) - 1])[range(len(own) - 1), own[1:]].sum())
                found[place] = total, len(rows[place])
        return found

    def _bounds(self, read: _Read, rows: Sequence[Sequence[int]], beyond: float) -> list[tuple[float, int]]:
        """What is known after the first row alone was read: its total, and the most that those may have whose first
        other token takes them more than ``beyond`` below it; without tokens where they must be read.
        """
        import numpy as np

        own = rows[0]
        logs = read.next[None]
        if len(own) > 1:
            logs = np.concatenate((logs, _logs(self._logits(read, np.array([own[:-1]]))[0])))
        sums = np.concatenate(([0.0], np.cumsum(logs[range(len(own)), own])))
        found = [(float(sums[-1]), len(own))]
        for ids in rows[1:]:
            same = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(own, ids, strict=False)))
            most = float(sums[same] + logs[same, ids[same]]) if same < len(ids) else math.inf
            found.append((most, len(ids)) if ids and most < sums[-1] - beyond else (-math.inf, 0))
        return found

    def warm_up(self) -> None:
        """Run once over silence: the first run of the engine is the slowest."""
        import numpy as np

        self.score(np.zeros(SAMPLE_RATE, dtype=np.int16), ["a"])

    def close(self) -> None:
        """Free the model."""
        self._encoder = self._decoder = self._seen = None

    def _begun(self, audio: NDArray[np.int16]) -> _Read:
        """What the model makes of the sound before any text; kept for the last utterance."""
        import numpy as np

        sound = audio.tobytes()
        if self._seen is None or self._seen[0] != sound:
            short = max(0, round(SHORTEST_S * SAMPLE_RATE) - len(audio))
            values = np.pad(audio.astype(np.float32) / 32768, (0, short))[None]
            mask = np.ones(values.shape, dtype=np.int64)
            encoded = self._encoder.run(None, {"input_values": values, "attention_mask": mask})[0]
            none = {name: np.zeros((1, heads, 0, size), dtype=np.float32) for name, (heads, size) in self._states}
            self._seen = sound, self._run(encoded, none, [_START], fresh=True)[1]
        return self._seen[1]

    def _on(self, read: _Read, ids: Sequence[int]) -> tuple[float, _Read]:
        """Read on by at least one token: the natural logarithm of their probability, and what stands then."""
        logs, after = self._run(read.encoded, read.states, ids)
        rest = float(logs[range(len(ids) - 1), ids[1:]].sum())
        return float(read.next[ids[0]]) + rest, after

    def _run(
        self, encoded: NDArray[np.float32], states: _States, ids: Sequence[int], *, fresh: bool = False
    ) -> tuple[NDArray[np.float32], _Read]:
        import numpy as np

        found = self._decoder.run(None, _inputs(encoded, states, np.array([ids], dtype=np.int64), fresh))
        named = dict(zip(self._outputs, found, strict=True))
        logs = _logs(named.pop("logits")[0])
        # What the sound is to the decoder is told once, before the first token.
        kept = {} if fresh else {name: state for name, state in states.items() if ".encoder." in name}
        return logs, _Read(encoded, {**named, **kept}, logs[-1])

    def _logits(self, read: _Read, ids: NDArray[np.int64]) -> NDArray[np.float32]:
        """What follows each token of several rows that go on from the same place: rows, places, tokens."""
        import numpy as np

        states = {name: np.repeat(state, len(ids), axis=0) for name, state in read.states.items()}
        encoded = np.repeat(read.encoded, len(ids), axis=0)
        logits: NDArray[np.float32] = self._decoder.run(["logits"], _inputs(encoded, states, ids, False))[0]
        return logits


@dataclass(frozen=True)
class _Read:
    """Where the decoder stands after some text."""

    encoded: NDArray[np.float32]
    """What the encoder makes of the sound: one row, times, numbers."""
    states: _States
    """What it keeps of sound and text, as the names of its inputs."""
    next: NDArray[np.float32]
    """Natural logarithms of the probabilities of what comes next, by token."""


def _inputs(encoded: NDArray[np.float32], states: _States, ids: NDArray[np.int64], fresh: bool) -> dict[str, Any]:
    import numpy as np

    return {
        "input_ids": ids,
        "encoder_hidden_states": encoded,
        # Counted in samples of the sound, of which it takes every 384th: one stands for all, as none is left out.
        "encoder_attention_mask": np.ones((len(ids), 1), dtype=np.int64),
        "use_cache_branch": np.array([not fresh]),
        **states,
    }


def _logs(logits: NDArray[np.float32]) -> NDArray[np.float32]:
    """Natural logarithms of the probabilities: places, tokens."""
    import numpy as np

    above = logits - logits.max(axis=1, keepdims=True)
    logs: NDArray[np.float32] = above - np.log(np.exp(above).sum(axis=1, keepdims=True))
    return logs


def _models(given: Path | None) -> list[Path]:
    inside = bundled(BUNDLE, "assets/tiny-en") if given is None else []
    return found_models(given, _is_model) + [path for path in inside if _is_model(path)]


def _is_model(path: Path) -> bool:
    return all((path / name).is_file() for name in _FILES)


def _session(path: Path) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = THREADS
    options.log_severity_level = 4
    # Sounds and texts are all of different lengths: what is kept for each of them would only pile up.
    options.enable_mem_pattern = False
    options.enable_cpu_mem_arena = False
    # The other listeners work at the same time: threads must not keep a core busy while they wait.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    except Exception as error:  # the library raises nothing narrower
        raise RecogniserError(f"{path} is no model that ONNX Runtime can run: {error}", INSTALL) from error
