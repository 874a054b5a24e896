"""The step that makes the training data: lines, speech, start weights, all in one folder that can be carried."""

from __future__ import annotations

import json
import os
import shutil
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from voicelog.drill.adapt import ort_weights
from voicelog.drill.adapt.config import Config
from voicelog.drill.adapt.speech import batches, speak_batch
from voicelog.drill.adapt.texts import Kind, all_lines
from voicelog.drill.adapt.weights import floats, packed, read_model
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers import byte_pairs
from voicelog.recognisers.logmel import mel_filters

SPEECH, START, FILTERS, TOKENS = "speech", "start.npz", "filters.npy", "tokenizer.json"
"""What stands in the folder: the speech, the start weights, the mel filters, the tokenizer."""
_BANDS = 80


def make_data(config: Config, model: Path, folder: Path, console: Console) -> None:
    """Fill the folder; what is there already is kept.

    Args:
        config: counts, voices and seed.
        model: the model to start from: Whisper as CTranslate2 converts it, with its tokenizer.json, or Moonshine as
            ONNX Runtime runs it.
        folder: where to put it all.
        console: for progress.

    Raises:
        DrillError: the dictionary, a voice or a program is missing.
    """
    speech = folder / SPEECH
    speech.mkdir(parents=True, exist_ok=True)
    counts: dict[Kind, int] = {"callout": config.texts.callouts, "talk": config.texts.talk, "prose": config.texts.prose}
    lines = all_lines(load_grammar(), Path(config.texts.dictionary), counts, config.seed)
    if not (folder / START).exists():
        _add_start(model, folder)
    todo, kokoro = batches(lines, config.voices), Path(config.kokoro)
    seconds = 0.0
    with ProcessPoolExecutor(os.cpu_count()) as pool, Progress(console=console, transient=True) as progress:
        bar = progress.add_task("speech", total=len(todo))
        for done in as_completed([pool.submit(speak_batch, batch, speech, config.seed, kokoro) for batch in todo]):
            seconds += done.result()
            progress.advance(bar)
    # Whisper's tokens hold the space before a word, Moonshine's tokenizer puts it there by itself.
    _add_tokens(speech, folder / TOKENS, "" if ort_weights.is_model(model) else " ")
    console.print(f"{len(lines)} lines, {seconds / 3600:.1f} h of speech in {folder}", highlight=False)


def _add_start(model: Path, folder: Path) -> None:
    """The start weights and the tokenizer; mel filters where the model is shown those and not the sound itself."""
    import numpy as np

    if ort_weights.is_model(model):
        weights = ort_weights.floats(model)
        byte_pairs.tokenizer((model / "tokenizer.bin").read_bytes()).save(str(folder / TOKENS))
    else:
        weights = floats(read_model(model / "model.bin"))
        shutil.copy(model / TOKENS, folder / TOKENS)
        np.save(folder / FILTERS, mel_filters(_BANDS))
    np.savez(folder / START, **packed(weights))  # type: ignore[arg-type]


def _add_tokens(speech: Path, tokenizer: Path, before: str) -> None:
    """The numbers of each text's tokens, so that the training needs no tokenizer."""
    import tokenizers

    reader = tokenizers.Tokenizer.from_file(str(tokenizer))
    for index in sorted(speech.glob("*.json")):
        rows = json.loads(index.read_text(encoding="utf-8"))
        rows = [[*row[:5], reader.encode(before + row[2], add_special_tokens=False).ids] for row in rows]
        index.write_text(json.dumps(rows), encoding="utf-8")
