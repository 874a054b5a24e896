"""Weights of a Whisper model as CTranslate2 keeps them (model.bin, binary version 6), and packed small for travel.

The layout was read off CTranslate2's own serialisation (Python package ctranslate2.specs.model_spec, version 4).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.drill.adapt.config import AdaptError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Tensors = dict[str, NDArray[np.float32]]

VERSION = 6
FLOAT16 = 4
"""CTranslate2's number for the type."""
FROZEN = ("embeddings", "position_encodings", "embed_tokens")
"""Parts of names of weights that are never moved."""


@dataclass(frozen=True)
class Tensor:
    """One named block of a model file."""

    name: str
    shape: tuple[int, ...]
    type: int
    data: bytes


@dataclass(frozen=True)
class ModelFile:
    """A model.bin."""

    spec: str
    revision: int
    tensors: tuple[Tensor, ...]
    aliases: tuple[tuple[str, str], ...]


def read_model(path: Path) -> ModelFile:
    """Read a model.bin.

    Raises:
        AdaptError: it is none of the version known here.
    """
    try:
        reader = _Reader(path.read_bytes())
        version = reader.number("I")
        if version != VERSION:
            raise AdaptError(f"{path} has binary version {version}, not {VERSION}", "Convert the model again.")
        spec, revision = reader.text(), reader.number("I")
        tensors = []
        for _ in range(reader.number("I")):
            name = reader.text()
            shape = tuple(reader.number("I") for _ in range(reader.number("B")))
            kind = reader.number("B")
            tensors.append(Tensor(name, shape, kind, reader.taken(reader.number("I"))))
        aliases = tuple((reader.text(), reader.text()) for _ in range(reader.number("I")))
        reader.end()
    except (OSError, struct.error, UnicodeDecodeError, ValueError) as error:
        raise AdaptError(f"{path} is no model of CTranslate2: {error}", "Name its model.bin.") from error
    return ModelFile(spec, revision, tuple(tensors), aliases)


def write_model(model: ModelFile, path: Path) -> None:
    """Write a model.bin; what was read is written back byte for byte."""
    parts = [struct.pack("<I", VERSION), _text(model.spec), struct.pack("<II", model.revision, len(model.tensors))]
    for tensor in model.tensors:
        parts += [_text(tensor.name), bytes([len(tensor.shape)]), struct.pack(f"<{len(tensor.shape)}I", *tensor.shape)]
        parts += [bytes([tensor.type]), struct.pack("<I", len(tensor.data)), tensor.data]
    parts.append(struct.pack("<I", len(model.aliases)))
    parts += [_text(name) for row in model.aliases for name in row]
    path.write_bytes(b"".join(parts))


def floats(model: ModelFile) -> Tensors:
    """The weights of a float16 model as float32."""
    import numpy as np

    return {
        tensor.name: np.frombuffer(tensor.data, np.float16).astype(np.float32).reshape(tensor.shape)
        for tensor in model.tensors
        if tensor.type == FLOAT16
    }


def changed(model: ModelFile, delta: Mapping[str, NDArray[np.float32]], keep: float) -> ModelFile:
    """The model with a share of a change added to its weights.

    Raises:
        AdaptError: the change is not one of this model.
    """
    import numpy as np

    known = floats(model)
    strange = [name for name, rows in delta.items() if name not in known or known[name].shape != rows.shape]
    if strange:
        raise AdaptError(
            f"{strange[0]} does not belong to this model", "Name the model that the training started from."
        )
    moved = {name: (known[name] + keep * rows).astype(np.float16).tobytes() for name, rows in delta.items()}
    tensors = tuple(replace(tensor, data=moved.get(tensor.name, tensor.data)) for tensor in model.tensors)
    return replace(model, tensors=tensors)


def packed(tensors: Mapping[str, NDArray[np.float32]]) -> dict[str, NDArray[Any]]:
    """Weights in a quarter of the room: matrices as int8 with a scale for each row, the small rest as float16."""
    import numpy as np

    found: dict[str, NDArray[Any]] = {}
    for name, rows in tensors.items():
        if rows.ndim < 2 or "position" in name:
            found[f"f:{name}"] = rows.astype(np.float16)
            continue
        flat = rows.reshape(rows.shape[0], -1)
        scale = (np.abs(flat).max(axis=1) / 127 + 1e-9).astype(np.float32)
        found[f"q:{name}"] = np.round(flat / scale[:, None]).astype(np.int8).reshape(rows.shape)
        found[f"s:{name}"] = scale
    return found


def unpacked(found: Mapping[str, NDArray[Any]]) -> Tensors:
    """Packed weights as float32."""
    import numpy as np

    tensors: Tensors = {}
    for key, rows in found.items():
        kind, _, name = key.partition(":")
        if kind == "f":
            tensors[name] = rows.astype(np.float32)
        elif kind == "q":
            scale = found[f"s:{name}"]
            whole = rows.astype(np.float32).reshape(rows.shape[0], -1) * scale[:, None]
            tensors[name] = whole.reshape(rows.shape).astype(np.float32)
    return tensors


def write_parts(found: Mapping[str, NDArray[Any]], folder: Path, name: str, most: int = 15_000_000) -> list[Path]:
    """Packed weights in files of at most so many bytes: ``NAME-0.npz``, ``NAME-1.npz``; a matrix is never cut."""
    import numpy as np

    parts: list[dict[str, NDArray[Any]]] = [{}]
    size = 0
    for key, rows in found.items():
        if parts[-1] and size + rows.nbytes > most:
            parts.append({})
            size = 0
        parts[-1][key] = rows
        size += rows.nbytes
    paths = [folder / f"{name}-{number}.npz" for number in range(len(parts))]
    for path, part in zip(paths, parts, strict=True):
        np.savez(path, **part)  # type: ignore[arg-type]
    return paths


def read_parts(folder: Path, name: str) -> Tensors:
    """What ``write_parts`` wrote, as float32.

    Raises:
        AdaptError: there is nothing of that name.
    """
    import numpy as np

    paths = sorted(folder.glob(f"{name}-*.npz"))
    if not paths:
        raise AdaptError(f"no {name}-0.npz in {folder}", "Name the folder that the training wrote.")
    found: dict[str, NDArray[Any]] = {}
    for path in paths:
        with np.load(path) as part:
            found |= {key: part[key] for key in part.files}
    return unpacked(found)


class _Reader:
    """Takes a file apart from its beginning on."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._place = 0

    def number(self, form: str) -> int:
        value: int = struct.unpack_from(f"<{form}", self._data, self._place)[0]
        self._place += struct.calcsize(f"<{form}")
        return value

    def text(self) -> str:
        return self.taken(self.number("H"))[:-1].decode()

    def taken(self, count: int) -> bytes:
        data = self._data[self._place : self._place + count]
        if len(data) < count:
            raise ValueError("it ends too soon")
        self._place += count
        return data

    def end(self) -> None:
        if self._place != len(self._data):
            raise ValueError("something stands behind its end")


def _text(text: str) -> bytes:
    data = text.encode() + b"\0"
    return struct.pack("<H", len(data)) + data
