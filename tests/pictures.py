"""Pictures of the review's pages as a browser shows them: ``python tests/pictures.py CASE FOLDER`` makes them anew."""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path

from browser import chromium, served, window
from PIL import Image
from playwright.sync_api import Locator, Page

_COLORS = 128
"""Enough for text on plain ground, and a fifth of the weight."""
NAMES = ("list", "case", "chart", "words", "amend", "print")


def take(case: Path, folder: Path) -> list[Path]:
    """A picture of each page of a case: ``review-list.png`` and so on.

    Args:
        case: a case that is closed; a copy of it is shown.
        folder: where the pictures go.
    """
    with tempfile.TemporaryDirectory() as beside:
        shown_case = Path(beside) / case.name
        shutil.copy(case, shown_case)
        with served(Path(beside)) as address, chromium() as browser, window(browser) as shown:
            page = shown.page
            page.goto(address)
            taken = [_save(folder, "list", page)]
            page.get_by_role("link", name=case.name, exact=True).click()
            shown.arrives(f"Review of {case.name}")
            taken.append(_save(folder, "case", page))
            taken.append(_save(folder, "chart", page.locator("#picture")))
            # The last entry that is still open, or the last at all, with what was said right before and after it.
            page.set_viewport_size({"width": 1200, "height": 560})
            entry = page.locator(".entry.unconfirmed, .entry").last
            if page.locator(".entry.unconfirmed").count():
                entry = page.locator(".entry.unconfirmed").last
            entry.locator("button.field").nth(1).focus()
            # Twice: the rows around take their true height when they are drawn.
            for _ in range(2):
                entry.evaluate("(node) => node.closest('.row').scrollIntoView({block: 'center'})")
                page.wait_for_timeout(100)
            taken.append(_save(folder, "words", page))
            page.set_viewport_size({"width": 1200, "height": 900})
            name = entry.get_attribute("id")
            entry.locator("a.act").click()
            shown.arrives(f"Judge {name}")
            taken.append(_save(folder, "amend", page))
            page.go_back()
            shown.arrives(f"Review of {case.name}")
            page.emulate_media(media="print")
            page.evaluate("scrollTo(0, 0)")
            taken.append(_save(folder, "print", page))
    return taken


def _save(folder: Path, name: str, shown: Page | Locator) -> Path:
    path = folder / f"review-{name}.png"
    picture = Image.open(io.BytesIO(shown.screenshot())).convert("RGB")
    picture.quantize(_COLORS, Image.Quantize.MAXCOVERAGE).save(path, optimize=True)
    return path


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))
