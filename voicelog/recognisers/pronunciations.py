"""How words sound: the bundled dictionary, the pronunciations that come with voicelog, and local ones on top."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from pathlib import Path

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar, Place
from voicelog.grammar.tree import literals

Ways = Mapping[str, Sequence[str]]
"""Word -> its ways to be said, each a string of phones parted by blanks."""
PHONES = tuple(
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH".split()
)
"""Phones of the bundled English acoustic model: the CMU dictionary's, without stress."""
TYPED_ONLY_FILE = "typed_only.txt"
_ENTRY = re.compile(r"[^\s()#]+(\([1-9]\d?\))?(\s+[A-Z]{1,2})+")


def models_directory() -> Path:
    """The directory ``models`` that comes with voicelog, in a checkout or an installed wheel."""
    inside = Path(str(files("voicelog"))) / "_data" / "models"
    return inside if inside.is_dir() else Path(__file__).resolve().parents[2] / "models"


def local_pronunciations(directories: Iterable[Path] = ()) -> dict[str, tuple[str, ...]]:
    """Read every ``*.dict`` of the shipped models directory, then of further ones; each adds ways to say a word.

    Raises:
        RecogniserError: for a file that cannot be read, or a line that is no entry; names file and line.
    """
    found: dict[str, tuple[str, ...]] = {}
    for directory in (models_directory(), *directories):
        for path in sorted(directory.glob("*.dict")):
            for word, ways in _checked(path).items():
                found[word] = tuple(dict.fromkeys((*found.get(word, ()), *ways)))
    return found


def bundled_pronunciations(path: Path, wanted: frozenset[str]) -> dict[str, tuple[str, ...]]:
    """The entries of a large dictionary for the wanted words alone.

    Args:
        path: a dictionary as the engine ships it, taken as it is.
        wanted: lower-case words.

    Raises:
        RecogniserError: when it cannot be read.
    """
    found: dict[str, list[str]] = {}
    for line in _lines(path):
        entry, _, phones = line.partition(" ")
        word = entry.partition("(")[0]
        if word in wanted:
            found.setdefault(word, []).append(" ".join(phones.split()))
    return {word: tuple(ways) for word, ways in found.items()}


def typed_only(vocabulary: Iterable[str], directories: Iterable[Path] = ()) -> frozenset[str]:
    """Words that stand in a grammar for typed text alone: those of ``typed_only.txt`` and those with a digit in them.

    Raises:
        RecogniserError: for a list that cannot be read.
    """
    listed: set[str] = set()
    for directory in (models_directory(), *directories):
        path = directory / TYPED_ONLY_FILE
        if path.exists():
            listed |= {line.strip() for line in _lines(path) if line.strip() and not line.startswith("#")}
    return frozenset(word for word in vocabulary if word in listed or any(sign.isdigit() for sign in word))


def place_of(word: str, grammar: Grammar) -> str:
    """Where a grammar uses the word, as ``file:line``; '' when it stands in a shared rule alone."""
    tables: list[tuple[Place, Iterable[str]]] = [
        *((phrase.place, (said for tree in phrase.say for said in literals(tree))) for phrase in grammar.phrases),
        *((one.place, " ".join((*one.spoken, *one.named_concentrations)).split()) for one in grammar.drugs.values()),
        *((one.place, (said for _, tree in one.items for said in literals(tree))) for one in grammar.lists.values()),
    ]
    place = next((place for place, words in tables if word in words), None)
    if place is None:
        return ""
    return f"{place.file}:{place.line}" if place.line else str(place.file)


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise RecogniserError(f"{path} cannot be read: {error}", "check permissions and encoding (UTF-8)") from error


def _checked(path: Path) -> dict[str, tuple[str, ...]]:
    """A dictionary that people edit: ``word  PH O N E S`` a line, more ways as ``word(2)``, comments after ``#``."""
    found: dict[str, list[str]] = {}
    for number, line in enumerate(_lines(path), start=1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        entry, *phones = text.split()
        if not _ENTRY.fullmatch(text) or not set(phones) <= set(PHONES):
            raise RecogniserError(
                f"{path}:{number}: {text!r} is not a pronunciation",
                f"write a word and its phones, such as 'palp  P AE L P'; the phones are {' '.join(PHONES)}",
            )
        found.setdefault(entry.partition("(")[0], []).append(" ".join(phones))
    return {word: tuple(ways) for word, ways in found.items()}
