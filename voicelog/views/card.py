"""The callout card: one printable page of what can be said, by task, made from the loaded grammar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template

from voicelog import __version__
from voicelog.grammar.model import Drug, Grammar
from voicelog.views.card_fit import columns, is_narrow
from voicelog.views.card_sayings import Saying
from voicelog.views.card_sections import NEVER, NUMBERS, Row, Section, not_understood, sections
from voicelog.views.card_words import NO_BREAK, spoken_letters
from voicelog.views.labels import written_unit

_PAGE = Template("""\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>voicelog callout card, grammar $digest</title>
<style>
$style</style>
</head>
<body>
<header>
<h1>What to say to voicelog</h1>
<p>Say it like this. <b>Bold</b>: put your own value. <b>CAPITALS</b>: spell the letters.</p>
</header>
<main>
<div class="callouts">
$callouts
</div>
$drugs
</main>
<footer>
<p><b>Caution.</b> A documentation and training aid, not a medical device. Local protocols, medical direction and
licensed practice come first. Verify every entry. It never recommends treatment.</p>
<p>Grammar <b>$digest</b>, voicelog $version, made $made from $sources. Out of date once the grammar
changes.$left_out</p>
</footer>
</body>
</html>
""")
DIGEST_SHOWN = 12
"""Hex digits of the grammar's digest that tell one card from another."""
MAX_ALIASES = 2
ALIAS_LETTERS = 20
"""Room for the other names of one drug, the shortest first."""
_KIND = {NUMBERS: "number", NEVER: "refused"}
"""Class of a section's rows, for the style; all others are ``say``."""


def card_html(grammar: Grammar, *, made: str) -> str:
    """The card as one self-contained HTML document: no script, nothing fetched, one landscape page in print.

    Args:
        grammar: what can be said; an overlay's phrases and drugs are on the card.
        made: the day it was made, printed as given.
    """
    drugs = [_drug(drug) for drug in sorted(grammar.drugs.values(), key=lambda drug: drug.name)]
    shared = columns(sections(grammar), [" ".join(filter(None, drug)) for drug in drugs])
    missing = not_understood(grammar)
    left_out = f" Left off, as no example is understood: {escape(', '.join(missing))}." if missing else ""
    return _PAGE.substitute(
        style=files("voicelog.views").joinpath("card.css").read_text(encoding="utf-8"),
        callouts="\n".join(f"<div>\n{chr(10).join(map(_section, column))}\n</div>" for column in shared),
        drugs=_drug_list(drugs),
        digest=escape(grammar.digest[:DIGEST_SHOWN]),
        version=escape(__version__),
        made=escape(made),
        sources=escape(_sources(grammar)),
        left_out=left_out,
    )


def _section(section: Section) -> str:
    kind = _KIND.get(section.title, "say")
    rows = "\n".join(_row(row, kind) for row in section.rows)
    note = f'\n<p class="note">{escape(section.note)}</p>' if section.note else ""
    narrow = " narrow" if is_narrow(section) else ""
    return f'<section class="{kind}{narrow}">\n<h2>{escape(section.title)}</h2>\n<dl>\n{rows}\n</dl>{note}\n</section>'


def _row(row: Row, kind: str) -> str:
    said = "".join(f'<dd class="{kind}">{_saying(saying)}</dd>' for saying in row.sayings)
    groups = "; ".join(", ".join(group) for group in row.values)
    values = f'<dd class="values">{escape(groups)}</dd>' if groups else ""
    wide = "" if row.sayings else ' class="wide"'
    return f"<div{wide}><dt>{escape(row.label)}</dt>{said}{values}</div>"


def _saying(saying: Saying) -> str:
    """The words, those that are values in bold; neighbours in one run."""
    shown = re.split(rf"([ {NO_BREAK}])", spoken_letters(saying.text))
    marked = []
    for index, word in enumerate(shown[::2]):
        strong = index in saying.strong
        opens = "<b>" if strong and index - 1 not in saying.strong else ""
        closes = "</b>" if strong and index + 1 not in saying.strong else ""
        blank = shown[2 * index - 1] if index else ""
        marked.append(f"{blank}{opens}{escape(word)}{closes}")
    return "".join(marked)


def _drug_list(drugs: Sequence[tuple[str, str, str]]) -> str:
    if not drugs:
        return ""
    rows = "\n".join(
        f"<li><b>{escape(name)}</b>{escape(f' {unit}' if unit else '')}{escape(f' {others}' if others else '')}</li>"
        for name, unit, others in drugs
    )
    return (
        f'<section class="drugs">\n<h2>The {len(drugs)} drugs loaded</h2>\n<ul>\n{rows}\n</ul>\n'
        '<p class="note">A unit behind a name may be left out when you say the dose; it is then taken and read back.'
        " Where none stands, always say the unit.</p>\n</section>"
    )


def _drug(drug: Drug) -> tuple[str, str, str]:
    """Name, the unit that may be left out, and other names in brackets."""
    others = ", ".join(map(spoken_letters, _aliases(drug)))
    return drug.name, written_unit(drug.usual_unit).replace(" ", NO_BREAK), f"({others})" if others else ""


def _aliases(drug: Drug) -> list[str]:
    """Other ways to say a drug, without those that differ in blanks or marks only."""
    named = [form for form in drug.named_concentrations if not form.startswith(drug.spoken)]
    seen = {_bare(drug.name)}
    aliases = []
    for form in (*drug.spoken, *named):
        if _bare(form) not in seen:
            seen.add(_bare(form))
            aliases.append(form)
    shortest = sorted(aliases, key=len)[:MAX_ALIASES]
    return shortest if sum(map(len, shortest)) <= ALIAS_LETTERS else shortest[:1]


def _bare(form: str) -> str:
    return "".join(sign for sign in form.replace("with ", "") if sign.isalnum())


def _sources(grammar: Grammar) -> str:
    """Files by directory, names only: ``grammars (commands, vitals); ours (crew)``."""
    places = [phrase.place for phrase in grammar.phrases]
    places += [drug.place for drug in grammar.drugs.values()]
    places += [values.place for values in grammar.lists.values()]
    folders: dict[Path, dict[str, None]] = {}
    for path in (place.file for place in places if place.file.name):
        folders.setdefault(path.parent, {})[path.stem] = None
    return "; ".join(f"{folder.name} ({', '.join(names)})" for folder, names in folders.items())
