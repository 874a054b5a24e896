"""Words that a fixed model lacks, put as words it has: read from a file, heard back, suggested by their sound."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from voicelog.errors import RecogniserError
from voicelog.recognisers.base import Word
from voicelog.recognisers.pronunciations import bundled_pronunciations, local_pronunciations

MOST_WORDS = 5
"""Most words that a suggestion may have."""
_ALIKE = (
    *({"AA", "AO"}, {"AA", "AH"}, {"AH", "IH"}, {"AH", "EH"}, {"AH", "UH"}, {"AH", "AE"}, {"EH", "IH"}, {"IH", "IY"}),
    *({"UH", "UW"}, {"EY", "EH"}, {"OW", "AO"}, {"AH", "ER"}, {"AE", "EH"}, {"S", "Z"}, {"T", "D"}, {"P", "B"}),
    *({"K", "G"}, {"F", "V"}, {"SH", "ZH"}, {"CH", "JH"}, {"TH", "DH"}, {"M", "N"}, {"N", "NG"}),
)
"""Pairs of phones that are easily taken for each other: neighbouring vowels, voiced and voiceless twins (by ear)."""
_NEAR: dict[str, tuple[str, ...]] = {
    phone: tuple(sorted(other for pair in _ALIKE if phone in pair for other in pair - {phone}))
    for phone in sorted(set().union(*_ALIKE))
}
_SWAP = 0.6
_WORD = 1.0
_SHORT_WORD = 1.5
"""Costs of a suggestion: a phone put for another, a word, a word of one phone."""


def read_spoken_as(path: Path) -> dict[str, tuple[str, ...]]:
    """Read lines ``word = other words``, with comments after ``#``; no file means no words.

    Raises:
        RecogniserError: for a file that cannot be read, a line of another form, or two words put the same way.
    """
    if not path.exists():
        return {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise RecogniserError(f"{path} cannot be read: {error}", "check permissions and encoding (UTF-8)") from error
    found: dict[str, tuple[str, ...]] = {}
    for number, line in enumerate(lines, start=1):
        word, equals, others = (part.strip() for part in line.partition("#")[0].partition("="))
        if not (word or equals):
            continue
        if len(word.split()) != 1 or not others:
            raise RecogniserError(
                f"{path}:{number}: {line.strip()!r} is not WORD = OTHER WORDS", "write one word a line"
            )
        twin = next((name for name, said in found.items() if said == tuple(others.split())), word)
        if twin != word:
            raise RecogniserError(f"{path}:{number}: {word!r} and {twin!r} would sound the same", "change one of them")
        found[word] = tuple(others.split())
    return found


def spoken_back(words: Sequence[Word], spoken_as: Mapping[str, Sequence[str]]) -> tuple[Word, ...]:
    """Words as heard, with every run that stands for another word put back as that word, the longest run first."""
    runs = sorted(((tuple(said), word) for word, said in spoken_as.items()), key=lambda run: (-len(run[0]), run))
    back: list[Word] = []
    place = 0
    while place < len(words):
        for said, word in runs:
            run = words[place : place + len(said)]
            if tuple(part.text for part in run) == said:
                sure = [part.confidence for part in run if part.confidence is not None]
                back.append(Word(word, run[0].start, run[-1].end, min(sure, default=None)))
                place += len(said)
                break
        else:
            back.append(words[place])
            place += 1
    return tuple(back)


def suggestions(
    words: Iterable[str], known: Callable[[str], bool], pronunciations: Iterable[Path] = ()
) -> dict[str, str]:
    """Word -> words that the model has and that together sound like it; left out where none are found.

    Args:
        words: words that the model lacks.
        known: whether the model has a word.
        pronunciations: further directories of ``*.dict``, such as the crew's own.
    """
    from pocketsphinx import get_model_path

    wanted = frozenset(words)
    dictionary = Path(get_model_path("en-us/cmudict-en-us.dict"))
    own = local_pronunciations(pronunciations)
    bundled = bundled_pronunciations(dictionary, wanted)
    by_sound = _by_sound(dictionary, known)
    found = {}
    for word in sorted(wanted):
        ways = [_spelled(tuple(way.split()), by_sound) for way in (*bundled.get(word, ()), *own.get(word, ()))]
        fit = [way for way in ways if way is not None]
        if fit:
            found[word] = " ".join(min(fit)[1])
    return found


def _by_sound(dictionary: Path, known: Callable[[str], bool]) -> dict[tuple[str, ...], str]:
    """Phones -> the word said so, of the words that the model has; of two the shorter, as names are spelled long."""
    found: dict[tuple[str, ...], str] = {}
    for line in dictionary.read_text(encoding="utf-8").splitlines():
        entry, *phones = line.split()
        sound = tuple(phones)
        if not entry.isalpha() or not known(entry):
            continue
        twin = found.get(sound, entry)
        found[sound] = min(entry, twin, key=lambda word: (len(word), word))
    return found


def _spelled(sound: tuple[str, ...], by_sound: Mapping[tuple[str, ...], str]) -> tuple[float, tuple[str, ...]] | None:
    """The cheapest row of words for a sound and its cost; None when none covers it."""
    best: list[tuple[float, tuple[str, ...]] | None] = [(0.0, ()), *[None] * len(sound)]
    for end in range(1, len(sound) + 1):
        for start in range(end):
            before = best[start]
            if before is None or len(before[1]) == MOST_WORDS:
                continue
            for swaps, said in _like(sound[start:end]):
                if said in by_sound:
                    cost = before[0] + _SWAP * swaps + (_WORD if len(said) > 1 else _SHORT_WORD)
                    row = (cost, (*before[1], by_sound[said]))
                    best[end] = min(best[end] or row, row)
    return best[-1]


def _like(sound: tuple[str, ...]) -> Iterable[tuple[int, tuple[str, ...]]]:
    """The sound itself and every one with a single phone put for a near one."""
    yield 0, sound
    for place, phone in enumerate(sound):
        for other in _NEAR.get(phone, ()):
            yield 1, (*sound[:place], other, *sound[place + 1 :])
