"""``voicelog drill make``: the shipped scripts say what they mean, and recordings have their conditions and truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicelog.cli import main
from voicelog.drill.make import AS_WRITTEN, Conditions, apply, conditions_of, named_script, shipped_scripts
from voicelog.drill.samples import NAMES
from voicelog.drill.script import DrillError, read_script
from voicelog.drill.truth import drills_in, read_truth
from voicelog.drill.typed import typed_course
from voicelog.events import event_fields, event_from
from voicelog.grammar.loader import load_grammar

DRILLS = [name for name in shipped_scripts() if name not in NAMES]
SHORT = """
title = "Short"
started_at = 2026-11-20T10:00:00-05:00
patient = "Invented."
length_s = 6
snr_db = 20
seed = 3
[voices]
lead = "flite-slt"
second = "flite-rms"
[[noise]]
sound = "diesel_idle"
start = 0
end = 6
level_db = 0
[[line]]
at = 0.5
speaker = "lead"
kind = "callout"
say = "pulse ninety"
[[line]]
at = 0.8
speaker = "second"
kind = "talk"
over = true
say = "bring the blue bag"
[[line]]
at = 3.5
speaker = "second"
kind = "callout"
say = "epinephrine one milligram i v"
means = [{kind = "medication", drug = "epinephrine", dose = 1, unit = "mg", route = "intravenous"}]
"""


@pytest.fixture(name="script")
def short_script(tmp_path: Path) -> Path:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return path


def made(script: Path, out: Path, *more: str) -> list[Path]:
    assert main(["drill", "make", str(script), "--out", str(out), *more]) == 0
    return [recording for recording, _ in drills_in(out)]


def test_twenty_scripts_are_shipped() -> None:
    assert len(DRILLS) == 20


@pytest.mark.parametrize("name", DRILLS)
def test_every_line_of_a_shipped_script_means_what_the_parser_makes_of_it(name: str) -> None:
    lines = read_script(shipped_scripts()[name]).lines
    typed = typed_course([(line.say, line.at) for line in lines], load_grammar())
    for line, heard in zip(lines, typed, strict=True):
        assert tuple(entered.fields for entered in heard.events) == (line.means or ()), line.say
        assert not heard.question
        assert not any(entered.flags for entered in heard.events)
        if line.kind in ("callout", "correction"):
            assert line.means, f"{line.say}: means is written by hand"
        elif line.kind != "talk":
            assert heard.commands


def test_the_scripts_have_events_of_every_kind_and_what_is_hard_to_hear() -> None:
    scripts = {name: read_script(shipped_scripts()[name]) for name in DRILLS}
    lines = [line for script in scripts.values() for line in script.lines]
    kinds = {fields["kind"] for line in lines for fields in line.means or ()}
    assert kinds == {"vital_sign", "medication", "assessment", "procedure", "patient", "milestone", "remark"}
    assert any(line.over for line in lines)
    assert any(not any(line.kind == "callout" for line in script.lines) for script in scripts.values())
    gaps = {name: np.diff([line.at for line in script.lines]).max() for name, script in scripts.items()}
    assert gaps["silent_stretch"] >= 30
    drugs = {fields.get("drug") for line in lines for fields in line.means or ()}
    for pair in ({"dopamine", "dobutamine"}, {"morphine", "hydromorphone"}, {"epinephrine", "norepinephrine"}):
        assert pair <= drugs


def test_the_truth_tells_who_said_which_words_when_and_what_they_mean(script: Path, tmp_path: Path) -> None:
    (recording,) = made(script, tmp_path / "out")
    truth = read_truth(recording.with_name("short.truth.json"))
    assert (truth.recording, truth.origin, truth.noise, truth.snr_db) == ("short.flac", "made", "diesel_idle", 20.0)
    assert [(line.who, line.kind, line.say) for line in truth.lines] == [
        ("flite-slt", "callout", "pulse ninety"),
        ("flite-rms", "talk", "bring the blue bag"),
        ("flite-rms", "callout", "epinephrine one milligram i v"),
    ]
    pulse = event_from({"kind": "vital_sign", "sign": "heart_rate", "value": 90, "unit": "/min"})
    assert truth.lines[0].events == (event_fields(pulse),)
    assert truth.lines[1].start < truth.lines[0].end < truth.lines[1].end < truth.lines[2].start
    rows = json.loads(recording.with_name("short.truth.json").read_text())["lines"]
    assert rows[0]["words"] == ["pulse", "ninety"]
    assert truth.lines[2].events[0]["drug"] == "epinephrine"


def test_the_same_seed_gives_the_same_samples_and_another_one_other_noise(script: Path, tmp_path: Path) -> None:
    first, again, other = (
        soundfile.read(made(script, tmp_path / folder, "--seed", seed)[0])[0]
        for folder, seed in (("a", "4"), ("b", "4"), ("c", "5"))
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_noise_of_ones_own_is_mixed_at_the_snr_asked_for(script: Path, tmp_path: Path) -> None:
    hum = (np.sin(np.arange(32_000) * 2 * np.pi * 120 / 16_000) * 3000).astype(np.int16)
    soundfile.write(tmp_path / "cabin.wav", hum, 16_000)
    (recording,) = made(
        script, tmp_path / "out", "--noise", str(tmp_path / "cabin.wav"), "--snr", "10", "--format", "wav"
    )
    assert recording.name == "short-cabin-10db.wav"
    (clean,) = made(script, tmp_path / "clean", "--noise", "none", "--format", "wav")
    noise = soundfile.read(recording)[0] - soundfile.read(clean)[0]
    # Active speech is set to an RMS of -24 dB below full scale.
    assert -24 - 20 * np.log10(np.sqrt(np.mean(noise**2))) == pytest.approx(10, abs=0.1)
    spectrum = np.abs(np.fft.rfft(noise))
    assert np.argmax(spectrum) * 16_000 / noise.size == pytest.approx(120, abs=0.5)


def test_each_voice_leads_once_in_every_noise_and_snr() -> None:
    chosen = conditions_of(["joe", "flite-slt"], ["none", "siren_wail"], [20, 5])
    assert [(one.lead, one.second, one.noise, one.snr_db) for one in chosen] == [
        ("joe", "flite-slt", "none", None),
        ("joe", "flite-slt", "siren_wail", 20),
        ("joe", "flite-slt", "siren_wail", 5),
        ("flite-slt", "joe", "none", None),
        ("flite-slt", "joe", "siren_wail", 20),
        ("flite-slt", "joe", "siren_wail", 5),
    ]
    assert len({one.tag for one in chosen}) == 6


def test_what_is_not_chosen_is_as_the_script_has_it(script: Path) -> None:
    _, plain = named_script(str(script))
    assert conditions_of([], [], []) == [Conditions(AS_WRITTEN, AS_WRITTEN, AS_WRITTEN, None)]
    assert apply(plain, Conditions()) == plain


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["no_such_script"], 'there is no drill script "no_such_script"'),
        (["calm_asthma", "--noise", "hum"], 'there is no noise "hum"'),
        (["calm_asthma", "--voices", "nobody"], 'there is no voice "nobody"'),
        (["calm_asthma", "--snr", "loud"], "is no list of decibels"),
        (["calm_asthma", "--seed", "-1"], "--seed -1 is below 0"),
    ],
)
def test_wrong_use_is_one_line_and_a_hint(
    arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["drill", "make", *arguments, "--out", str(tmp_path / "out")]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert "hint:" in told


def test_a_folder_without_drills_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(DrillError, match="no drill in") as refused:
        drills_in(tmp_path)
    assert "voicelog drill make" in refused.value.hint
