"""The embedded recogniser on the recorded samples: synthetic voices in ambulance noise, see samples/README.md."""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from recogniser_contract import RecogniserContract

from voicelog.audio.source import read_recording
from voicelog.errors import RecogniserError
from voicelog.grammar.loader import load_grammar, read_grammar, shipped_grammars
from voicelog.parse.parser import parse
from voicelog.recognisers import sphinx
from voicelog.recognisers.base import SAMPLE_RATE, Listener, Word
from voicelog.recognisers.pronunciations import local_pronunciations, typed_only

SAMPLES = shipped_grammars().parent / "samples"
BEFORE_S, LONGEST_S, GAP_S = 0.5, 2.5, 0.3
TINY = '[phrase.tiny]\nsay = ["{}"]\nevent = {{kind = "remark"}}\n'


@cache
def clips() -> dict[str, NDArray[np.int16]]:
    """Each scripted line and its stretch of the recording, up to the next line."""
    found: dict[str, NDArray[np.int16]] = {}
    for script in sorted(SAMPLES.glob("*.toml")):
        lines = tomllib.loads(script.read_text(encoding="utf-8"))["line"]
        samples = read_recording(script.with_suffix(".flac")).samples
        starts = [line["at"] for line in lines]
        for line, onward in zip(lines, [*starts[1:], starts[-1] + LONGEST_S], strict=True):
            first, last = line["at"] - BEFORE_S, min(onward - GAP_S, line["at"] + LONGEST_S)
            found.setdefault(line["say"], samples[int(first * SAMPLE_RATE) : int(last * SAMPLE_RATE)])
    return found


def hear(listener: Listener, samples: NDArray[np.int16], block: int) -> tuple[Word, ...]:
    for start in range(0, len(samples), block):
        listener.feed(samples[start : start + block])
    return listener.finish().best.words


class TestSphinx(RecogniserContract):
    module = sphinx

    def speak(self, listener: Listener, text: str) -> None:
        samples = clips()[text]
        for start in range(0, len(samples), 1600):
            listener.feed(samples[start : start + 1600])

    def test_blocks_of_any_length_are_heard_alike(self, listener: Listener) -> None:
        samples = clips()[self.said[0]]
        whole = hear(listener, samples, len(samples))
        assert [hear(listener, samples, block) for block in (1600, 777)] == [whole] * 2

    def test_a_bang_before_makes_no_difference_to_the_words(self, listener: Listener) -> None:
        hear(listener, np.random.default_rng(4).normal(0, 9000, SAMPLE_RATE // 2).astype(np.int16), 1600)
        assert " ".join(word.text for word in hear(listener, clips()[self.said[0]], 1600)) == self.said[0]

    def test_word_times_lie_inside_the_clip_and_after_the_lead_in(self, listener: Listener) -> None:
        samples = clips()[self.said[1]]
        words = hear(listener, samples, 1600)
        assert words[0].start == pytest.approx(BEFORE_S, abs=0.25)
        assert words[-1].end is not None
        assert words[-1].end <= len(samples) / SAMPLE_RATE

    def test_silence_is_no_callout(self, listener: Listener) -> None:
        quiet = np.random.default_rng(3).normal(0, 8, SAMPLE_RATE).astype(np.int16)
        assert parse(hear(listener, quiet, 1600), load_grammar()).outcome == "not_understood"

    def test_the_options_name_model_weight_and_grammar(self, listener: Listener) -> None:
        assert listener.options.keys() == {"engine", "model", "garbage_weight", "jsgf"}


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    made = tmp_path / "grammars"
    made.mkdir()
    return made


def test_a_word_without_pronunciation_is_refused_by_name_and_place(directory: Path) -> None:
    (directory / "local.toml").write_text("\n" + TINY.format("the zorbl is up"))
    with pytest.raises(RecogniserError, match=r"local\.toml:2: the word 'zorbl' has no pronunciation") as refusal:
        sphinx.open(read_grammar([directory]))
    assert "typed_only.txt" in refusal.value.hint


def test_a_local_pronunciation_mends_that(directory: Path, tmp_path: Path) -> None:
    (directory / "local.toml").write_text(TINY.format("the zorbl is up"))
    (tmp_path / "crew.dict").write_text("# ours\nzorbl  Z AO R B AH L\nzorbl(2)  Z ER B AH L\n")
    sphinx.open(read_grammar([directory]), pronunciations=[tmp_path]).close()


def test_a_word_listed_as_typed_only_needs_no_pronunciation(directory: Path, tmp_path: Path) -> None:
    (directory / "local.toml").write_text(TINY.format("(z b l | zorbl) up"))
    (tmp_path / "typed_only.txt").write_text("zorbl\n")
    sphinx.open(read_grammar([directory]), pronunciations=[tmp_path]).close()


def test_every_spoken_word_of_the_shipped_grammar_has_a_pronunciation() -> None:
    sphinx.open(load_grammar()).close()


def test_short_forms_and_words_with_digits_are_typed_only() -> None:
    assert typed_only(["iv", "spo2", "mg", "in", "a", "avpu"]) == {"iv", "spo2", "mg"}


@pytest.mark.parametrize("line", ["zorbl", "zorbl  Z QQ", "zorbl z ao", "zorbl(x)  Z AO", "(2)  Z AO"])
def test_a_faulty_pronunciation_is_refused_by_line(tmp_path: Path, line: str) -> None:
    (tmp_path / "crew.dict").write_text(f"palp  P AE L P\n{line}\n")
    with pytest.raises(RecogniserError, match=r"crew\.dict:2: "):
        local_pronunciations([tmp_path])


@pytest.mark.parametrize(
    ("segments", "words"),
    [
        ([("<sil>", 0, 9), ("sats", 10, 39), ("[NOISE]", 40, 45)], [Word("sats", 0.1, 0.4)]),
        ([("sats(2)", 0, 9), ("ten", 10, 19)], [Word("sats", 0.0, 0.1), Word("ten", 0.1, 0.2)]),
        ([("phone-aa", 0, 9), ("<sil>", 10, 11), ("phone-b", 12, 19)], [Word("<garbage>", 0.0, 0.2)]),
        ([("phone-aa", 0, 9), ("no", 10, 19), ("phone-b", 20, 29)], None),
        ([], []),
    ],
)
def test_segments_to_words(segments: list[tuple[str, int, int]], words: list[Word] | None) -> None:
    if words is None:
        assert [word.text for word in sphinx.heard(segments)] == ["<garbage>", "no", "<garbage>"]
    else:
        assert list(sphinx.heard(segments)) == words


def test_no_file_stays_behind_and_nothing_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], directory: Path
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (directory / "local.toml").write_text(TINY.format("sats up"))
    sphinx.open(read_grammar([directory])).close()
    shutil.rmtree(directory)
    assert list(tmp_path.iterdir()) == []
    assert capfd.readouterr() == ("", "")
