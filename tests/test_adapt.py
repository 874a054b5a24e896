"""The adaptation of the second listener: its lines, weights on disk and conversion; training itself needs torch."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest
from bench.recognition.corpus import VOICES
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from voicelog.drill.adapt import kokoro, ort_weights, speech
from voicelog.drill.adapt.__main__ import main
from voicelog.drill.adapt.config import SHIPPED, AdaptError, read_config
from voicelog.drill.adapt.convert import convert
from voicelog.drill.adapt.talk import TEMPLATES, UNLISTED
from voicelog.drill.adapt.texts import LONGEST_WORDS, callouts, talk
from voicelog.drill.adapt.weights import (
    FROZEN,
    floats,
    packed,
    read_model,
    unpacked,
    write_model,
    write_parts,
)
from voicelog.events import event_fields
from voicelog.grammar.loader import load_grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.parse.written import spoken as as_spoken
from voicelog.recognisers import moonshine, whisper
from voicelog.recognisers.written import drug_names

BOTH = SHIPPED, SHIPPED.with_name("moonshine.toml")
needs_model = pytest.mark.skipif(importlib.util.find_spec(whisper.BUNDLE) is None, reason="no Whisper model here")


def bundled() -> Path:
    """The directory of the bundled model."""
    found = importlib.util.find_spec(whisper.BUNDLE)
    assert found is not None
    assert found.submodule_search_locations
    return Path(found.submodule_search_locations[0]) / "model"


def bundled_moonshine() -> Path:
    """The directory of the other bundled model; skips the test where there is none."""
    package = importlib.util.find_spec(moonshine.BUNDLE)
    if package is None or not package.submodule_search_locations:
        pytest.skip("no Moonshine model to start from here")
    return Path(package.submodule_search_locations[0]) / "assets" / "tiny-en"


def test_every_drug_is_said_and_most_callouts_are_understood() -> None:
    from random import Random

    grammar = load_grammar()
    lines = callouts(grammar, Random(5), 1500)
    said = " | ".join(line.spoken for line in lines)
    assert all(form in said for drug in grammar.drugs.values() for form in drug.spoken)
    assert all(len(line.spoken.split()) <= LONGEST_WORDS for line in lines)
    # A line is sampled from the grammar or from the common ways to call out a drug; a dose may be too odd to enter.
    understood = [parse(words_of(line.spoken), grammar).outcome != "not_understood" for line in lines]
    assert np.mean(understood) > 0.7


def test_what_is_to_be_written_means_what_is_said() -> None:
    from random import Random

    grammar = load_grammar()
    alike, same = [], []
    for line in callouts(grammar, Random(6), 500):
        said = parse(words_of(line.spoken), grammar)
        read = parse(as_spoken(words_of(line.text)), grammar)
        if said.outcome == "events" and read.outcome == "events":
            meant = [[event_fields(draft.event) for draft in result.drafts] for result in (said, read)]
            same.append(meant[0] == meant[1])
        if said.outcome == "events":
            alike.append(read.outcome == "events")
    assert np.mean(alike) > 0.9
    # "On fifty one litres o two" is one callout, "on 51 litres O2" two: the short form is also typed by itself.
    assert np.mean(same) > 0.99


def test_talk_enters_nothing_and_names_unlisted_drugs_as_said() -> None:
    from random import Random

    grammar = load_grammar()
    names = {" ".join(name) for name in drug_names(grammar)}
    assert not names & set(UNLISTED)
    lines = talk(grammar, Random(7), 600)
    entered = [line.spoken for line in lines if parse(words_of(line.spoken), grammar).drafts]
    assert len(entered) / len(lines) < 0.03, entered
    assert len(TEMPLATES) > 80


def test_no_voice_of_the_report_is_trained_on() -> None:
    reported = {voice.partition("@")[0] for voice in VOICES["report"]}
    assert reported == {
        *("hibari", "flite-rms", "flite-awb", "flite-kal16"),
        *("espeak-gb", "espeak-scotland", "espeak-rp", "espeak-f2", "espeak-m3"),
    }
    assert not any(accent.startswith("en-gb") for accent in speech._ACCENTS)
    assert not {"+f2", "+m3"} & set(speech._VARIANTS)
    # Festival's kal is flite's kal16.
    assert not any("kal" in voice for voice in speech._FESTIVAL)


STRESS = {
    # Stress as in the CMU Pronouncing Dictionary, where it has the word.
    "EH P AH N EH F R AH N": "ɛpənˈɛfɹən",
    "F EH N T AH N IH L": "fˈɛntənɪl",
    "AE L B Y UW T ER AO L": "ælbjˈutəɹɔl",
    "K AH": "kˈʌ",
}


@pytest.mark.parametrize("phones", STRESS)
def test_a_name_of_our_dictionary_is_said_with_its_stress(phones: str) -> None:
    assert kokoro._stressed(phones.split()) == STRESS[phones]


def test_a_line_is_said_by_one_accent_and_never_by_a_voice_held_back(tmp_path: Path) -> None:
    from random import Random

    for name in (*kokoro.HELD_BACK, "af_river", "am_liam", "bf_emma", "bm_fable", "jf_alpha"):
        (tmp_path / f"{name}.bin").touch()
    names = kokoro.voices(tmp_path)
    assert names == ["af_river", "am_liam", "bf_emma", "bm_fable"]
    random = Random(8)
    lines = [kokoro.said("amiodarone three hundred milligrams, then ninety six", names, random) for _ in range(30)]
    assert all(len({name[0] for name in line.voice.split("+")}) == 1 for line in lines)
    assert any("+" in line.voice for line in lines)
    # The name by our dictionary or as espeak-ng reads it; the model knows no length marks of American vowels.
    assert any("ˈOdəɹOn" in line.phonemes for line in lines)
    assert all("ː" not in line.phonemes for line in lines if line.voice.startswith("a"))
    assert all("," in line.phonemes for line in lines)


@needs_model
def test_a_model_file_is_written_back_byte_for_byte(tmp_path: Path) -> None:
    write_model(read_model(bundled() / "model.bin"), tmp_path / "again.bin")
    assert (tmp_path / "again.bin").read_bytes() == (bundled() / "model.bin").read_bytes()


@given(arrays(np.float32, (4, 7), elements=st.floats(-3, 3, width=32)))
def test_packing_keeps_each_value_to_half_a_step(rows: np.ndarray) -> None:
    back = unpacked(packed({"a": rows, "b": rows[0]}))
    step = np.abs(rows).max(axis=1, keepdims=True) / 127
    assert (np.abs(back["a"] - rows) <= step * 0.51 + 1e-6).all()
    assert np.allclose(back["b"], rows[0], atol=2e-3)


@needs_model
def test_the_converted_model_hears_what_the_start_hears(tmp_path: Path) -> None:
    import soundfile

    grammar = load_grammar()
    start = floats(read_model(bundled() / "model.bin"))
    still = {name: np.zeros_like(rows) for name, rows in start.items() if not any(part in name for part in FROZEN)}
    write_parts(packed(still), tmp_path, "change")
    convert(bundled(), [tmp_path], 1.0, tmp_path / "model")
    sound, _ = soundfile.read(Path(__file__).parents[1] / "samples" / "asthma.flac", dtype="int16", stop=96_000)
    heard = []
    for model in (bundled(), tmp_path / "model"):
        listener = whisper.open(grammar, model)
        listener.feed(sound)
        heard.append(listener.finish().best.text)
        listener.close()
    assert heard[0] == heard[1] != ""


@pytest.mark.parametrize("path", [*BOTH, SHIPPED.with_name("tiny.toml")], ids=lambda path: path.stem)
def test_the_shipped_configs_can_be_read(path: Path) -> None:
    config = read_config(path)
    assert sum(config.voices.values()) == pytest.approx(1)
    assert 0 < config.keep <= 1


def test_one_set_of_spoken_lines_serves_both() -> None:
    whisper_model, moonshine_model = map(read_config, BOTH)
    for name in ("seed", "texts", "voices", "kokoro"):
        assert getattr(whisper_model, name) == getattr(moonshine_model, name), name


def test_a_moonshine_model_without_a_change_hears_as_before(tmp_path: Path) -> None:
    import soundfile

    start = ort_weights.floats(bundled_moonshine())
    still = {name: np.zeros_like(rows) for name, rows in start.items() if not any(part in name for part in FROZEN)}
    assert len(still) == 159
    write_parts(packed(still), tmp_path, "change")
    convert(bundled_moonshine(), [tmp_path], 1.0, tmp_path / "model")
    again = ort_weights.floats(tmp_path / "model")
    for name, rows in start.items():
        # A matrix is put into eight bits anew, which moves a value by half a step at most.
        assert np.abs(again[name] - rows).max() <= (rows.max() - rows.min()) / 255 * 0.51 + 1e-6, name
    sound, _ = soundfile.read(Path(__file__).parents[1] / "samples" / "asthma.flac", dtype="int16", stop=96_000)
    heard = []
    for model in (bundled_moonshine(), tmp_path / "model"):
        listener = moonshine.open(load_grammar(), model)
        listener.feed(sound)
        heard.append(listener.finish().best.text)
        listener.close()
    assert heard[0] == heard[1] != ""


def test_a_change_that_belongs_to_another_model_is_refused(tmp_path: Path) -> None:
    for change in ({"encoder.none.weight": (2, 2)}, {"encoder.conv3.bias": (3,)}):
        rows = {name: np.zeros(shape, dtype=np.float32) for name, shape in change.items()}
        with pytest.raises(AdaptError, match="does not belong"):
            ort_weights.write_changed(bundled_moonshine(), rows, 1.0, tmp_path)


@pytest.mark.parametrize("data", [b"", b"\0" * 64, b"ORTM" * 100])
def test_what_is_no_file_of_onnx_runtime_is_refused(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "model.ort").write_bytes(data)
    with pytest.raises(AdaptError):
        ort_weights.OrtFile(tmp_path / "model.ort")


@pytest.mark.parametrize("data", [b"", b"\x06\0\0\0", b"\x07\0\0\0rest", b"\x06\0\0\0\x02\0ab"])
def test_what_is_no_model_is_refused(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "model.bin").write_bytes(data)
    with pytest.raises(AdaptError):
        read_model(tmp_path / "model.bin")


def test_a_config_with_a_slip_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shipped = Path(speech.__file__).with_name("config.toml").read_text(encoding="utf-8")
    (tmp_path / "config.toml").write_text(shipped.replace("warm_up", "warmup"), encoding="utf-8")
    with pytest.raises(AdaptError):
        read_config(tmp_path / "config.toml")
    given_config = ["--config", str(tmp_path / "config.toml")]
    assert main(["convert", "--model", ".", "--out", str(tmp_path), *given_config, "x"]) == 2
    assert "warmup" in capsys.readouterr().err


def test_the_network_is_the_one_that_ctranslate2_runs() -> None:
    torch = pytest.importorskip("torch")
    import ctranslate2

    from voicelog.drill.adapt.network import Network
    from voicelog.recognisers.logmel import log_mel

    weights = {name: torch.tensor(rows) for name, rows in floats(read_model(bundled() / "model.bin")).items()}
    sound = (np.random.default_rng(1).standard_normal(16_000 * 3) * 2000).astype(np.int16)
    features = log_mel(sound, 80, 15.0)[None]
    ours = Network(weights).encoded(torch.tensor(features)).detach().numpy()
    engine = ctranslate2.models.Whisper(str(bundled()), device="cpu", compute_type="float32")
    theirs = np.array(engine.encode(ctranslate2.StorageView.from_array(features)))
    assert np.abs(ours - theirs).max() < 0.05 * np.abs(theirs).max()


def test_the_other_network_is_the_one_that_onnx_runtime_runs() -> None:
    torch = pytest.importorskip("torch")
    import soundfile

    from voicelog.drill.adapt.moonshine_network import MoonshineNetwork

    network = MoonshineNetwork(
        {name: torch.tensor(rows) for name, rows in ort_weights.floats(bundled_moonshine()).items()}
    )
    listener = moonshine.open(load_grammar(), bundled_moonshine())
    sound, _ = soundfile.read(Path(__file__).parents[1] / "samples" / "asthma.flac", dtype="int16", stop=96_000)
    read = listener._begun(sound)
    tokens = [1]
    with torch.no_grad():
        ours = network.encoded(network.features(torch.tensor(sound.astype(np.float32) / 32_768)[None]))
        # One rounds to eight bits on its way and the other does not.
        assert np.corrcoef(ours.numpy().ravel(), read.encoded.ravel())[0, 1] > 0.98
        for _ in range(8):
            logits = network.decoded(torch.tensor([tokens]), ours)[0, -1]
            assert int(logits.argmax()) == int(read.next.argmax())
            tokens.append(int(logits.argmax()))
            read = listener._on(read, tokens[-1:])[1]


@pytest.mark.parametrize("make", ["whisper", "moonshine"])
def test_from_lines_to_a_model_that_listens_on_a_cpu(make: str, tmp_path: Path) -> None:
    pytest.importorskip("torch")
    from voicelog.drill.adapt import train

    if not Path("/usr/share/wordnet").exists():
        pytest.skip("wordnet-base is not installed")
    model = bundled() if make == "whisper" else bundled_moonshine()
    config = (SHIPPED if make == "whisper" else BOTH[1]).read_text(encoding="utf-8")
    head, _, rest = config.partition("[voices]")
    for name, count in (("callouts", 8), ("talk", 3), ("prose", 3)):
        head = re.sub(rf"{name} = \d+", f"{name} = {count}", head)
    own = tmp_path / "config.toml"
    few = re.sub(r"batch = \d+", "batch = 2", rest[rest.index("[train]") :])
    own.write_text(f"{head}[voices]\nespeak = 1.0\n{few}", encoding="utf-8")
    given_model, data, out = ["--config", str(own), "--model", str(model)], tmp_path / "data", tmp_path / "adapted"
    assert main(["data", *given_model, "--out", str(data)]) == 0
    for seed in ("1", "2"):
        trained = ["--data", str(data), "--out", str(tmp_path / seed), "--config", str(own)]
        assert train.main([*trained, "--seed", seed, "--steps", "2"]) == 0
    assert main(["convert", *given_model, "--out", str(out), str(tmp_path / "1"), str(tmp_path / "2")]) == 0
    (whisper if make == "whisper" else moonshine).open(load_grammar(), out).close()
