"""The review's pages by axe-core, an outside checker of the Web Content Accessibility Guidelines, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urljoin

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import CHROMIUM, Window, chromium, served, window
from case_files import stored
from playwright.sync_api import Browser
from review_cases import LINES, heard_file, told_by_pair

from voicelog.casefile.state import fold
from voicelog.cli import main
from voicelog.views.screen import CAUTION

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium"),
    pytest.mark.xdist_group("browser"),
]
GRAVE = ("serious", "critical")
# The rules of WCAG 2.2 up to level AA, and axe's own of good practice.
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


def checked(shown: Window) -> None:
    """No serious violation, with everything that can be unfolded open and every row drawn."""
    shown.page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    shown.page.evaluate("for (const one of document.querySelectorAll('.row')) one.style.contentVisibility = 'visible'")
    found = Axe().run(shown.page, options=RULES).response
    assert found["passes"], "nothing was checked"
    grave = [
        (one["id"], one["help"], [node["html"] for node in one["nodes"]][:3])
        for one in found["violations"]
        if one["impact"] in GRAVE
    ]
    assert grave == []


def full_case(folder: Path) -> Path:
    """A case with every kind of content: all states, a gap, other readings, a second listener, flags, judgements."""
    path = heard_file(
        folder / "case.vlog",
        *LINES,
        (80.0, "naloxone zero point four intranasal"),
        (86.0, "correction heart rate ninety"),
        close=False,
    )
    return told_by_pair(path)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_violation(browser: Browser, tmp_path: Path, scheme: str) -> None:
    path = full_case(tmp_path)
    heard_file(tmp_path / "other.vlog", *LINES[:1])
    (tmp_path / "broken.vlog").write_bytes(b"SQLite format 3\x00 broken")
    drug = next(one.id for one in fold(stored(path)).events if one.status == "unconfirmed")
    with served(tmp_path) as address, window(browser, color_scheme=scheme) as shown:
        page = shown.page
        page.goto(address)
        checked(shown)
        case = urljoin(page.url, "/case/case.vlog")

        def sent(where: str, button: str, **values: str) -> None:
            page.goto(f"{case}{where}")
            checked(shown)
            form = page.locator("form").filter(has=page.get_by_role("button", name=button, exact=True))
            for name, text in values.items():
                form.locator(f"[name='{name.replace('__', '.')}']").fill(text)
            form.locator("[name='by']").fill("R. One")
            with page.expect_navigation():
                form.get_by_role("button", name=button, exact=True).click()
            checked(shown)

        sent(f"/entry/{drug}", "Amend", reason="listened", field__dose="0,8")
        assert page.get_by_role("alert").count() == 1
        sent(f"/entry/{drug}", "Amend", reason="listened", field__dose="0.8")
        sent("/entry/E1", "Mark as entered in error", reason="of another patient")
        sent("/utterance/U7", "Add the entry", callout="oxygen saturation ninety two percent", reason="missed")
        sent("/whole", "Comment", text="listened to all of it")
        page.goto(f"{case}/export/nemsis")
        checked(shown)
        sent("/whole", "Sign off the case")
        assert "✓ signed off by R. One" in page.locator("header").inner_text()
        for where in (f"/entry/{drug}", "/entry/E3", "/whole", "/nowhere"):
            page.goto(f"{case}{where}")
            checked(shown)

    out = tmp_path / "case.html"
    assert main(["review", str(path), "--html", str(out)]) == 0
    with window(browser, color_scheme=scheme) as shown:
        shown.page.goto(out.as_uri())
        checked(shown)
        # Lit words and fields must be readable as well.
        shown.page.hover(".field[data-key]")
        checked(shown)


# WCAG 2.2, 1.4.10: at 320 CSS pixels, which is 1280 at 400%, only what needs two dimensions is scrolled in both.
@pytest.mark.parametrize("width", [1280, 768, 640, 320])
def test_no_page_runs_out_of_the_window(browser: Browser, tmp_path: Path, width: int) -> None:
    path = full_case(tmp_path)
    with served(path) as address, window(browser, viewport={"width": width, "height": 900}) as shown:
        shown.page.goto(address)
        case = shown.page.url
        for where in ("", "/entry/E1", "/utterance/U1", "/whole"):
            shown.page.goto(case + where)
            assert shown.page.evaluate("document.documentElement.scrollWidth") <= width


def test_in_print_the_record_and_its_cautions_stand_and_the_controls_do_not(browser: Browser, tmp_path: Path) -> None:
    path = full_case(tmp_path)
    with served(path) as address, window(browser, color_scheme="dark") as shown:
        page = shown.page
        page.goto(address)
        page.emulate_media(media="print")
        assert page.get_by_text(CAUTION, exact=True).locator("visible=true").count() == 2
        for name in ("nav", ".tools", ".act", ".export", ".play"):
            assert page.locator(f"{name} >> visible=true").count() == 0
        assert page.locator(".entry >> visible=true").count() == len(fold(stored(path)).events)
        # Black on white, whatever the screen was.
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        # A4 is 210 by 297 mm (ISO 216), a PDF point 1/72 of an inch.
        pages = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", page.pdf(width="210mm", height="297mm"))
        assert pages
        for width, height in pages:
            assert float(width) == pytest.approx(595.3, abs=1)
            assert float(height) == pytest.approx(841.9, abs=1)
