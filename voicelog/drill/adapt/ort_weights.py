"""Weights of a small Moonshine model as ONNX Runtime keeps them (``.ort``), read as numbers and written back in place.

The layout is read by the schema that ONNX Runtime carries (``onnxruntime.tools``). Only the numbers of the weights are
written anew, so the graph stays the one that was tested by its makers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.drill.adapt.config import AdaptError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Tensors = dict[str, NDArray[np.float32]]

FILES = {"encoder": "encoder_model.ort", "decoder": "decoder_model_merged.ort"}
"""Part of the network and its file."""
_FLOAT, _BYTE = 1, 2
"""ONNX's numbers for the types float32 and uint8."""
_MODULE = r"(?:layers\.\d+\.|conv\d|layer_norm|norm)[\w.]*?"
_NAMED = re.compile(rf"(?:model\.decoder\.)?({_MODULE})(?:_merged_\d+|_add_tensor)?")
_QUANTISED = "_quantized"
_NORM = {"onnx::Mul_2080": "groupnorm.weight", "onnx::Add_2081": "groupnorm.bias"}
"""Weights that the export of the model left without their names."""


class OrtFile:
    """One ``.ort`` file whose weights can be read and replaced."""

    def __init__(self, path: Path) -> None:
        """Raises: AdaptError: it is no such file."""
        from onnxruntime.tools.ort_format_model.ort_flatbuffers_py.fbs.InferenceSession import InferenceSession

        try:
            self._data = bytearray(path.read_bytes())
            graph = InferenceSession.GetRootAsInferenceSession(self._data, 0).Model().Graph()
            self._found = {one.Name().decode(): one for part in _graphs(graph) for one in _initialisers(part)}
            self._places: dict[str, list[str]] = {}
            for name in self._found:
                if match := _NAMED.fullmatch(name):
                    self._places.setdefault(match[1], []).append(name)
                elif name in _NORM:
                    self._places.setdefault(_NORM[name], []).append(name)
            for part in _graphs(graph):
                for module, name in _products(part):
                    names = self._places.setdefault(f"{module}.weight", [])
                    if name not in names:
                        names.append(name)
        except Exception as error:  # flatbuffers raises whatever a broken offset leads to
            raise AdaptError(f"{path} is no model of ONNX Runtime: {error}", "Name a Moonshine model.") from error

    def read(self) -> Tensors:
        """The weights as float32; those of products of matrices as (inputs, outputs)."""
        return {module: self._values(names[0]) for module, names in self._places.items()}

    def replace(self, weights: Mapping[str, NDArray[np.float32]]) -> None:
        """Put new numbers, of the same shapes, where the old ones stand."""
        for module, rows in weights.items():
            for name in self._places[module]:
                self._put(name, rows)

    def write(self, path: Path) -> None:
        """Write the file with what has been replaced."""
        path.write_bytes(self._data)

    def _raw(self, name: str) -> NDArray[Any]:
        import numpy as np

        tensor = self._found[name]
        kind = {_FLOAT: np.float32, _BYTE: np.uint8}[tensor.DataType()]
        shape = [tensor.Dims(place) for place in range(tensor.DimsLength())]
        rows: NDArray[Any] = tensor.RawDataAsNumpy().view(kind).reshape(shape)
        return rows

    def _scale(self, name: str) -> tuple[NDArray[Any], NDArray[Any]]:
        stem = name.removesuffix(_QUANTISED)
        return self._raw(f"{stem}_scale"), self._raw(f"{stem}_zero_point")

    def _values(self, name: str) -> NDArray[np.float32]:
        import numpy as np

        rows = self._raw(name)
        if not name.endswith(_QUANTISED):
            return np.array(rows, dtype=np.float32)
        scale, zero = self._scale(name)
        values: NDArray[np.float32] = (rows.astype(np.float32) - zero.astype(np.float32)) * scale
        return values

    def _put(self, name: str, rows: NDArray[np.float32]) -> None:
        import numpy as np

        if not name.endswith(_QUANTISED):
            self._raw(name)[...] = rows
            return
        scale, zero = self._scale(name)
        # As ONNX Runtime's own tool does it: the whole range of the values, with zero among them, in 255 steps.
        low, high = min(0.0, float(rows.min())), max(0.0, float(rows.max()))
        scale[...] = (high - low) / 255
        zero[...] = round(-low / float(scale))
        self._raw(name)[...] = np.clip(np.rint(rows / scale) + zero, 0, 255)


def is_model(folder: Path) -> bool:
    """Whether a folder holds a Moonshine model in ONNX Runtime's form."""
    return all((folder / name).is_file() for name in FILES.values())


def floats(folder: Path) -> Tensors:
    """All weights of a model as float32, by part and module: ``encoder.layers.0.mlp.fc1.weight``.

    What the model ends with is left out: it is its embedding once more.
    """
    return {
        f"{part}.{module}": rows
        for part, name in FILES.items()
        for module, rows in OrtFile(folder / name).read().items()
        if module != "proj_out.weight"
    }


def write_changed(folder: Path, change: Mapping[str, NDArray[np.float32]], keep: float, out: Path) -> None:
    """Write a model with a share of a change added to its weights.

    Raises:
        AdaptError: the change is not one of this model.
    """
    for part, name in FILES.items():
        file = OrtFile(folder / name)
        start = file.read()
        named = [(module.partition("."), rows) for module, rows in change.items()]
        moved = {module: rows for (first, _, module), rows in named if first == part}
        strange = [module for module, rows in moved.items() if module not in start or start[module].shape != rows.shape]
        if strange:
            raise AdaptError(f"{strange[0]} does not belong to this model", "Name the one the training began with.")
        file.replace({module: start[module] + keep * rows for module, rows in moved.items()})
        file.write(out / name)


def _graphs(graph: Any) -> Iterator[Any]:
    yield graph
    for node in _nodes(graph):
        for place in range(node.AttributesLength()):
            inner = node.Attributes(place).G()
            if inner is not None:
                yield from _graphs(inner)


def _nodes(graph: Any) -> Iterator[Any]:
    return (graph.Nodes(place) for place in range(graph.NodesLength()))


def _initialisers(graph: Any) -> Iterator[Any]:
    return (graph.Initializers(place) for place in range(graph.InitializersLength()))


def _products(graph: Any) -> Iterator[tuple[str, str]]:
    """(module, name of its quantised weight) of each product of matrices, and of the embedding."""
    for node in _nodes(graph):
        inputs = [node.Inputs(place).decode() for place in range(node.InputsLength())]
        module = node.Name().decode().strip("/").removeprefix("model/decoder/").rpartition("/")[0].replace("/", ".")
        for name in inputs:
            if name.endswith(_QUANTISED) and ("MatMul_" in name or "embed_tokens.weight" in name):
                yield module, name
