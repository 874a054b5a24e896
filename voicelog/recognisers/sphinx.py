"""The embedded default: PocketSphinx with the English model in its wheel, kept to what the grammar lets crews say."""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from importlib import metadata, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.errors import RecogniserError
from voicelog.grammar.acceptor import END, START, Weights, WordNet, word_net
from voicelog.grammar.jsgf import emit_jsgf
from voicelog.grammar.model import Grammar
from voicelog.recognisers.base import Availability, Hypothesis, Listener, Utterance, Word
from voicelog.recognisers.pronunciations import (
    PHONES,
    bundled_pronunciations,
    local_pronunciations,
    place_of,
    typed_only,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

GARBAGE = "<garbage>"
FRAMES_PER_SECOND = 100
WEIGHTS = Weights()
"""Measured with tests/bench/bench_sphinx.py: garbage at 1e-10 lets twice as much other speech through as at 1e-6, and
hears one more callout in 95; at 1e-4 nothing is gained."""
PHONE_WORD = "phone-"
"""With a phone behind it, the word that stands for this phone alone."""
ADAPTATION = ".mllr"
"""How the name of a file ends that fits the acoustic model to a crew's voices and cabin; in an overlay."""
_VARIANT = re.compile(r"\(\d+\)\Z")
_INSTALL = "install it: pip install pocketsphinx"
_SEARCH = "voicelog"
DECODER: dict[str, Any] = {
    "lm": None,
    # With the default the phone loop runs at seven times real time.
    "bestpath": False,
    # The arcs name every way to say a word themselves: the engine takes a second to add them.
    "fsgusealtpron": False,
    # 60% of the time of the default, 30000, which hears one more of 49 sample callouts; 800 loses three of 95.
    "maxhmmpf": 1500,
    "wbeam": 1e-20,
    # The default, 0.005, makes every pause cost as much as a wrong phone.
    "silprob": 0.2,
    # Narrower than the defaults (1e-48), and dearer words (0.65): fewer short words where one long one was said.
    "beam": 1e-40,
    "pbeam": 1e-40,
    "wip": 0.1,
    "loglevel": "FATAL",
}
"""How the engine is run."""


def is_available() -> Availability:
    """Whether PocketSphinx and its bundled model are installed. Never raises, never downloads."""
    if util.find_spec("pocketsphinx") is None:
        return Availability(False, "pocketsphinx is not installed", _INSTALL)
    from pocketsphinx import get_model_path

    model = Path(get_model_path("en-us/en-us"))
    if not model.is_dir():
        return Availability(False, f"pocketsphinx has no model at {model}", "install the pocketsphinx wheel")
    return Availability(True, f"pocketsphinx {metadata.version('pocketsphinx')}, bundled model en-us")


def open(grammar: Grammar, pronunciations: Iterable[Path] = (), weights: Weights | None = None) -> SphinxListener:
    """Open the decoder for a grammar.

    Args:
        grammar: what may be said.
        pronunciations: directories of ``*.dict`` and ``typed_only.txt`` beside those of the grammar's overlays.
        weights: of callouts against anything else; None for those measured, or the overlay's own.

    Raises:
        RecogniserError: engine or model missing, or a word of the grammar has no pronunciation.
    """
    ready = is_available()
    if not ready.ready:
        raise RecogniserError(ready.detail, ready.hint)
    directories = (*grammar.overlays, *pronunciations)
    weights = weights or (WEIGHTS if grammar.garbage is None else replace(WEIGHTS, garbage=grammar.garbage))
    silent = typed_only(grammar.vocabulary, directories)
    ways = ways_of(grammar, silent, directories)
    adapted = adaptation_of(grammar)
    net = word_net(grammar, silent, [PHONE_WORD + phone.lower() for phone in PHONES], weights)
    options = {
        **engine_options(adapted),
        "garbage_weight": f"{weights.garbage:g}",
        "jsgf": hashlib.sha256(emit_jsgf(grammar, without=silent).encode()).hexdigest()[:16],
    }
    return SphinxListener(_decoder(net, ways, adapted), options)


def engine_options(adapted: Path | None) -> dict[str, str]:
    """Engine and model by name, and the digest of the transform that fits the model to a crew."""
    options = {"engine": f"pocketsphinx {metadata.version('pocketsphinx')}", "model": "en-us, bundled"}
    if adapted:
        options["adaptation"] = hashlib.sha256(adapted.read_bytes()).hexdigest()[:16]
    return options


def adaptation_of(grammar: Grammar) -> Path | None:
    """The transform that fits the model to a crew, from the last overlay that has one; None for the model as it is."""
    found = [path for directory in grammar.overlays for path in sorted(directory.glob(f"*{ADAPTATION}"))]
    return found[-1] if found else None


class SphinxListener(Listener):
    """An open PocketSphinx decoder."""

    name = "sphinx"

    def __init__(self, decoder: Any, options: Mapping[str, str]) -> None:
        self._decoder = decoder
        self._blocks: list[bytes] = []
        self._guess: tuple[bytes, Utterance] | None = None
        self.options = dict(options)

    def feed(self, block: NDArray[np.int16]) -> None:
        """Keep the next block: int16 mono at SAMPLE_RATE, any length.

        The engine hears the utterance as a whole, at the end: it then levels the sound by the utterance's own mean, so
        that the same audio gives the same words whatever came before it and however it was cut. Decoding while the crew
        still speaks was measured: levelled by the first 2.2 s, of 127 callouts of the tuning voices 53 were entered
        right and 12 wrong, against 58 and 9.
        """
        self._blocks.append(block.tobytes())

    def finish(self) -> Utterance:
        """End the utterance; one reading, or none when nothing was fed or no path of the grammar fits."""
        audio, self._blocks = b"".join(self._blocks), []
        guess, self._guess = self._guess, None
        return guess[1] if guess and guess[0] == audio else self._heard(audio)

    def guess(self, tail: NDArray[np.int16]) -> Utterance:
        """Decode what will be the utterance, should it end here."""
        audio = b"".join((*self._blocks, tail.tobytes()))
        self._guess = audio, self._heard(audio)
        return self._guess[1]

    def _heard(self, audio: bytes) -> Utterance:
        if not audio:
            return Utterance()
        self._decoder.start_utt()
        self._decoder.process_raw(audio, full_utt=True)
        self._decoder.end_utt()
        if self._decoder.hyp() is None:
            return Utterance()
        words = heard((part.word, part.start_frame, part.end_frame) for part in self._decoder.seg())
        return Utterance((Hypothesis(words),)) if words else Utterance()

    def close(self) -> None:
        """Free the decoder."""
        self._decoder = None


def heard(segments: Iterable[tuple[str, int, int]]) -> tuple[Word, ...]:
    """Words of the decoder's segments: silence dropped, variants folded, runs of phones made one garbage word.

    Args:
        segments: (dictionary entry, first frame, last frame).
    """
    words: list[Word] = []
    for entry, first, last in segments:
        if entry[0] in "<[(+":
            continue
        start, end = first / FRAMES_PER_SECOND, (last + 1) / FRAMES_PER_SECOND
        if not entry.startswith(PHONE_WORD):
            words.append(Word(_VARIANT.sub("", entry), start, end))
        elif words and words[-1].text == GARBAGE:
            words[-1] = Word(GARBAGE, words[-1].start, end)
        else:
            words.append(Word(GARBAGE, start, end))
    return tuple(words)


def ways_of(grammar: Grammar, silent: frozenset[str], directories: Sequence[Path]) -> dict[str, tuple[str, ...]]:
    """Every spoken word of the grammar and its pronunciations."""
    from pocketsphinx import get_model_path

    wanted = grammar.vocabulary - silent
    own = local_pronunciations(directories)
    bundled = bundled_pronunciations(Path(get_model_path("en-us/cmudict-en-us.dict")), wanted)
    missing = sorted(word for word in wanted if word not in own and word not in bundled)
    if missing:
        place = place_of(missing[0], grammar)
        more = f" (and {len(missing) - 1} more: {', '.join(missing[1:6])})" if len(missing) > 1 else ""
        raise RecogniserError(
            f"{place}: " * bool(place) + f"the word {missing[0]!r} has no pronunciation{more}",
            "add it to a .dict file beside models/pronunciations.dict, or to typed_only.txt if it is never spoken",
        )
    return {word: tuple(dict.fromkeys((*bundled.get(word, ()), *own.get(word, ())))) for word in sorted(wanted)}


def _decoder(net: WordNet, ways: Mapping[str, Sequence[str]], adapted: Path | None) -> Any:
    from pocketsphinx import Decoder

    phones = {PHONE_WORD + phone.lower(): (phone,) for phone in PHONES}
    entries = {word: entries_of(word, phones.get(word) or ways[word]) for word in net.words}
    # The engine reads its dictionary from a file only; one of the words at hand is smaller than its 126,000.
    with tempfile.TemporaryDirectory(prefix="voicelog-") as directory:
        path = Path(directory) / "words.dict"
        lines = sorted(f"{entry} {said}" for forms in entries.values() for entry, said in forms.items())
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        try:
            decoder = Decoder(dict=str(path), mllr=str(adapted) if adapted else None, **DECODER)
        except RuntimeError as error:
            raise RecogniserError(f"pocketsphinx does not start: {error}", "reinstall pocketsphinx") from error
    arcs = [(start, end, weight, entry) for start, end, weight, word in net.arcs for entry in entries[word]]
    decoder.add_fsg(_SEARCH, decoder.create_fsg(_SEARCH, START, END, [*net.empty, *arcs]))
    decoder.activate_search(_SEARCH)
    return decoder


def entries_of(word: str, ways: Sequence[str]) -> dict[str, str]:
    """Dictionary entries of a word, ``word(2)`` for its second way, to their phones."""
    return {word if number == 1 else f"{word}({number})": phones for number, phones in enumerate(ways, start=1)}
