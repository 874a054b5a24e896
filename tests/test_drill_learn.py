"""``voicelog drill learn``: what is proposed from drills, judged on speakers left out, and written to be reviewed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from drill_cases import EPI, PULSE, fields, heard, hearing, line, truth

from voicelog.cli import main
from voicelog.drill.learn import Effect, _verdict, effect, folds_of
from voicelog.drill.matching import DrillResult, judged
from voicelog.drill.proposals import (
    Drills,
    Proposal,
    further_names,
    garbage_weights,
    taken_for_each_other,
    write_overlay,
)
from voicelog.drill.script import DrillError
from voicelog.drill.sounds import changed
from voicelog.drill.truth import TrueLine, Truth, write_truth
from voicelog.drill.typed import typed_course
from voicelog.drill.voices import speak
from voicelog.errors import GrammarError
from voicelog.grammar.loader import load_grammar, read_grammar, shipped_grammars
from voicelog.grammar.soundalike import distance
from voicelog.recognisers import sphinx
from voicelog.recognisers.pronunciations import typed_only

TXA = fields(kind="medication", drug="tranexamic acid", dose=1, unit="g", route="intravenous")
SOUND = Proposal("pronunciation", ("ketamine",), "K IY T EY M AY N", "by hand")
ADENOSINE = "adenosine six milligrams i v"


def drills(*results: DrillResult) -> Drills:
    return Drills(results, Path(), load_grammar())


# Proposals


def test_words_where_a_name_would_stand_are_proposed_as_a_name_of_the_drug() -> None:
    said = [line("clot saver one gram i v", 5, TXA), line("clot saver one gram i v", 10, TXA)]
    found = further_names(drills(judged(truth(*said), hearing(), load_grammar())))
    assert [(one.kind, one.name) for one in found] == [("alias", ("tranexamic acid", "clot saver"))]
    assert "said in 2 callouts" in found[0].evidence


@pytest.mark.parametrize(
    "lines",
    [
        [line("clot saver one gram i v", 5, TXA)],
        [line("clot saver one gram i v", 5, EPI), line("clot saver one gram i v", 10, EPI)],
        [line("clot one saver gram i v", 5, TXA), line("clot one saver gram i v", 10, TXA)],
        [line("t x a one gram i v", 5, TXA), line("t x a one gram i v", 10, TXA)],
    ],
    ids=["once only", "another dose", "two places", "listed"],
)
def test_no_name_is_proposed_on_thin_grounds(lines: list[TrueLine]) -> None:
    assert further_names(drills(judged(truth(*lines), hearing(), load_grammar()))) == []


def test_drugs_that_are_taken_for_each_other_are_proposed_as_a_pair() -> None:
    aspirin = fields(kind="medication", drug="aspirin", dose=1, unit="mg", route="intravenous")
    say = "epinephrine one milligram i v"
    of = truth(line(say, 5, EPI), line(say, 10, EPI))
    both = hearing(*(heard("aspirin one milligram i v", at, aspirin, flags=("noisy",)) for at in (5, 10)))
    found = taken_for_each_other(drills(judged(of, both, load_grammar())))
    assert [one.name for one in found] == [("aspirin", "epinephrine")]
    norepinephrine = {**EPI, "drug": "norepinephrine"}
    declared = hearing(*(heard(say, at, norepinephrine, flags=("noisy",)) for at in (5, 10)))
    assert taken_for_each_other(drills(judged(of, declared, load_grammar()))) == []


def test_every_change_is_of_one_phone() -> None:
    ways = set(changed("K EH T"))
    assert {"K IY T", "G EH T", "K T", "K EH T AH"} <= ways
    assert not {"K EH T", "S EH T", "K IY D"} & ways


# Overlay


def test_an_overlay_is_read_back_with_its_names_pairs_sounds_and_weight(tmp_path: Path) -> None:
    chosen = [
        SOUND,
        Proposal("alias", ("tranexamic acid", "clot saver"), "", "by hand"),
        Proposal("pair", ("aspirin", "epinephrine"), "", "by hand"),
        Proposal("garbage", (), "1e-05", "by hand"),
    ]
    write_overlay(chosen, load_grammar(), tmp_path, {SOUND: "held out: by hand"})
    grammar = read_grammar([shipped_grammars(), tmp_path])
    assert grammar.refused == ()
    old, new = load_grammar().drugs["tranexamic acid"], grammar.drugs["tranexamic acid"]
    assert new.spoken == (*old.spoken, "clot saver")
    assert replace(new, spoken=old.spoken, place=old.place) == old
    assert frozenset({"aspirin", "epinephrine"}) in grammar.unsure_pairs
    assert grammar.garbage == 1e-5
    (heard_now,) = typed_course([("clot saver one gram i v", 0.0)], grammar)
    assert heard_now.events[0].fields == TXA
    listener = sphinx.open(grammar)
    assert listener.options["garbage_weight"] == "1e-05"
    listener.close()
    ways = sphinx.ways_of(grammar, typed_only(grammar.vocabulary), grammar.overlays)
    assert "K IY T EY M AY N" in ways["ketamine"]
    assert "held out: by hand" in (tmp_path / "learned.dict").read_text()
    assert grammar.digest != read_grammar([shipped_grammars()]).digest


def test_a_weight_that_is_none_is_refused(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[listening]\ngarbage = 2\n")
    with pytest.raises(GrammarError, match="not a weight between 0 and 1"):
        read_grammar([shipped_grammars(), tmp_path])


def test_weights_tried_lie_on_both_sides() -> None:
    assert [float(one.value) for one in garbage_weights(1e-6)] == pytest.approx([1e-7, 1e-5])


# Judging


def told(recording: str, *who: str) -> Truth:
    return truth(*(line("pulse fifty", 5 * n, PULSE, who=name) for n, name in enumerate(who)), recording=recording)


def test_parts_share_no_speaker_where_that_can_be() -> None:
    folds, parted = folds_of([told("a", "x"), told("b", "y", "z"), told("c", "z"), told("d", "x")])
    assert (sorted(map(sorted, folds)), parted) == ([["a", "d"], ["b", "c"]], True)
    folds, parted = folds_of([told("a", "x"), told("b", "x")])
    assert (sorted(map(sorted, folds)), parted) == ([["a"], ["b"]], False)
    with pytest.raises(DrillError, match="one recording"):
        folds_of([told("a", "x")])


def test_an_effect_counts_right_and_wrong_before_and_after() -> None:
    of = truth(line("pulse fifty", 5, PULSE))
    good, bad = (judged(of, hearing(heard("pulse", 5, {**PULSE, "value": n})), load_grammar()) for n in (50, 15))
    extra = judged(of, hearing(heard("pulse fifty", 40, PULSE)), load_grammar())
    assert effect([(bad, good), (good, good)]) == Effect(2, (1, 2), (1, 0))
    assert effect([(good, extra)]).harms


@pytest.mark.parametrize(
    ("held_out", "everywhere", "offered"),
    [
        (Effect(9, (3, 5), (1, 1)), Effect(9, (3, 6), (1, 1)), True),
        (Effect(9, (3, 5), (1, 0)), Effect(9, (3, 6), (1, 0)), True),
        (Effect(9, (3, 9), (1, 2)), Effect(9, (3, 9), (1, 1)), False),
        (Effect(9, (3, 9), (1, 1)), Effect(9, (3, 9), (1, 2)), False),
        (Effect(9, (3, 3), (1, 1)), Effect(9, (3, 9), (1, 1)), False),
    ],
)
def test_what_raises_wrong_entries_is_never_offered_however_much_it_gains(
    held_out: Effect, everywhere: Effect, offered: bool
) -> None:
    found = _verdict(SOUND, held_out, everywhere)
    assert found.offered is offered
    assert bool(found.reason) is not offered


# All of it, with the real recogniser


def said_otherwise(folder: Path, voice: str) -> None:
    """A drill whose speaker says adenosine as "adenosyne"."""
    (plain,) = typed_course([(ADENOSINE, 0.0)], load_grammar())
    sound = np.asarray(speak(ADENOSINE.replace("adenosine", "adenosyne"), voice), dtype=np.float64) * 0.06
    whole = np.concatenate([np.zeros(16_000), sound, np.zeros(16_000)])
    whole += np.random.default_rng(1).standard_normal(whole.size) * 0.0005
    soundfile.write(folder / f"{voice}.flac", whole, 16_000)
    events = tuple(entered.fields for entered in plain.events)
    said = TrueLine(voice, "callout", ADENOSINE, 1.0, 1.0 + sound.size / 16_000, events)
    told = Truth(f"{voice}.flac", "Said otherwise", "made", "", whole.size / 16_000, "none", None, (said,))
    write_truth(told, folder / f"{voice}.truth.json")


@pytest.mark.xdist_group("drill-learn")
def test_a_drug_that_is_always_said_in_an_unlisted_way_is_learned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = tmp_path / "drills", tmp_path / "proposed"
    folder.mkdir()
    for voice in ("flite-slt", "flite-rms", "hibari"):
        said_otherwise(folder, voice)
    command = ["drill", "learn", str(folder), "--only", "pronunciation", "--jobs", "1"]
    assert main([*command, "--out", str(out), "--json"]) == 0
    (row,) = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    assert (row["kind"], row["name"], row["offered"]) == ("pronunciation", ["adenosine"], True)
    # What flite itself says it says: flite -voice slt -ps -t adenosyne.
    said = tuple("AE D AH N AA S AY N".split())
    assert distance(tuple(row["value"].split()), said) <= 0.15
    listed = sphinx.ways_of(load_grammar(), typed_only(load_grammar().vocabulary), ())["adenosine"]
    assert all(distance(tuple(way.split()), said) > 0.15 for way in listed)
    assert row["held_out"]["exact"][1] > row["held_out"]["exact"][0]
    assert row["held_out"]["wrong"][1] <= row["held_out"]["wrong"][0]
    assert f"adenosine  {row['value']}" in (out / "learned.dict").read_text()


@pytest.mark.parametrize(
    ("more", "message"),
    [(["--only", "speed"], "--only knows no 'speed'"), (["--out", "."], ". is there already")],
)
def test_wrong_use_is_one_line(
    more: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in "ab":
        write_truth(told(f"{name}.flac", "x"), tmp_path / f"{name}.truth.json")
        soundfile.write(tmp_path / f"{name}.flac", np.zeros(1600, dtype=np.int16), 16_000)
    assert main(["drill", "learn", str(tmp_path), *more]) == 2
    assert message in capsys.readouterr().err
