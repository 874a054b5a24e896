"""The callout card: all that the grammar understands is on it, nothing else is taught, and it prints on one page."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from browser import CHROMIUM, chromium, window

from voicelog.events import event_fields
from voicelog.grammar.loader import load_grammar, read_grammar, shipped_grammars
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import clock_of, value_of
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.views.card import card_html
from voicelog.views.card_fit import columns, section_mm
from voicelog.views.card_sayings import Saying
from voicelog.views.card_sections import Row, Section
from voicelog.views.card_words import spoken_letters

TOPICS = ("sign", "finding", "procedure", "milestone")
DRUG = """
[drug.testamine]
name = "testamine"
names = ["testamine", "testy"]
usual_unit = "mg"
units = ["mg"]
routes = ["intravenous"]
source = "made up"
date = 2026-11-25
"""
PHRASE = """
[phrase.ticker]
say = ["ticker at <count>"]
event = {kind = "vital_sign", sign = "heart_rate", unit = "/min"}
"""
EXAMPLE = 'examples = {"ticker at eighty" = {value = 80}}\n'
SMALL = """
[phrase.heart_rate]
say = ["heart rate <count> [<rhythm>]"]
event = {kind = "vital_sign", sign = "heart_rate", unit = "/min"}
examples = {"heart rate eighty" = {value = 80}, "heart rate ninety regular" = {value = 90, rhythm = "regular"}}
[list.rhythm]
items = {regular = ["regular"], irregular = ["irregular"], chaotic = ["c h"]}
[phrase.collar]
say = ["collar on"]
event = {kind = "procedure", procedure = "immobilization", action = "done"}
[command.confirm]
say = ["confirm"]
examples = ["confirm"]
"""


@dataclass
class _Card(HTMLParser):
    """The card's parts by element and class; a text is what a reader sees, letters with common blanks."""

    found: list[tuple[str, str]] = field(default_factory=list)
    """(element and class, text) in order; bold is kept as ``*words*``."""

    def __post_init__(self) -> None:
        super().__init__()
        self.open: str = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in {"h2", "dt", "dd", "li"}:
            kind = dict(attrs).get("class")
            self.open = f"{tag}.{kind}" if kind else tag
            self.found.append((self.open, ""))
        elif tag == "b" and self.open:
            self.handle_data("*")

    def handle_endtag(self, tag: str) -> None:
        if tag == "b" and self.open:
            self.handle_data("*")
        elif self.open.split(".")[0] == tag:
            self.open = ""

    def handle_data(self, data: str) -> None:
        if self.open:
            kind, text = self.found[-1]
            self.found[-1] = (kind, text + data.replace("\u00a0", " "))

    def texts(self, kind: str) -> list[str]:
        return [text.replace("*", "") for found, text in self.found if found == kind]


def read(page: str) -> _Card:
    card = _Card()
    card.feed(page)
    return card


def made(grammar: Grammar) -> str:
    return card_html(grammar, made="2026-11-25")


@lru_cache(maxsize=1)
def shipped() -> str:
    return made(load_grammar())


def written(folder: Path, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "crew.toml").write_text(text, encoding="utf-8")
    return folder


def small(folder: Path, overlay: str, base: str = SMALL) -> Grammar:
    """A small grammar in a directory of its own and an overlay of it."""
    return read_grammar([written(folder / "base", base), written(folder / "ours", overlay)])


