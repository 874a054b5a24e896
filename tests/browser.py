"""Debian's Chromium by Playwright: windows that note whatever they ask for, and a review served to them."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from case_files import ROOT
from playwright.sync_api import Browser, Page, expect, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_MOST_TABS = 400
_WAIT_MS = 20_000


@contextmanager
def chromium() -> Iterator[Browser]:
    """A headless browser; its profile is a new one, gone with it."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def served(path: Path, *options: str) -> Iterator[str]:
    """The address of a review of a case or a folder, which opens once."""
    command = [sys.executable, "-m", "voicelog", "review", str(path), "--no-open", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT), "PATH": ""})
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found is not None
        yield found[0]
    finally:
        process.terminate()
        process.wait(20)


@dataclass
class Window:
    """A window of a profile of its own, as of another person's browser."""

    page: Page
    """What it shows."""
    requests: list[str] = field(default_factory=list)
    """The address of everything that its pages asked for."""
    complaints: list[str] = field(default_factory=list)
    """What the console said, and every script that failed."""

    def tab_to(self, test: str) -> None:
        """Press Tab until an expression about ``node``, what has the focus, is true."""
        for _ in range(_MOST_TABS):
            self.page.keyboard.press("Tab")
            if self.page.evaluate(f"((node) => {test})(document.activeElement)"):
                return
        raise AssertionError(f"Tab never leads there: {test}")

    def write(self, name: str, text: str) -> None:
        """Go by Tab to the next input of a name, and write a text in place of what it holds."""
        self.tab_to(f"node.name === {name!r}")
        self.page.keyboard.press("ControlOrMeta+A")
        self.page.keyboard.insert_text(text)

    def enter(self, title: str) -> None:
        """Press Enter, and wait for the page of a title."""
        self.page.keyboard.press("Enter")
        self.arrives(title)

    def arrives(self, title: str) -> None:
        """Wait for the page of a title."""
        expect(self.page).to_have_title(title, timeout=_WAIT_MS)
        self.page.wait_for_load_state()

    def until(self, test: str, argument: object = None) -> None:
        """Wait until a function of the page gives true. Playwright's own way to wait evaluates in the page, which its
        policy forbids."""
        for _ in range(_WAIT_MS // 50):
            if self.page.evaluate(test, argument):
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"it never came: {test}")

    def foreign(self, *own: str) -> list[str]:
        """What was asked for elsewhere than at addresses that start so."""
        return [one for one in self.requests if not one.startswith((*own, "data:"))]


@contextmanager
def window(browser: Browser, script: str = "", **look: Any) -> Iterator[Window]:
    """A new window.

    Args:
        browser: it is one of this browser.
        script: runs before any script of a page.
        look: options of Playwright's ``new_context``, such as ``color_scheme``.
    """
    context = browser.new_context(**({"viewport": {"width": 1200, "height": 900}} | look))
    try:
        context.set_default_timeout(_WAIT_MS)
        if script:
            context.add_init_script(script)
        made = Window(context.new_page())
        made.page.on("request", lambda request: made.requests.append(request.url))
        made.page.on("pageerror", lambda error: made.complaints.append(str(error)))
        made.page.on("console", lambda said: made.complaints.append(said.text))
        yield made
    finally:
        context.close()
