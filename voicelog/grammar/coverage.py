"""Which words of a grammar each recogniser that is here can hear, and how it comes to know them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from voicelog.errors import RecogniserError
from voicelog.grammar.finding import Finding
from voicelog.grammar.model import DRUG_LIST, Grammar, Place
from voicelog.grammar.net import expansions
from voicelog.grammar.soundalike import CLOSE, ClosePair, close_pairs
from voicelog.grammar.tree import literals

State = Literal["known", "local", "stand-in", "typed only", "missing"]
"""known: the recogniser's own; local: by a pronunciation of ours; stand-in: heard as other words (``spoken_as.txt``);
typed only: never spoken, by design; missing: cannot be heard."""
STATES: tuple[State, ...] = ("known", "local", "stand-in", "typed only", "missing")
MOSTLY = 0.5
"""A model that has fewer of a grammar's spoken words than this share is one for another language."""


@dataclass(frozen=True)
class Hearing:
    """What one recogniser makes of a grammar's words."""

    recogniser: str
    detail: str
    """Version and model, or why it is not here or has no word list."""
    words: Mapping[str, State] = field(default_factory=dict)
    """Every word of the grammar; empty when the recogniser is not here or has no word list."""

    @property
    def counts(self) -> dict[str, int]:
        """How many words there are of each state that occurs."""
        found = Counter(self.words.values())
        return {state: found[state] for state in STATES if found[state]}

    @property
    def missing(self) -> tuple[str, ...]:
        """Words that it cannot hear."""
        return tuple(sorted(word for word, state in self.words.items() if state == "missing"))


def hearings(grammar: Grammar) -> list[Hearing]:
    """What every recogniser that listens to sound makes of a grammar's words.

    Raises:
        RecogniserError: for a pronunciation file with a fault.
    """
    return [_sphinx(grammar), _vosk(grammar), _whisper()]


def word_findings(grammar: Grammar, heard: Iterable[Hearing]) -> list[Finding]:
    """Every missing word with the place that uses it: a recogniser with a word list refuses to start without it."""
    return [
        Finding(
            place_using(word, grammar),
            f"{hearing.recogniser} cannot hear {word!r} and will not start: give it a pronunciation",
            "error",
            "words",
        )
        for hearing in heard
        for word in hearing.missing
    ]


def sound_findings(grammar: Grammar, ways: Mapping[str, Sequence[str]]) -> list[Finding]:
    """Drugs that sound alike, the closest first.

    Args:
        grammar: its formulary and declared pairs.
        ways: word -> its pronunciations.
    """
    declared = set(grammar.unsure_pairs)
    return [_alike(pair, grammar, frozenset(pair.names) in declared) for pair in close_drugs(grammar, ways)]


def close_drugs(grammar: Grammar, ways: Mapping[str, Sequence[str]], limit: float = CLOSE) -> list[ClosePair]:
    """Pairs of drugs of which two spoken names sound alike, the closest first."""
    forms: dict[str, list[str]] = {}
    for filled, tree in grammar.lists[DRUG_LIST].items:
        forms.setdefault(filled[0][1], []).extend(" ".join(form) for form in expansions(tree))
    return close_pairs(forms, ways, limit)


def drug_words(grammar: Grammar) -> frozenset[str]:
    """Every word of every spoken drug name, those that carry a strength among them."""
    return frozenset(word for _, tree in grammar.lists[DRUG_LIST].items for word in literals(tree))


def pronunciations(words: Iterable[str], overlays: Iterable[Path] = ()) -> dict[str, tuple[str, ...]]:
    """The ways to say each word that the bundled recogniser knows, ours and the overlays' among them."""
    from voicelog.recognisers.pronunciations import local_pronunciations

    words = frozenset(words)
    own, bundled = local_pronunciations(overlays), _bundled(words)
    return {word: tuple(dict.fromkeys((*bundled.get(word, ()), *own.get(word, ())))) for word in words}


def place_using(word: str, grammar: Grammar) -> Place:
    """The first phrase, drug or list that uses a word, or the first line with it when only a shared rule does."""
    for phrase in grammar.phrases:
        if any(word in literals(tree) for tree in phrase.say):
            return phrase.place
    for drug in grammar.drugs.values():
        if word in " ".join((*drug.spoken, *drug.named_concentrations)).split():
            return drug.place
    for values in grammar.lists.values():
        if any(word in literals(tree) for _, tree in values.items):
            return values.place
    return next(_lines_with(word, grammar), Place(Path()))