@pytest.fixture(scope="module")
def crews(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The card of the shipped grammar with a crew's own drugs and callouts."""
    drugs = DRUG + "".join(DRUG.replace("test", f"test{letter}") for letter in "abcdefgh")
    procedures = ("suction", "tourniquet", "oxygen", "defibrillation", "immobilization")
    phrases = "".join(
        f'[phrase.crew_{name}]\nsay = ["our own long word for {name}"]\n'
        f'event = {{kind = "procedure", procedure = "{name}"}}\n'
        for name in procedures
    )
    folder = written(tmp_path_factory.mktemp("crew"), drugs + PHRASE + EXAMPLE + phrases)
    return made(read_grammar([shipped_grammars(), folder]))


def test_every_saying_is_understood_without_a_doubt() -> None:
    grammar = load_grammar()
    said = {text: parse(words_of(text), grammar) for text in read(shipped()).texts("dd.say")}
    understood = {
        text
        for text, result in said.items()
        if (result.outcome in {"events", "command"} or result.fragment) and not result.flags
    }
    assert len(said) > 90
    assert set(said) - understood == set()


def test_every_event_of_the_grammar_has_a_saying() -> None:
    grammar = load_grammar()
    events = [
        event_fields(draft.event)
        for text in read(shipped()).texts("dd.say")
        for draft in parse(words_of(text), grammar).drafts
    ]

    def topics(fields: list[dict[str, object]]) -> set[tuple[object, ...]]:
        return {(event["kind"], *(event.get(name) for name in TOPICS)) for event in fields}

    phrases = [dict(phrase.event) for phrase in grammar.phrases if phrase.kind == "event"]
    assert topics(phrases) - topics(events) == set()
    assert {event["action"] for event in events if event["kind"] == "medication"} == {
        "given", "prepared", "wasted", "kept", "not_given",
    }  # fmt: skip


def test_every_command_has_a_saying() -> None:
    grammar = load_grammar()
    said = {name for text in read(shipped()).texts("dd.say") for name in parse(words_of(text), grammar).commands}
    assert {phrase.name for phrase in grammar.phrases if phrase.kind == "command"} - said == set()


def test_every_drug_is_listed_with_the_unit_that_may_be_left_out() -> None:
    listed = read(shipped()).texts("li")
    drugs = load_grammar().drugs
    assert len(listed) == len(drugs)
    assert [text for text, name in zip(listed, sorted(drugs), strict=True) if not text.startswith(name)] == []
    assert "adenosine mg" in listed
    assert "fentanyl mcg (fent)" in listed
    assert "atropine" in listed


def test_every_name_of_a_drug_on_the_card_is_a_spoken_form_of_it() -> None:
    drugs = load_grammar().drugs
    wrong = []
    for text, (name, drug) in zip(read(shipped()).texts("li"), sorted(drugs.items()), strict=True):
        others = re.search(r"\((.*)\)", text)
        printed = [name, *(others.group(1).lower().split(", ") if others else [])]
        wrong += [form for form in printed if form not in {*drug.spoken, *drug.named_concentrations}]
    assert wrong == []


def test_what_is_said_never_to_be_logged_makes_no_entry() -> None:
    grammar = load_grammar()
    refused = read(shipped()).texts("dd.refused")
    assert len(refused) == sum(phrase.kind == "talk" for phrase in grammar.phrases)
    assert {parse(words_of(text), grammar).outcome for text in refused} == {"not_understood"}


def test_every_reason_of_the_talk_rules_is_given() -> None:
    reasons = {phrase.reason for phrase in load_grammar().phrases if phrase.kind == "talk"}
    assert reasons - set(read(shipped()).texts("dt")) == set()


def test_numbers_are_said_as_they_are_read() -> None:
    label, wrong, seen = "", [], set()
    for kind, text in read(shipped()).found:
        label = text if kind == "dt" else label
        if kind == "dd.number":
            seen.add(label)
            words = text.lower().split()
            right = clock_of(words) == label if ":" in label else value_of(words) == Decimal(label.replace(",", ""))
            wrong += [] if right else [(label, text)]
    assert wrong == []
    assert {"118", "50", "0.3", "14:05"} <= seen


def test_an_overlays_phrase_is_in_the_section_of_its_event(crews: str) -> None:
    found = read(crews).found
    row = found[[text for _, text in found].index("ticker at *eighty*") :: -1]
    assert next(text for kind, text in row if kind == "dt") == "heart rate"
    assert next(text for kind, text in row if kind == "h2") == "Vital signs"


def test_a_phrase_without_examples_is_shown_from_its_template(crews: str, tmp_path: Path) -> None:
    assert "our own long word for suction" in read(crews).texts("dd.say")
    assert "ticker at forty" in read(made(small(tmp_path, PHRASE))).texts("dd.say")


def test_an_overlays_drug_is_listed(crews: str) -> None:
    assert "testamine mg (testy)" in read(crews).texts("li")


def test_a_callout_whose_example_is_not_understood_is_left_off_and_named(tmp_path: Path) -> None:
    page = made(small(tmp_path, PHRASE + 'examples = {"tikker wun" = {value = 80}}\n'))
    assert "tikker" not in page
    assert "Left off, as no example is understood: ticker." in page


def test_markup_in_a_grammar_is_shown_as_text(tmp_path: Path) -> None:
    script = "<script>alert(1)</script>"
    overlay = f"""
{DRUG.replace('name = "testamine"', f'name = "{script}"')}
[phrase.shout]
say = ["shout"]
event = {{kind = "remark", text = "{script}"}}
examples = {{"shout" = {{}}, "{script}" = {{}}}}
[list.looks]
field = "description"
items = {{"{script}" = ["ugly"], pale = ["pale"], "<i>" = ["wan"]}}
[talk.shouting]
say = ["hey"]
reason = "{script}"
examples = ["hey {script}"]
"""
    page = made(small(tmp_path, overlay))
    assert "<script" not in page
    assert "<i>" not in page
    assert script in read(page).texts("li")[0]
    assert script in read(page).texts("dt")


def test_the_page_fetches_nothing_and_runs_nothing() -> None:
    page = shipped()
    assert '<html lang="en">' in page
    assert """content="default-src 'none'; style-src 'unsafe-inline'">""" in page
    assert re.findall(r"<(?:script|link|img|iframe|object)|https?:|url\(|@import|\son\w+=|\ssrc=", page) == []


def test_it_says_what_it_is_and_what_it_was_made_from(tmp_path: Path) -> None:
    grammar = small(tmp_path, DRUG)
    text = " ".join(re.sub(r"<[^>]+>", "", made(grammar).split("<footer>")[1]).split())
    assert "not a medical device. Local protocols, medical direction and licensed practice come first." in text
    assert "Verify every entry." in text
    assert f"Grammar {grammar.digest[:12]}, voicelog " in text
    assert "made 2026-11-25 from base (crew); ours (crew)." in text
    assert str(tmp_path) not in made(grammar)


def test_the_same_grammar_makes_the_same_card() -> None:
    assert made(read_grammar([shipped_grammars()])) == shipped()


def test_a_small_grammars_card_word_for_word(tmp_path: Path) -> None:
    assert read(made(small(tmp_path, ""))).found == [
        ("h2", "Talking to voicelog"),
        ("dt", "confirm"),
        ("dd.say", "confirm"),
        ("h2", "Numbers"),
        ("dt", "118"),
        ("dd.number", "one one eight"),
        ("dd.number", "one eighteen"),
        ("dt", "105"),
        ("dd.number", "one oh five"),
        ("dd.number", "one hundred and five"),
        ("dt", "50"),
        ("dd.number", "five zero"),
        ("dd.number", "fifty"),
        ("h2", "Vital signs"),
        ("dt", "heart rate"),
        ("dd.say", "heart rate *eighty*"),
        ("dd.say", "heart rate *ninety regular*"),
        ("dd.values", "regular, irregular, C H"),
        ("h2", "Procedures"),
        ("dt", "immobilization"),
        ("dd.say", "collar on"),
    ]


def test_a_grammar_of_one_command_has_a_card(tmp_path: Path) -> None:
    card = read(made(small(tmp_path, "", '[command.confirm]\nsay = ["confirm"]\n')))
    assert card.found == [("h2", "Talking to voicelog"), ("dt", "confirm"), ("dd.say", "confirm")]


def test_a_spelled_letter_is_a_capital_and_an_article_is_not() -> None:
    assert spoken_letters("a v p u of a man i v") == "A\u00a0V\u00a0P\u00a0U of a man I\u00a0V"


def test_a_long_drug_list_leaves_fewer_listed_words() -> None:
    row = Row("rhythm", (Saying(("rhythm", "sinus")),), (tuple(f"sinus rhythm of kind {n}" for n in range(60)),))
    sections = [Section(title, (row,) * 5) for title in "abcd"]
    few, many = (sum(map(section_mm, columns(sections, ["drug"] * count)[0])) for count in (400, 40))
    assert few < many


def _pages(page: str, paper: str, folder: Path) -> list[tuple[int, int]]:
    """Width and height in points of each page that a real browser prints."""
    source = folder / f"{paper}.html"
    source.write_text(page.replace("size: landscape", f"size: {paper} landscape"), encoding="utf-8")
    with chromium() as browser, window(browser) as shown:
        shown.page.goto(source.as_uri())
        printed = shown.page.pdf(prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
    return [(round(float(width)), round(float(height))) for width, height in boxes]


# ISO 216 A4 is 297 x 210 mm, ANSI Letter 11 x 8.5 in; a PDF point is 1/72 in.
@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium")
@pytest.mark.xdist_group("browser")
@pytest.mark.parametrize(("paper", "size"), [("A4", (842, 595)), ("letter", (792, 612))])
def test_it_prints_on_one_landscape_page(paper: str, size: tuple[int, int], tmp_path: Path) -> None:
    assert _pages(shipped(), paper, tmp_path) == [size]


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: apt-get install chromium")
@pytest.mark.xdist_group("browser")
def test_a_crews_overlay_still_prints_on_one_page(crews: str, tmp_path: Path) -> None:
    assert len(_pages(crews, "letter", tmp_path)) == 1
