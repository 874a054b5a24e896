"""The review in a real browser, by keyboard alone: heard, amended, added to, signed off, read back from the file."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path

import pytest
from case_files import ROOT, problems, stored
from chromium import CHROMIUM, Browser
from review_cases import LINES, heard_file, model_of

from voicelog.casefile.state import CaseState, fold
from voicelog.cli import main

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium")


@contextmanager
def served(path: Path) -> Iterator[str]:
    """The address of a review of a case."""
    command = [sys.executable, "-m", "voicelog", "review", str(path), "--no-open"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT), "PATH": ""})
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found is not None
        yield found[0]
    finally:
        process.terminate()
        process.wait(20)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return heard_file(tmp_path / "case.vlog", *LINES)


def state(path: Path) -> CaseState:
    assert problems(path) == []
    return fold(stored(path))


def dose_key(path: Path, drug: str) -> tuple[str, str]:
    """The key of a drug's dose, and what the page must play for it: the clip, from, to."""
    view = next(one for one in model_of(path).events if one.text.startswith(drug))
    dose = next(field for field in view.fields if field.name == "dose")
    assert dose.start is not None
    assert dose.end is not None
    return dose.key, f"{dose.clip} {_plain(dose.start)} {_plain(dose.end)}"


def _plain(seconds: Decimal) -> str:
    return format(seconds.normalize(), "f")


def hear(browser: Browser, path: Path) -> None:
    key, span = dose_key(path, "epinephrine")
    browser.tab_to(f"node.dataset.key === '{key}'")
    browser.until(f"document.body.dataset.played === '{span}'")
    assert browser.value("[...document.querySelectorAll('.w.lit')].map((node) => node.textContent).join(' ')") == (
        "zero point three"
    )
    assert browser.value("document.getElementById('told').textContent") == ""


def test_a_focused_field_lights_its_words_and_plays_them_from_the_file(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "case.html"
    assert main(["review", str(path), "--html", str(out)]) == 0
    with Browser(tmp_path / "profile") as browser:
        browser.open(out.as_uri())
        hear(browser, path)
        assert [one for one in browser.requests if not one.startswith(("file:", "data:"))] == []
        assert browser.complaints == []


def test_a_case_is_judged_by_keyboard_alone(path: Path, tmp_path: Path) -> None:
    with served(path) as address, Browser(tmp_path / "profile") as browser:
        browser.open(address)
        hear(browser, path)
        drug = next(one.id for one in state(path).events if one.status == "unconfirmed")

        browser.tab_to(f"node.textContent === 'Judge {drug}'")
        browser.press("Enter")
        browser.until(f"document.title === 'Judge {drug}'")
        browser.tab_to("node.name === 'field.dose'")
        browser.write("0.8")
        browser.tab_to("node.name === 'reason'")
        browser.write("heard on the recording")
        browser.tab_to("node.name === 'by'")
        browser.write("R. <b>One</b>")
        browser.press("Enter")
        browser.until("document.title === 'Review of case.vlog'")
        amended = next(one for one in state(path).events if one.amends == drug)
        assert amended.event.model_dump()["dose"] == Decimal("0.8")

        browser.tab_to("node.textContent === 'Add an entry' && node.href.endsWith('U7')")
        browser.press("Enter")
        browser.until("document.title === 'Add an entry from U7'")
        browser.tab_to("node.name === 'callout'")
        browser.write("oxygen saturation ninety two percent")
        browser.tab_to("node.name === 'reason'")
        browser.write("missed")
        browser.press("Enter")
        browser.until("document.title === 'Review of case.vlog'")
        assert state(path).events[-1].utterance == "U7"

        browser.tab_to("node.textContent === 'Comment, sign off, undo'")
        browser.press("Enter")
        browser.until("document.title === 'The whole case'")
        browser.tab_to("node.textContent === 'Sign off the case'")
        browser.press("Enter")
        browser.until("document.body.textContent.includes('✓ signed off by R. <b>One</b>')")
        assert state(path).signed_off is not None
        assert browser.value("document.querySelectorAll('strong b, li b b').length") == 0

        browser.picture(tmp_path / "case.png")
        assert (tmp_path / "case.png").stat().st_size > 10_000
        origin = address.split("?")[0]
        assert [one for one in browser.requests if not one.startswith((origin, "data:"))] == []
        assert browser.complaints == []
