"""The acoustic model adapted to a voice by Debian's sphinxtrain: what is unpacked for it, and that it fits better."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pocketsphinx import Decoder, get_model_path

from voicelog.drill.adaptation import is_available, mixture_weights, transform
from voicelog.drill.script import DrillError
from voicelog.drill.sounds import Said
from voicelog.drill.voices import speak
from voicelog.grammar.coverage import pronunciations
from voicelog.grammar.loader import read_grammar, shipped_grammars
from voicelog.recognisers import sphinx

SAYS = (
    "heart rate ninety two",
    "respiratory rate fourteen",
    "blood glucose one seventeen",
    "oxygen saturation eighty eight percent",
    "patient contact",
    "epinephrine one milligram i v",
)
LEFT_OUT = "blood pressure one eighteen over seventy six"


def said(text: str) -> Said:
    sound = np.concatenate([np.zeros(4000), speak(text, "espeak-gb") * 2000, np.zeros(4000)])
    sound += np.random.default_rng(1).standard_normal(sound.size) * 15
    return Said(sound.astype(np.int16), tuple(text.split()))


def test_packed_weights_are_unpacked_by_stream_density_and_state() -> None:
    # Two streams of two densities for three states; a byte more is 1024 times the logarithm of 1.0001 less.
    head = b"".join(struct.pack("<i", len(text) + 1) + text + b"\0" for text in (b"x", b"feature_count 2"))
    packed = bytes([0, 0, 0, 0, 10, 20] + [5] * 6)
    weights = mixture_weights(head + struct.pack("<3i", 0, 2, 3) + packed)
    assert weights.shape == (3, 2, 2)
    assert weights[1, 0, 0] / weights[1, 0, 1] == pytest.approx(1.0001**10240)
    assert weights[2, 1] == pytest.approx([0.5, 0.5])


def test_the_bundled_model_has_a_weight_for_every_state_that_sums_to_one() -> None:
    weights = mixture_weights(Path(get_model_path("en-us/en-us/sendump")).read_bytes())
    # 5126 tied states, 3 streams and 128 densities, as the model's own mdef and means say.
    assert weights.shape == (5126, 3, 128)
    assert weights.sum(axis=2) == pytest.approx(1.0)


def likelihood(one: Said, ways: dict[str, tuple[str, ...]], folder: Path, fitted: Path | None) -> float:
    """How likely the engine finds a callout with its true words, by its own forced alignment."""
    (folder / "words.dict").write_text("".join(f"{word} {ways[word][0]}\n" for word in sorted(set(one.words))))
    mllr = str(fitted) if fitted else None
    decoder = Decoder(
        dict=str(folder / "words.dict"), lm=None, loglevel="FATAL", cmn="batch", compallsen=True, mllr=mllr
    )
    decoder.set_align_text(" ".join(one.words))
    decoder.start_utt()
    samples: NDArray[np.int16] = one.samples
    decoder.process_raw(samples.tobytes(), full_utt=True)
    decoder.end_utt()
    return sum(math.log(part.ascore) for part in decoder.seg())


@pytest.mark.skipif(not is_available().ready, reason=is_available().detail)
def test_a_voice_becomes_likelier_in_a_callout_left_out_and_an_overlay_puts_it_in_force(
    tmp_path: Path,
) -> None:
    ways = pronunciations({word for text in (*SAYS, LEFT_OUT) for word in text.split()})
    text = transform([said(one) for one in SAYS], ways)
    overlay = tmp_path / "overlay"
    overlay.mkdir()
    (overlay / "own.toml").write_text("")
    plain = read_grammar([shipped_grammars(), overlay])
    (overlay / "learned.mllr").write_text(text)
    one = said(LEFT_OUT)
    assert likelihood(one, ways, tmp_path, overlay / "learned.mllr") > likelihood(one, ways, tmp_path, None)
    grammar = read_grammar([shipped_grammars(), overlay])
    assert sphinx.adaptation_of(grammar) == overlay / "learned.mllr"
    assert grammar.digest != plain.digest
    listener = sphinx.open(grammar)
    assert "adaptation" in listener.options
    listener.feed(one.samples)
    assert listener.finish().best.text
    listener.close()


def test_missing_tools_are_named_with_the_packages_that_have_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    assert "sphinx_fe" in is_available().detail
    assert "apt install sphinxtrain" in is_available().hint
    with pytest.raises(DrillError, match="not installed"):
        transform([], {})
