"""Turns a change of weights into a model that CTranslate2 or ONNX Runtime runs: part of the change added, then int8."""

from __future__ import annotations

import gzip
import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from voicelog.drill.adapt import ort_weights
from voicelog.drill.adapt.config import digest
from voicelog.drill.adapt.weights import FLOAT16, ModelFile, Tensor, changed, read_model, read_parts, write_model
from voicelog.recognisers.whisper import PACKED

INT8, FLOAT32 = 1, 0
"""CTranslate2's numbers for the types."""
_QUANTISED = ("/linear_", "embeddings/weight", "conv1/weight", "conv2/weight")
"""Parts of names of the matrices that CTranslate2 runs as int8."""


def convert(model: Path, trained: Sequence[Path], keep: float, out: Path) -> None:
    """Write the adapted model, as a directory that its listener can open.

    Args:
        model: the directory with the model that the training started from.
        trained: folders that the training wrote; their changes are averaged.
        keep: share of the change that is kept, 0 to 1.
        out: directory to write.

    Raises:
        AdaptError: the change is not one of this model.
    """
    import numpy as np

    changes = [read_parts(folder, "change") for folder in trained]
    mean = {
        name: np.asarray(np.mean([change[name] for change in changes], axis=0), dtype=np.float32) for name in changes[0]
    }
    out.mkdir(parents=True, exist_ok=True)
    if ort_weights.is_model(model):
        ort_weights.write_changed(model, mean, keep, out)
        shutil.copy(model / "tokenizer.bin", out)
        made = {f"from {name}": digest(model / name) for name in ort_weights.FILES.values()}
        made |= {name: digest(out / name) for name in ort_weights.FILES.values()}
    else:
        shutil.copy(model / "config.json", out)
        for name in ("tokenizer.json", "vocabulary.txt"):
            # Without a time of making, so that the same model gives the same file.
            (out / f"{name}{PACKED}").write_bytes(gzip.compress((model / name).read_bytes(), mtime=0))
        write_model(in_eighths(changed(read_model(model / "model.bin"), mean, keep)), out / "model.bin")
        made = {
            "from": digest(model / "model.bin"),
            "tokenizer": digest(model / "tokenizer.json"),
            "model": digest(out / "model.bin"),
        }
    (out / "made.json").write_text(json.dumps({**made, "keep": keep}, indent=1) + "\n", encoding="utf-8")


def in_eighths(model: ModelFile) -> ModelFile:
    """The model with its matrices as int8 and a scale for each row, everything else as float32.

    The arithmetic is that of CTranslate2's own converter (``ctranslate2.specs.model_spec``, quantization "int8").
    """
    tensors: list[Tensor] = []
    for tensor in model.tensors:
        if tensor.type != FLOAT16:
            tensors.append(tensor)
        elif tensor.name.endswith("/weight") and any(part in tensor.name for part in _QUANTISED):
            tensors += _in_eighths(tensor)
        else:
            tensors.append(_in_full(tensor))
    return replace(model, tensors=tuple(sorted(tensors, key=lambda tensor: tensor.name)))


def _in_eighths(tensor: Tensor) -> tuple[Tensor, Tensor]:
    import numpy as np

    rows = np.frombuffer(tensor.data, np.float16).astype(np.float32).reshape(tensor.shape[0], -1)
    most = np.abs(rows).max(axis=1)
    most[most == 0] = 127.0
    scale = (127.0 / most).astype(np.float32)
    whole = np.rint(rows * scale[:, None]).astype(np.int8)
    return (
        Tensor(tensor.name, tensor.shape, INT8, whole.tobytes()),
        Tensor(f"{tensor.name}_scale", (tensor.shape[0],), FLOAT32, scale.tobytes()),
    )


def _in_full(tensor: Tensor) -> Tensor:
    import numpy as np

    return replace(tensor, type=FLOAT32, data=np.frombuffer(tensor.data, np.float16).astype(np.float32).tobytes())