def _lines_with(word: str, grammar: Grammar) -> Iterator[Place]:
    """Lines of the grammar's files in which a word stands between quotes."""
    places = [
        *(phrase.place for phrase in grammar.phrases),
        *(drug.place for drug in grammar.drugs.values()),
        *(values.place for values in grammar.lists.values()),
    ]
    quoted = re.compile(rf'"[^"]*(?<![\w\']){re.escape(word)}(?![\w\'])')
    for file in dict.fromkeys(place.file for place in places if place.line):
        lines = file.read_text(encoding="utf-8").splitlines() if file.is_file() else []
        yield from (Place(file, number) for number, line in enumerate(lines, start=1) if quoted.search(line))


def _alike(pair: ClosePair, grammar: Grammar, declared: bool) -> Finding:
    later = max((grammar.drugs[name].place for name in pair.names), key=lambda place: place.line)
    names = " and ".join(
        form if form == name else f"{form} ({name})" for form, name in zip(pair.forms, pair.names, strict=True)
    )
    known = "declared" if declared else "not declared in sounds_alike.toml"
    return Finding(later, f"{names} sound alike (distance {pair.distance:.2f}, {known})", "note", "sounds_alike")


def _bundled(words: frozenset[str]) -> dict[str, tuple[str, ...]]:
    from voicelog.recognisers import sphinx
    from voicelog.recognisers.pronunciations import bundled_pronunciations

    if not sphinx.is_available().ready:
        return {}
    from pocketsphinx import get_model_path

    return bundled_pronunciations(Path(get_model_path("en-us/cmudict-en-us.dict")), words)


def _sphinx(grammar: Grammar) -> Hearing:
    from voicelog.recognisers import sphinx
    from voicelog.recognisers.pronunciations import local_pronunciations, typed_only

    ready = sphinx.is_available()
    if not ready.ready:
        return Hearing("sphinx", f"not here: {ready.detail}")
    vocabulary = grammar.vocabulary
    silent, own = typed_only(vocabulary, grammar.overlays), local_pronunciations(grammar.overlays)
    bundled = _bundled(vocabulary)

    def state(word: str) -> State:
        if word in silent:
            return "typed only"
        return "known" if word in bundled else "local" if word in own else "missing"

    return Hearing("sphinx", ready.detail, {word: state(word) for word in vocabulary})


def _vosk(grammar: Grammar) -> Hearing:
    from voicelog.recognisers import vosk
    from voicelog.recognisers.models import found_models
    from voicelog.recognisers.pronunciations import typed_only
    from voicelog.recognisers.spoken_as import read_spoken_as

    ready = vosk.is_available()
    if not ready.ready:
        return Hearing("vosk", f"not here: {ready.detail}")
    path = next(filter(vosk.takes_phrases, found_models(None, vosk.is_model)))
    silent = typed_only(grammar.vocabulary, grammar.overlays)
    try:
        stand_ins, known = read_spoken_as(path / vosk.SPOKEN_AS_FILE), vosk_words(path, grammar.vocabulary)
    except RecogniserError as error:
        return Hearing("vosk", f"does not start: {error.message}")

    def state(word: str) -> State:
        if word in silent:
            return "typed only"
        return "stand-in" if word in stand_ins else "known" if word in known else "missing"

    if len(known - silent) < MOSTLY * len(grammar.vocabulary - silent):
        return Hearing("vosk", f"no English model: {path.resolve().name} has {len(known)} of the words")
    return Hearing("vosk", ready.detail, {word: state(word) for word in grammar.vocabulary})


def vosk_words(path: Path, words: Iterable[str]) -> frozenset[str]:
    """Those of the words that a Vosk model has.

    Raises:
        RecogniserError: for a directory that Vosk cannot load.
    """
    from vosk import Model, SetLogLevel

    SetLogLevel(-1)
    try:
        model = Model(model_path=str(path))
    except Exception as error:  # the library raises nothing narrower
        raise RecogniserError(f"{path} is no model that Vosk can load", "see models/README.md") from error
    return frozenset(word for word in words if model.vosk_model_find_word(word) >= 0)


def _whisper() -> Hearing:
    from voicelog.recognisers import whisper

    ready = whisper.is_available()
    if not ready.ready:
        return Hearing("whisper", f"not here: {ready.detail}")
    return Hearing("whisper", f"{ready.detail}: writes free text, has no word list")
