"""Human speech, where its recordings are found: number words behind a synthetic label, and talk not for the log."""

from __future__ import annotations

import gzip
import importlib.util
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from .callouts import Callout, vital
from .corpus import SNRS, Clip, Set, Stream, in_noise, streams
from .sounds import Say, Take

PROMPTS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
"""Where Debian's asterisk-core-sounds-en-g722 puts one woman's prompts and number words: 16 kHz, CC-BY-SA 3.0."""
TRANSCRIPTS = Path("/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz")
READINGS = Path("/usr/share/pocketsphinx/test/data")
"""Where Debian's pocketsphinx-testdata puts a few readings: 16 kHz."""
DIGITS_VARIABLE = "VOICELOG_HUMAN_DIGITS"
LABEL_VOICES: dict[Set, str] = {"tune": "joe", "report": "hibari"}
"""The clearest voice of each set says the label: it is the human words behind it that are measured."""
LABELS = ("heart rate", "pulse", "heart rate is", "pulse rate")
NOISY_LEVELS = (2, 4)
"""Places in SNRS at which human words are heard besides clean: 15 and 5 dB."""
_NOT_TALK = ("digits/", "letters/", "phonetic/", "silence/")
_TAKE = re.compile(r"(\d)_([a-z]+)_(\d+)\.wav")


@dataclass(frozen=True)
class Human:
    """What human speech was found, and a line for each that was not."""

    words: tuple[Clip, ...]
    """Pulses in one woman's number words, wide band."""
    digits: tuple[Clip, ...]
    """Pulses in several people's digits, narrow band."""
    talk: tuple[Stream, ...]
    missing: tuple[str, ...]


def human_speech(chosen: Set, digits: Path | None, readings: Path | None) -> Human:
    """The human part of a set.

    Args:
        chosen: tune takes each fourth number and prompt and the first half of the digits' takes, report the rest.
        digits: a folder of ``speaker/<digit>_<speaker>_<take>.wav``, or None.
        readings: a further folder of recordings that are not callouts, or None.
    """
    missing = []
    words: list[Clip] = []
    spelled: list[Clip] = []
    talk: list[Take] = []
    if PROMPTS.is_dir():
        words = word_clips(chosen)
        talk += prompts(chosen)
    else:
        missing.append("human number words and prompts: install asterisk-core-sounds-en-g722 and ffmpeg")
    if digits is not None and digits.is_dir():
        spelled = digit_clips(chosen, digits)
    else:
        missing.append(f"human digits: name their folder with --digits or {DIGITS_VARIABLE}")
    if chosen == "report":
        found = [path for folder in _reading_folders(readings) for path in _recordings(folder)]
        talk += [Take(path) for path in found]
        if not found:
            missing.append("readings: install pocketsphinx-testdata, or name a folder with --readings")
    return Human(tuple(words), tuple(spelled), tuple(streams("human talk", talk)), tuple(missing))


def word_clips(chosen: Set) -> list[Clip]:
    """Pulses 10 to 199 in one woman's number words, clean; each third again in noise."""
    values = [value for value in range(10, 200) if (value % 4 == 0) == (chosen == "tune")]
    spelled = {value: tuple(Take(PROMPTS / name) for name in number_words(value)) for value in values}
    return _clips("human words", "prompts", spelled, chosen)


def number_words(value: int) -> list[str]:
    """Names of the recordings that say a number of 10 to 199, as crews do: one eighteen, one oh five, one hundred."""
    hundreds, rest = divmod(value, 100)
    if not hundreds:
        names = _below_hundred(rest)
    elif not rest:
        names = ["1", "hundred"]
    else:
        names = ["1", *(["oh", str(rest)] if rest < 10 else _below_hundred(rest))]
    return [f"digits/{name}.g722" for name in names]


def _below_hundred(value: int) -> list[str]:
    tens, ones = divmod(value, 10)
    return [str(value)] if value <= 20 or not ones else [str(tens * 10), str(ones)]


def digit_clips(chosen: Set, folder: Path) -> list[Clip]:
    """Pulses of three digits, each spoken by one person, 60 a person; each third again in noise."""
    takes: dict[str, dict[str, list[Path]]] = defaultdict(lambda: defaultdict(list))
    for path in sorted(folder.glob("*/*.wav")):
        named = _TAKE.fullmatch(path.name)
        if named and (int(named[3]) < 10) == (chosen == "tune"):
            takes[named[2]][named[1]].append(path)
    clips = []
    for speaker, digits in sorted(takes.items()):
        # 11 is prime to 90, so the values are spread over 100 to 189.
        values = [100 + step * 11 % 90 for step in range(60)]
        spelled = {
            value: tuple(Take(_turn(digits[digit], value + place)) for place, digit in enumerate(str(value)))
            for value in values
        }
        clips += _clips("human digits", speaker, spelled, chosen)
    return clips


def _turn(paths: list[Path], number: int) -> Path:
    return paths[number % len(paths)]


def _clips(source: str, speaker: str, spelled: dict[int, tuple[Take, ...]], chosen: Set) -> list[Clip]:
    voice = LABEL_VOICES[chosen]
    clips = []
    for level in (0, *NOISY_LEVELS):
        for number, (value, takes) in enumerate(spelled.items()):
            if SNRS[level] is not None and number % 3:
                continue
            label = LABELS[number % len(LABELS)]
            parts: tuple[Say | Take, ...] = (Say(label, voice), *takes)
            callout = Callout("vitals", f"{label} {value}", (vital("heart_rate", value),))
            clips.append(Clip(source, callout, in_noise(parts, chosen, number // 3, level), speaker))
    return clips


def prompts(chosen: Set) -> list[Take]:
    """Prompts that are neither numbers nor letters; none of them is a callout."""
    text = gzip.decompress(TRANSCRIPTS.read_bytes()).decode("utf-8") if TRANSCRIPTS.exists() else ""
    said = dict(line.split(": ", 1) for line in text.splitlines() if ": " in line and not line.startswith(";"))
    names = [name for name, words in sorted(said.items()) if _is_talk(name, words)]
    return [Take(PROMPTS / f"{name}.g722") for n, name in enumerate(names) if (n % 4 == 0) == (chosen == "tune")]


def _is_talk(name: str, words: str) -> bool:
    spoken = not words.lstrip().startswith("[") and not name.startswith(_NOT_TALK)
    return spoken and (PROMPTS / f"{name}.g722").exists()


def _reading_folders(named: Path | None) -> Iterable[Path]:
    package = importlib.util.find_spec("moonshine_voice")
    inside = [Path(place) / "assets" for place in (package.submodule_search_locations or [])] if package else []
    return [folder for folder in (READINGS, *inside, named) if folder is not None and folder.is_dir()]


def _recordings(folder: Path) -> list[Path]:
    """Recordings of more than two seconds at 16 kHz 16 bit; shorter ones are signals, not talk."""
    return [path for path in sorted(folder.rglob("*")) if path.suffix in {".wav", ".raw"} and _size(path) > 100_000]


def _size(path: Path) -> int:
    return path.stat().st_size
