"""Each page of the review is a real picture, and the two that the README shows are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browser import CHROMIUM
from case_files import ROOT
from pictures import NAMES, take
from PIL import Image
from review_cases import LINES, heard_file

MOST_BYTES = 150_000


def looked_at(path: Path) -> Image.Image:
    picture = Image.open(path).convert("RGB")
    assert picture.width >= 1000
    assert picture.height >= 250
    colors = picture.getcolors(1 << 24)
    assert colors is not None
    # Ink and paper at the least, and not nearly all of it one of them.
    assert len(colors) > 20
    assert max(count for count, _ in colors) < 0.99 * picture.width * picture.height
    return picture


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium")
@pytest.mark.xdist_group("browser")
def test_every_page_is_a_picture_of_its_own(tmp_path: Path) -> None:
    taken = take(heard_file(tmp_path / "case.vlog", *LINES), tmp_path)
    assert [path.name for path in taken] == [f"review-{name}.png" for name in NAMES]
    seen = {looked_at(path).tobytes() for path in taken}
    assert len(seen) == len(NAMES)


def test_the_readme_shows_two_of_them_and_they_are_light() -> None:
    shown = re.findall(r"\]\((samples/review-\w+\.png)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(shown) == 2
    for name in shown:
        looked_at(ROOT / name)
        assert (ROOT / name).stat().st_size <= MOST_BYTES
