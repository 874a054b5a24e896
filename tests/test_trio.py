"""Three listeners on recorded samples, with the real engines and the shipped adapted model."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from recogniser_contract import RecogniserContract
from test_pair import hear, needs_model
from test_sphinx import clips

from voicelog.errors import RecogniserError
from voicelog.grammar.loader import load_grammar
from voicelog.parse.agreement import judged
from voicelog.parse.parser import parse
from voicelog.recognisers import moonshine, trio, whisper
from voicelog.recognisers.base import LATE, SAMPLE_RATE, Availability, Listener, ThirdOpinion, Utterance, Word
from voicelog.recognisers.meanings import same_meaning
from voicelog.recognisers.registry import FOR_AUDIO, preferred, recogniser

MODEL = Path(__file__).parents[1] / "models" / "adapted"
THIRD = MODEL.with_name("adapted-tiny")


@needs_model
class TestTrio(RecogniserContract):
    module = trio

    def speak(self, listener: Listener, text: str) -> None:
        samples = clips()[text]
        for start in range(0, len(samples), 1600):
            listener.feed(samples[start : start + 1600])

    def test_options_name_all_engines(self, listener: Listener) -> None:
        assert listener.options["adapted_model"] == "adapted"
        assert listener.options["second_model"] == "adapted-moonshine"
        assert listener.options["third_model"] == "adapted-tiny"
        assert listener.options["grammar_engine"].startswith("pocketsphinx")

    def test_words_that_the_grammar_listener_bears_out_have_times(self, listener: Listener) -> None:
        utterance = hear(listener, clips()["heart rate one thirty six"])
        assert utterance.second is not None
        assert utterance.second.adapted is not None
        # Both free-text listeners wrote the same, so the grammar listener was only asked where the words lie.
        assert utterance.second.adapted.borne_out is None
        assert all(word.start is not None and word.end is not None for word in utterance.best.words)

    def test_a_third_is_asked_in_doubt_alone(self, listener: Listener) -> None:
        assert _third(listener, "patient contact") is None
        doubtful = ("respirations thirty two", "responds to voice", "pupils pinpoint", "suction done")
        asked = [third for said in doubtful if (third := _third(listener, said)) is not None]
        assert asked
        assert all(third.words for third in asked)
        # Reading and rivals are scored only where it wrote the reading by itself.
        assert any(third.fits and all(fit.total < 0 for fit in third.fits) for third in asked)

    @pytest.mark.parametrize("said", ["heart rate one thirty six", "patient contact", "respiratory rate thirty six"])
    def test_a_clear_callout_is_accepted(self, listener: Listener, said: str) -> None:
        utterance = hear(listener, clips()[said])
        plain = parse(utterance.best.words, load_grammar())
        assert judged(plain, utterance, load_grammar()) == plain
        assert plain.outcome == "events"

    def test_one_that_falls_behind_gives_its_reading_first_and_the_judgement_later(self, listener: Listener) -> None:
        assert isinstance(listener, trio.TrioListener)
        listener._patience_s = 0.0
        try:
            early = hear(listener, clips()["heart rate one thirty six"])
            assert early.best.text == "heart rate one thirty six"
            assert early.second is not None
            assert early.second.refusal == LATE
            found: list[tuple[int, Utterance]] = []
            while not found:
                found = listener.late()
            ((ticket, whole),) = found
            assert ticket == early.second.ticket
            assert whole.second is not None
            assert whole.second.adapted is not None
        finally:
            listener._patience_s = None

    def test_noise_enters_nothing(self, listener: Listener) -> None:
        noise = np.random.default_rng(7).normal(0, 1000, 2 * SAMPLE_RATE).astype(np.int16)
        utterance = hear(listener, noise)
        assert judged(parse(utterance.best.words, load_grammar()), utterance, load_grammar()).drafts == ()


def _third(listener: Listener, said: str) -> ThirdOpinion | None:
    second = hear(listener, clips()[said]).second
    assert second is not None
    assert second.adapted is not None
    return second.adapted.third


@needs_model
def test_the_adapted_model_never_vouches() -> None:
    assert whisper.adapted_models() == [MODEL, THIRD]
    assert "adapted" not in whisper.is_available().detail


@needs_model
def test_it_is_preferred_where_it_can_run() -> None:
    assert "trio" in FOR_AUDIO
    assert recogniser("trio") is trio
    assert preferred() == "trio"


@needs_model
@pytest.mark.parametrize("damaged", ["tokenizer.json.gz", "vocabulary.txt.gz"])
def test_a_damaged_packed_file_of_the_adapted_model_is_told(tmp_path: Path, damaged: str) -> None:
    for file in MODEL.iterdir():
        (tmp_path / file.name).symlink_to(file)
    (tmp_path / damaged).unlink()
    (tmp_path / damaged).write_bytes((MODEL / damaged).read_bytes()[:1000] + b"no more of it")
    with pytest.raises(RecogniserError, match=r"cannot be read|is no Whisper model"):
        whisper.open(load_grammar(), tmp_path)


@needs_model
def test_without_a_third_the_others_judge_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    both = trio.is_available().detail
    monkeypatch.setattr(whisper, "adapted_models", lambda: [MODEL])
    assert both == f"{trio.is_available().detail}; model adapted-tiny is asked in doubt"
    listener = trio.open(load_grammar())
    try:
        assert "third_model" not in listener.options
        assert all(_third(listener, said) is None for said in ("respirations thirty two", "pupils pinpoint"))
    finally:
        listener.close()


@needs_model
@pytest.mark.parametrize(
    ("made", "asked"),
    [('{"from": "another"}', True), ('{"from": "the same"}', False), ("{}", False), ("[]", False), ("no JSON", False)],
)
def test_a_third_never_began_as_the_one_that_proposes(tmp_path: Path, made: str, asked: bool) -> None:
    for name, text in (("a", '{"from": "the same"}'), ("b", made)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "made.json").write_text(text, encoding="utf-8")
    assert trio._further([tmp_path / "a", tmp_path / "b"]) == [tmp_path / "b"] * asked
    # Nor is a shipped one asked beside a model of one's own that lies elsewhere.
    assert trio._further([tmp_path / "a", MODEL, THIRD]) == []


@needs_model
def test_no_third_is_asked_where_none_of_another_make_votes(monkeypatch: pytest.MonkeyPatch) -> None:
    assert trio._further([MODEL, THIRD]) == [THIRD]
    monkeypatch.setattr(moonshine, "is_available", lambda *_: Availability(False, "not here", ""))
    assert trio._further([MODEL, THIRD]) == []
    assert "in doubt" not in trio.is_available().detail


def test_without_an_adapted_model_it_says_where_to_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whisper, "adapted_models", list)
    assert not trio.is_available().ready
    with pytest.raises(RecogniserError):
        trio.open(load_grammar())


@pytest.mark.parametrize(
    ("folder", "name", "file"),
    [
        ("adapted", "model", "model.bin"),
        ("adapted-tiny", "model", "model.bin"),
        ("adapted-moonshine", "encoder_model.ort", "encoder_model.ort"),
        ("adapted-moonshine", "decoder_model_merged.ort", "decoder_model_merged.ort"),
    ],
)
def test_the_shipped_models_are_those_on_their_cards(folder: str, name: str, file: str) -> None:
    model = MODEL.with_name(folder)
    made = json.loads((model / "made.json").read_text(encoding="utf-8"))
    digest = hashlib.sha256((model / file).read_bytes()).hexdigest()
    assert made[name] == digest
    assert digest in (model / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("heard", "meant", "same"),
    [
        ("correction fifty micrograms", "correction fifty micrograms", True),
        ("correction fifteen micrograms", "correction fifty micrograms", False),
        ("confirm ketamine", "confirm fentanyl", False),
        ("correction pulse ninety", "correction pulse nineteen", False),
        ("heart rate one oh five", "heart rate one hundred and five", True),
        ("heart rate", "heart rate", False),
    ],
)
def test_what_is_borne_out_has_the_same_values(heard: str, meant: str, same: bool) -> None:
    one, other = ([Word(word) for word in text.split()] for text in (heard, meant))
    assert same_meaning(one, other, load_grammar()) is same
