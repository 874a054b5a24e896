"""Adapts the bundled acoustic model to the voices and the cabin of some drills, where Debian's sphinxtrain is there.

The means of the model are moved by one linear transform for each of its three streams (MLLR): a few minutes of
callouts are enough for that, and what comes out is a text of 5 kB. The steps are those of the engine's own tutorial:
features, the counts of a forward-backward pass over the callouts with their true words, and the transform that makes
them likeliest.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.drill.script import DrillError
from voicelog.drill.sounds import Said
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import SAMPLE_RATE, Availability

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FEWEST = 10
"""Callouts below which nothing is estimated: the transform has 546 numbers, 13 by 14 for each stream."""
_TOOLS = Path("/usr/lib/sphinxtrain")
_PROGRAMS = ("sphinx_fe", "pocketsphinx_mdef_convert")
_TIMEOUT_S = 600
_FRONT_END = ("-lowerf", "-upperf", "-nfilt", "-transform", "-lifter", "-remove_noise")
"""What of the model's own settings the program for features takes."""
_MODEL = ("-feat", "1s_c_d_dd", "-svspec", "0-12/13-25/26-38", "-cmn", "batch", "-agc", "none", "-ts2cbfn", ".ptm.")
"""How the model was trained: see ``feat.params`` beside it."""
_BYTE_ORDER = 0x11223344
_LOG_BASE, _SHIFT = 1.0001, 10
"""Of the probabilities in the engine's files: ``SENSCR_SHIFT`` and the default ``-logbase`` of its source."""


def is_available() -> Availability:
    """Whether the tools are installed. Never raises."""
    missing = [name for name in _PROGRAMS if shutil.which(name) is None]
    missing += [name for name in ("bw", "mllr_solve") if not (_TOOLS / name).exists()]
    if missing:
        hint = "on Debian: apt install sphinxtrain sphinxbase-utils pocketsphinx"
        return Availability(False, f"not installed: {', '.join(missing)}", hint)
    return Availability(True, "sphinxtrain")


def transform(callouts: Sequence[Said], ways: Mapping[str, Sequence[str]]) -> str:
    """The transform that fits the model to some callouts, as text.

    Args:
        callouts: sound and true words of each.
        ways: every word of them to its pronunciations.

    Raises:
        DrillError: a tool is missing or fails.
    """
    ready = is_available()
    if not ready.ready:
        raise DrillError(ready.detail, ready.hint)
    with tempfile.TemporaryDirectory(prefix="voicelog-adapt-") as temporary:
        folder = Path(temporary)
        model = _model(folder)
        _corpus(callouts, ways, folder)
        settings = (model / "feat.params").read_text(encoding="utf-8").split()
        pairs = zip(settings[::2], settings[1::2], strict=True)
        kept = [part for pair in pairs if pair[0] in _FRONT_END for part in pair]
        files = ["-c", "callouts", "-di", ".", "-ei", "wav", "-do", ".", "-eo", "mfc", "-mswav", "yes"]
        _run(["sphinx_fe", *kept, "-samprate", str(SAMPLE_RATE), *files], folder)
        means = ["-meanfn", str(model / "means"), "-varfn", str(model / "variances")]
        states = ["-moddeffn", "mdef", "-mixwfn", "mixture_weights", "-tmatfn", str(model / "transition_matrices")]
        words = ["-dictfn", "words.dict", "-fdictfn", str(model / "noisedict"), "-ctlfn", "callouts", "-lsnfn", "said"]
        counts = ["-cepdir", ".", "-cepext", "mfc", "-accumdir", "."]
        _run([str(_TOOLS / "bw"), *means, *states, *words, *counts, *_MODEL], folder)
        _run([str(_TOOLS / "mllr_solve"), *means, "-accumdir", ".", "-outmllrfn", "transform"], folder)
        return (folder / "transform").read_text(encoding="ascii")


def _model(folder: Path) -> Path:
    """The bundled model's directory; what the tools want otherwise than it is there is written into the folder."""
    from pocketsphinx import get_model_path

    model = Path(get_model_path("en-us/en-us"))
    _run(["pocketsphinx_mdef_convert", "-text", str(model / "mdef"), "mdef"], folder)
    weights = mixture_weights((model / "sendump").read_bytes())
    states, streams, densities = weights.shape
    head = b"s3\nversion 1.0\nendhdr\n" + struct.pack("<i4i", _BYTE_ORDER, states, streams, densities, weights.size)
    (folder / "mixture_weights").write_bytes(head + weights.astype("<f4").tobytes())
    return model


def mixture_weights(dump: bytes) -> NDArray[np.float64]:
    """The mixture weights in the engine's packed file, which the tools want unpacked: states by streams by densities.

    After a head of texts with their lengths come densities and states, then for each stream, density and state a byte:
    the weight's logarithm in steps of 1024 times that of 1.0001.
    """
    import numpy as np

    place, streams = 0, 1
    while length := struct.unpack_from("<i", dump, place)[0]:
        text = dump[place + 4 : place + 3 + length].decode("ascii", "replace")
        if text.startswith("feature_count "):
            streams = int(text.split()[1])
        place += 4 + length
    densities, states = struct.unpack_from("<2i", dump, place + 4)
    packed = np.frombuffer(dump, np.uint8, offset=place + 12).reshape(streams, densities, states)
    weights = _LOG_BASE ** -(packed.astype(np.float64) * 2**_SHIFT)
    return np.asarray(np.transpose(weights / weights.sum(axis=1, keepdims=True), (2, 0, 1)))


def _corpus(callouts: Sequence[Said], ways: Mapping[str, Sequence[str]], folder: Path) -> None:
    """Lay out sound, words and dictionary as the tools want them."""
    import soundfile

    names, said = [], []
    for number, one in enumerate(callouts):
        names.append(f"c{number}")
        said.append(f"<s> {' '.join(one.words)} </s> (c{number})")
        soundfile.write(folder / f"c{number}.wav", one.samples, SAMPLE_RATE, subtype="PCM_16")
    forms = {word: sphinx.entries_of(word, ways[word]) for one in callouts for word in one.words}
    rows = sorted(f"{entry} {phones}" for entries in forms.values() for entry, phones in entries.items())
    for name, lines in (("callouts", names), ("said", said), ("words.dict", rows)):
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _run(command: Sequence[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, capture_output=True, timeout=_TIMEOUT_S, check=True)
    except (OSError, subprocess.SubprocessError) as error:
        output = getattr(error, "stderr", b"") or b""
        told = output.decode("utf-8", "replace").strip().splitlines()[-1:] or [str(error)]
        raise DrillError(f"{Path(command[0]).name} failed: {told[0]}", "Leave adaptation out with --only.") from error
