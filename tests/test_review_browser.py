"""The review in a real browser, by keyboard alone: heard, amended, added to, signed off, read back from the file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from browser import CHROMIUM, Window, chromium, served, window
from case_files import problems, stored
from playwright.sync_api import Browser
from review_cases import LINES, heard_file

from voicelog.audio.flac import decode_flac
from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.cli import main

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium"),
    pytest.mark.xdist_group("browser"),
]
SCRIPT = "<script>document.title = 'owned'</script><img src=x onerror=alert(1)>"
# Keeps the very samples that are sent to the loudspeaker, at the rate of the recording, so that they can be compared.
NOTE_SOUND = """
  window.sounded = [];
  window.AudioContext = class extends AudioContext { constructor() { super({sampleRate: 16000}); } };
  const start = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function (when, offset, seconds) {
    const from = Math.round(offset * 16000), until = from + Math.round(seconds * 16000);
    const samples = [...this.buffer.getChannelData(0).slice(from, until)];
    window.sounded.push(samples.map((one) => Math.round(one * 32768)));
    return start.call(this, when, offset, seconds);
  };
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return heard_file(tmp_path / "case.vlog", *LINES)


def state(path: Path) -> CaseState:
    assert problems(path) == []
    return fold(stored(path))


def entry(path: Path, drug: str) -> str:
    """The entry of a drug that stands."""
    standing = [one for one in state(path).events if one.status not in ("amended", "rejected")]
    return next(one.id for one in standing if getattr(one.event, "drug", "") == drug)


def lit(shown: Window, selector: str) -> list[str]:
    return shown.page.locator(f"{selector}.lit").all_text_contents()


def hear_a_dose(shown: Window, path: Path) -> None:
    """Go to the dose of epinephrine by keyboard: its words light up, and exactly their sound is played."""
    name = entry(path, "epinephrine")
    shown.tab_to(f"node.dataset.key === '{name}.dose'")
    # Its utterance is the third. "epinephrine" begins after half a second; each word takes half a second, and the next
    # three are the dose.
    with CaseFile.open(path) as case:
        samples = decode_flac(case.clip(state(path).utterances[2].clip or ""))
    dose = json.dumps(samples[16000:40000].tolist(), separators=(",", ":"))
    shown.until("(dose) => JSON.stringify(window.sounded.at(-1)) === dose", dose)
    assert lit(shown, ".said a") == ["zero point three"]
    assert shown.page.locator(f"svg a.lit[href='#{name}']").count() == 1
    assert shown.page.locator("#told").text_content() == ""


def test_a_focused_field_lights_its_words_and_plays_them_from_the_file(
    browser: Browser, path: Path, tmp_path: Path
) -> None:
    out = tmp_path / "case.html"
    assert main(["review", str(path), "--html", str(out)]) == 0
    with window(browser, NOTE_SOUND) as shown:
        shown.page.goto(out.as_uri())
        hear_a_dose(shown, path)
        assert shown.foreign("file:") == []
        assert shown.complaints == []


def test_each_side_lights_the_other(browser: Browser, path: Path, tmp_path: Path) -> None:
    out = tmp_path / "case.html"
    main(["review", str(path), "--html", str(out), "--no-audio"])
    name = entry(path, "epinephrine")
    with window(browser) as shown:
        page = shown.page
        page.goto(out.as_uri())
        page.hover(f"svg a[href='#{name}']")
        assert page.locator(f"#{name}.lit").count() == 1
        assert "zero point three" in lit(shown, ".said a")
        page.hover(".said a:text-is('zero point three')")
        (field,) = lit(shown, "button")
        assert field.startswith("dose 0.3")
        assert page.locator(f"svg a.lit[href='#{name}']").count() == 1
        assert page.locator(f"#{name}.lit").count() == 0
        # By keyboard as well: the mark in the chart, then the words.
        shown.tab_to("!node.closest('main')")
        shown.tab_to(f"node.closest('svg') && node.getAttribute('href') === '#{name}'")
        assert page.locator(f"#{name}.lit").count() == 1
        shown.tab_to("node.textContent === 'zero point three'")
        assert lit(shown, "button") == [field]


