"""The review as one file: everything is in it, nothing comes from elsewhere, and what was said cannot act."""

from __future__ import annotations

import base64
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from browser import CHROMIUM, chromium, window
from report_cases import told_file
from review_cases import LINES, heard_file, model_of

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.cli import main
from voicelog.events import Remark
from voicelog.views.review_page import asset, content_policy, review_html
from voicelog.views.screen import CAUTION

HOSTILE = "<script>document.title='owned'</script><img src=x onerror=alert(1)>"


class Tags(HTMLParser):
    """Every element with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return heard_file(tmp_path_factory.mktemp("review") / "case.vlog", *LINES)


@pytest.fixture(scope="module")
def page(case: Path) -> str:
    assert main(["review", str(case), "--html", str(case.with_suffix(".html"))]) == 0
    return case.with_suffix(".html").read_text(encoding="utf-8")


def test_the_file_is_for_its_owner_alone_and_replaces_none(
    case: Path, page: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = case.with_suffix(".html")
    assert out.stat().st_mode & 0o777 == 0o600
    assert main(["review", str(case), "--html", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == page


def test_every_address_in_it_is_a_place_in_it(page: str) -> None:
    tags = Tags(page).found
    places = {attributes["id"] for _, attributes in tags if "id" in attributes}
    for tag, attributes in tags:
        for name in ("href", "src", "action", "srcset", "data"):
            if name in attributes and tag != "link":
                assert attributes[name].startswith("#"), attributes
                assert attributes[name][1:] in places
    assert not {tag for tag, _ in tags} & {"iframe", "object", "embed", "form", "base"}
    assert "url(" not in page
    assert "@import" not in page


def test_fields_and_words_point_at_each_other(page: str) -> None:
    tags = [attributes for _, attributes in Tags(page).found]
    keys = {attributes["data-key"] for attributes in tags if "data-key" in attributes}
    linked = {key for attributes in tags for key in attributes.get("data-fields", "").split()}
    assert linked
    assert linked <= keys


def test_the_audio_of_each_utterance_is_in_it(case: Path, page: str) -> None:
    found = re.search(r'id="clips">(.*?)</script>', page)
    assert found is not None
    clips = json.loads(found[1])
    with CaseFile.open(case) as opened:
        names = opened.clip_names()
        assert {name: base64.b64decode(told.split(",")[1]) for name, told in clips.items()} == {
            name: opened.clip(name) for name in names
        }


def test_without_audio_it_is_small(case: Path, tmp_path: Path) -> None:
    out = tmp_path / "small.html"
    assert main(["review", str(case), "--html", str(out), "--no-audio"]) == 0
    assert "base64,fLa" not in out.read_text(encoding="utf-8")


def test_every_id_is_there_once_and_every_control_has_a_name(page: str) -> None:
    tags = Tags(page).found
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert not re.findall(r"<(button|a|summary|label)\b[^>]*>\s*</", page)
    assert '<html lang="en">' in page
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))


def _luminance(color: str) -> float:
    """Relative luminance, WCAG 2.2."""
    color = "".join(sign * 2 for sign in color) if len(color) == 3 else color
    parts = [int(color[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("look", [0, 1, 2])
@pytest.mark.parametrize("back", ["paper", "soft"])
@pytest.mark.parametrize(
    ("ink", "least"), [(name, 4.5) for name in ("ink", "link", "good", "wait", "off")] + [("line", 3)]
)
def test_every_color_can_be_read_in_light_dark_and_print(look: int, back: str, ink: str, least: float) -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for the edge of a control.
    roots = re.findall(r":root \{(.*?)\}", asset("review.css"), re.DOTALL)
    colors = {name: value for root in roots[: look + 1] for name, value in re.findall(r"--(\w+): #(\w+)", root)}
    if look == 2:
        # Print builds on the light colors.
        colors = {name: value for root in (roots[0], roots[2]) for name, value in re.findall(r"--(\w+): #(\w+)", root)}
    light, dark = sorted((_luminance(colors[ink]), _luminance(colors[back])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= least


def test_the_cautions_stand_in_it(page: str) -> None:
    assert page.count(CAUTION) == 2


def test_each_state_has_a_word_and_a_sign(page: str) -> None:
    assert "● confirmed" in page
    assert "▲ unconfirmed" in page
    assert "… deaf, 10.000 s" in page or "… deaf, 10 s" in page


def hostile_case(path: Path) -> Path:
    told_file(path, (0.0, "pulse ninety"), close=False)
    with CaseFile.open(path, write=True) as case:
        at = next(iter(case.entries())).at
        body = {"id": "E2", "event": Remark(text=HOSTILE).model_dump(), "flags": [HOSTILE], "needs_confirm": True}
        case.append([EntryDraft("event", {**body, "utterance": HOSTILE, "amends": None}, at)])
        case.append([EntryDraft("read_back", {"text": HOSTILE, "events": []}, at)])
        case.append([EntryDraft("gap", {"start": None, "end": None, "reason": HOSTILE}, at)])
        case.close_case(at)
    return path


def test_a_script_that_was_said_is_text(tmp_path: Path) -> None:
    page = review_html(model_of(hostile_case(tmp_path / "case.vlog")))
    assert "onerror" in page
    assert not [tag for tag, _ in Tags(page).found if tag == "img"]
    assert sum(tag == "script" for tag, _ in Tags(page).found) == 1


def test_the_policy_lets_in_nothing_but_the_pages_own_style_and_script() -> None:
    for live in (True, False):
        policy = content_policy(live=live)
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert "*" not in policy


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium")
@pytest.mark.xdist_group("browser")
def test_a_browser_shows_it_and_runs_only_its_own_script(tmp_path: Path) -> None:
    out = tmp_path / "case.html"
    main(["review", str(hostile_case(tmp_path / "case.vlog")), "--html", str(out)])
    with chromium() as browser, window(browser) as shown:
        shown.page.goto(out.as_uri())
        assert shown.page.title() == "Review of case.vlog"
        text = shown.page.locator("body").inner_text()
        assert "heart rate 90/min" in text
        assert HOSTILE in text
        assert shown.page.locator("img").count() == 0
        assert shown.foreign(out.as_uri()) == []
        assert shown.complaints == []
