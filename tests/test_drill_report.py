"""``voicelog drill report``: the page stands alone, tells what to do, lets the worst be heard, compares two runs."""

from __future__ import annotations

import base64
import json
import re
import shutil
from dataclasses import replace
from html import unescape
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import CHROMIUM, chromium, window
from drill_cases import EPI, PULSE, heard, hearing, line, recorded, truth, vital

from voicelog.audio.flac import decode_flac
from voicelog.audio.source import read_recording
from voicelog.cli import main
from voicelog.drill.clips import MARGIN_S, worst
from voicelog.drill.matching import matched
from voicelog.drill.plots import capture_svg, histogram_svg, rows_svg
from voicelog.drill.tally import Run, figures
from voicelog.drill.truth import CAUTION, read_truth, write_truth
from voicelog.drill.typed import typed_course
from voicelog.grammar.loader import load_grammar

pytestmark = pytest.mark.xdist_group("drill-report")


@pytest.fixture(scope="module", name="made")
def made_drill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One drill whose truth is not what is said in it, so that a clear callout is accepted wrong."""
    folder = tmp_path_factory.mktemp("drills")
    recorded(folder, "one", ("pulse ninety", "patient contact"))
    path = folder / "one.truth.json"
    told = read_truth(path)
    forty = replace(told.lines[0], say="pulse forty <b>", events=(vital("heart_rate", 40),))
    write_truth(replace(told, lines=(forty, *told.lines[1:])), path)
    assert main(["drill", "report", str(folder), "--listeners", "sphinx", "--jobs", "1"]) == 0
    return folder


@pytest.fixture(name="page")
def the_page(made: Path) -> str:
    return (made / "report.html").read_text(encoding="utf-8")


def test_the_page_needs_nothing_from_elsewhere_and_runs_no_script(page: str) -> None:
    assert "default-src 'none'" in page
    assert "<script" not in page
    sources = re.findall(r"(?:src|href)=[\"']([^\"']{1,40})", page)
    assert sources
    assert all(source.startswith("data:") for source in sources)


def test_the_page_tells_the_crew_what_to_do_and_carries_the_caution(page: str) -> None:
    assert page.count(CAUTION) == 2
    assert "✕ mend first" in page
    assert page.count("Do: ") >= 2
    text = unescape(re.sub(r"<[^>]+>", " ", page))
    assert "“pulse forty <b>” was heard as “pulse ninety”" in text


def test_the_worst_clip_can_be_heard_and_shows_its_alignment(page: str, made: Path) -> None:
    sound = decode_flac(base64.b64decode(re.findall(r"data:audio/flac;base64,([^\"]+)", page)[0]))
    first = read_truth(made / "one.truth.json").lines[0]
    samples = read_recording(made / "one.flac").samples
    start = round((first.start - MARGIN_S) * 16_000)
    assert np.array_equal(sound, samples[start : start + sound.size])
    assert sound.size / 16_000 == pytest.approx(first.end - first.start + 2 * MARGIN_S, abs=0.01)
    assert "<td class='other'>forty</td>" in page
    assert "<td class='other'>ninety</td>" in page
    assert "Should be: heart rate 40/min" in page
    assert "Entered: heart rate 90/min" in page


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian: chromium)")
def test_a_browser_shows_the_page_without_complaint_and_knows_the_sound(made: Path) -> None:
    with chromium() as browser, window(browser) as shown:
        shown.page.goto((made / "report.html").as_uri())
        shown.page.evaluate("document.querySelector('audio').preload = 'auto'")
        shown.page.wait_for_function("document.querySelector('audio').duration > 1")
        assert shown.complaints == []
        assert {address.partition(":")[0] for address in shown.requests} <= {"file", "data"}


def test_two_runs_of_the_same_folder_are_compared(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = Path(shutil.copytree(made, tmp_path / "drills"))
    shutil.copy(folder / "scores.json", tmp_path / "before.json")
    path = folder / "one.truth.json"
    path.write_text(path.read_text().replace('"value": 40', '"value": 90'))
    arguments = ["drill", "report", str(folder), "--listeners", "sphinx", "--against", str(tmp_path / "before.json")]
    assert main([*arguments, "--json", "--out", str(tmp_path / "page.html")]) == 0
    (row,) = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    verdict = row["against"]
    assert (verdict["shared"], verdict["better"], verdict["worse"], verdict["p"]) == (2, 1, 0, 1.0)
    assert (verdict["wrong_before"], verdict["wrong_now"]) == (1, 0)
    assert "1 are entered as said now" in (tmp_path / "page.html").read_text()
    assert main(arguments) == 0
    printed = capsys.readouterr().out
    assert "That may be chance (McNemar, p = 1)" in " ".join(printed.split())
    assert "heard by" in printed


@pytest.mark.parametrize(
    ("more", "message"),
    [(["--against", "no.json"], "no.json holds no results of drills"), (["--clips", "-1"], "--clips -1 is below 0")],
)
def test_wrong_use_is_one_line(more: list[str], message: str, made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drill", "report", str(made), *more]) == 2
    assert message in capsys.readouterr().err


def test_the_worst_comes_first(made: Path) -> None:
    drill = truth(
        line("pulse fifty", 0.5, PULSE), line("epinephrine one milligram i v", 2.6, EPI), recording="one.flac"
    )
    typed = typed_course([(one.say, one.start) for one in drill.lines], load_grammar())
    found = matched(
        drill,
        hearing(
            heard("pulse fifty", 0.5, PULSE, flags=("noisy",)),
            heard("epinephrine two milligrams i v", 2.6, {**EPI, "dose": 2}, flags=("noisy",)),
            heard("pulse fifty", 5, PULSE),
        ),
        typed,
    )
    clips = worst(Run("sphinx", {}, (found,)), made, 9)
    assert [clip.verdict for clip in clips] == [
        "drug read back wrong, held for a confirm",
        "entered though nobody called it out",
        "asked about",
    ]
    assert len(worst(Run("sphinx", {}, (found,)), made, 1)) == 1


def test_the_plots_are_svg_and_their_bars_are_as_long_as_their_counts() -> None:
    counts = {"exact": 3, "asked": 0, "missed": 0, "rejected": 0, "wrong": 1}
    plot = ElementTree.fromstring(capture_svg({"20 dB": (counts, (0.25, 1.0))}, "outcomes"))
    bars = [float(part.attrib["height"]) for part in plot.iter() if part.tag.endswith("rect") and len(part)]
    assert bars == [135.0, 0.0, 0.0, 0.0, 45.0]
    rows = ElementTree.fromstring(rows_svg({"a → b": 4, "c → d": 2}, "words"))
    widths = [float(part.attrib["width"]) for part in rows.iter() if part.tag.endswith("rect")][1:]
    assert widths[0] == 2 * widths[1]
    columns = ElementTree.fromstring(histogram_svg([0.1, 0.2, 9.0], "delays"))
    tall = [float(part.attrib["height"]) for part in columns.iter() if part.tag.endswith("rect") and len(part)]
    assert [height for height in tall if height] == [120.0, 60.0]


def test_figures_do_not_need_a_callout() -> None:
    silent = truth(line("his pulse was fifty yesterday", 5, kind="talk"))
    found = matched(silent, hearing(), typed_course([("his pulse was fifty yesterday", 5.0)], load_grammar()))
    data = figures(Run("sphinx", {}, (found,)))
    assert (data["callouts"], data["wer"], data["false_per_hour"]) == (0, 0.0, 0.0)