def test_a_case_is_judged_by_keyboard_alone(browser: Browser, path: Path) -> None:
    reviewer = f"R. One {SCRIPT}"
    review = "Review of case.vlog"
    with served(path) as address, window(browser, NOTE_SOUND) as shown:
        shown.page.goto(address)
        hear_a_dose(shown, path)
        drug = entry(path, "naloxone")

        shown.tab_to(f"node.textContent === 'Judge {drug}'")
        shown.enter(f"Judge {drug}")
        shown.write("by", reviewer)
        shown.tab_to("node.textContent === 'Accept as it stands'")
        shown.enter(review)
        assert next(one for one in state(path).events if one.id == drug).status == "confirmed"

        shown.tab_to(f"node.textContent === 'Judge {drug}'")
        shown.enter(f"Judge {drug}")
        shown.write("field.dose", "0.8")
        shown.write("reason", "heard on the recording")
        shown.enter(review)
        new = next(one for one in state(path).events if one.amends == drug)
        assert new.event.model_dump()["dose"] == Decimal("0.8")
        assert next(one for one in state(path).events if one.id == drug).status == "amended"

        shown.tab_to("node.textContent === 'Add an entry' && node.href.endsWith('U7')")
        shown.enter("Add an entry from U7")
        shown.write("callout", "oxygen saturation ninety two percent")
        shown.write("reason", "missed")
        shown.enter(review)
        assert state(path).events[-1].utterance == "U7"

        shown.tab_to("node.textContent === 'Judge E2'")
        shown.enter("Judge E2")
        shown.tab_to("node.textContent === 'Mark as entered in error' || node.form?.action.endsWith('/error')")
        shown.page.keyboard.insert_text("of another patient")
        shown.enter(review)
        assert next(one for one in state(path).events if one.id == "E2").status == "rejected"

        shown.tab_to("node.textContent === 'Comment, sign off, undo'")
        shown.enter("The whole case")
        shown.write("text", SCRIPT)
        shown.tab_to("node.textContent === 'Comment'")
        shown.enter(review)
        shown.tab_to("node.textContent === 'Comment, sign off, undo'")
        shown.enter("The whole case")
        shown.tab_to("node.textContent === 'Sign off the case'")
        shown.enter(review)
        signed = state(path).signed_off
        assert signed is not None
        assert signed.by == reviewer

        shown.page.reload()
        text = shown.page.locator("body").inner_text()
        assert f"✓ signed off by {reviewer}" in text
        assert f"({reviewer}): comment: {SCRIPT}" in text
        assert f"{drug} amended: corrected by {new.id}, in review by {reviewer}: heard on the recording" in text
        assert shown.page.title() == review
        assert shown.page.locator("img, script").count() == 1

        # Of what is signed off nothing can be judged, until the sign-off is undone.
        assert shown.page.locator(".entry .act, .said .act").count() == 0
        shown.tab_to("node.textContent === 'Comment, sign off, undo'")
        shown.enter("The whole case")
        assert shown.page.locator("form").count() == 1
        shown.tab_to("node.textContent.startsWith('Undo: sign-off')")
        shown.enter(review)
        assert state(path).signed_off is None
        assert shown.page.locator(".entry .act").count() > 0

        origin = address.split("?")[0]
        assert shown.foreign(origin) == []
        assert shown.complaints == []


def test_of_two_reviewers_the_later_sees_what_the_earlier_did_and_loses_nothing(browser: Browser, path: Path) -> None:
    drug = entry(path, "naloxone")
    with served(path) as one, served(path) as other, window(browser) as early, window(browser) as late:
        late.page.goto(other)
        late.page.get_by_role("link", name=f"Judge {drug}", exact=True).click()
        late.arrives(f"Judge {drug}")
        late.write("field.dose", "0.8")
        late.write("reason", "a long reason")
        late.write("by", "R. Two")

        early.page.goto(one)
        early.page.get_by_role("link", name=f"Judge {drug}", exact=True).click()
        early.arrives(f"Judge {drug}")
        early.write("text", "sounds like point four to me")
        early.write("by", "R. One")
        early.tab_to("node.textContent === 'Comment'")
        early.enter("Review of case.vlog")
        before = stored(path)

        late.page.keyboard.press("Enter")
        late.page.get_by_text("The case was changed meanwhile").wait_for()
        assert stored(path) == before
        assert "(R. One): comment on" in late.page.locator("main").inner_text()
        amend = late.page.locator("form", has_text="Amend")
        assert amend.locator("[name='field.dose']").input_value() == "0.8"
        assert amend.locator("[name='reason']").input_value() == "a long reason"
        assert amend.locator("[name='by']").input_value() == "R. Two"
        amend.get_by_role("button", name="Amend").click()
        late.arrives("Review of case.vlog")

        early.page.reload()
        for shown in (early, late):
            text = shown.page.locator("#review").inner_text()
            assert "(R. One): comment" in text
            assert "(R. Two)" in text
        assert stored(path)[: len(before)] == before
        assert next(event for event in state(path).events if event.amends == drug).event.model_dump()[
            "dose"
        ] == Decimal("0.8")


def test_a_list_is_sifted_and_leads_from_case_to_case(browser: Browser, tmp_path: Path) -> None:
    heard_file(tmp_path / "a.vlog", *LINES)
    heard_file(tmp_path / "b.vlog", *LINES[:1])
    with served(tmp_path) as address, window(browser) as shown:
        shown.page.goto(address)
        rows = shown.page.locator("tbody tr:visible")
        assert rows.count() == 2
        shown.tab_to("node.id === 'filter'")
        shown.page.keyboard.insert_text("b.vl")
        assert rows.count() == 1
        shown.tab_to("node.textContent === 'b.vlog'")
        shown.enter("Review of b.vlog")
        shown.tab_to("node.textContent === 'Previous case'")
        shown.enter("Review of a.vlog")
        shown.tab_to("node.textContent === 'Next case'")
        shown.enter("Review of b.vlog")
        assert shown.complaints == []
