"""What scored drills suggest for the grammar: ways to say a word, names of drugs, pairs to watch, a weight."""

from __future__ import annotations

import json
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from voicelog.audio.source import read_recording
from voicelog.drill.adaptation import FEWEST as ENOUGH_TO_ADAPT
from voicelog.drill.adaptation import transform
from voicelog.drill.matching import CalloutResult, DrillResult
from voicelog.drill.sounds import Said, way_said
from voicelog.drill.typed import typed_course
from voicelog.grammar.coverage import pronunciations
from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.recognisers.base import SAMPLE_RATE
from voicelog.recognisers.sphinx import ADAPTATION

Kind = Literal["pronunciation", "alias", "pair", "garbage", "adaptation"]
FEWEST = 2
"""Callouts that must speak for a proposal."""
MOST_RECORDINGS = 8
"""Callouts listened to for one word."""
FIRST_LISTED = 4
"""Words shorter than this are said in too many ways to tell one from another."""
_MARGIN_S = 0.3
_GARBAGE_STEPS = (0.1, 10.0)


@dataclass(frozen=True)
class Proposal:
    """One change, for people to judge."""

    kind: Kind
    name: tuple[str, ...]
    """pronunciation: the word. alias: drug and its further name. pair: two drugs. others: nothing."""
    value: str
    """pronunciation: its phones. alias: phones of a name that no dictionary has, or ''. garbage: the weight.
    adaptation: the transform as text."""
    evidence: str
    """What speaks for it."""

    @property
    def key(self) -> tuple[str, tuple[str, ...]]:
        """The same proposal from other recordings has the same key."""
        return self.kind, self.name

    def __str__(self) -> str:
        match self.kind:
            case "pronunciation":
                return f"“{self.name[0]}” is also said {self.value}"
            case "alias":
                return f"“{self.name[1]}” is a name of {self.name[0]}"
            case "pair":
                return f"{self.name[0]} and {self.name[1]} sound alike"
            case "garbage":
                return f"speech outside the grammar weighs {self.value}"
        return "the acoustic model is adapted to these voices and this cabin"


class Drills:
    """Scored drills, their sound, and the grammar that they were heard with."""

    def __init__(self, results: Sequence[DrillResult], folder: Path, grammar: Grammar) -> None:
        self.results = tuple(results)
        self.folder = folder
        self.grammar = grammar
        self._sound: dict[str, Any] = {}

    def only(self, recordings: Iterable[str]) -> Drills:
        """Some of the recordings; sound that was read is shared."""
        wanted = frozenset(recordings)
        some = Drills([one for one in self.results if one.truth.recording in wanted], self.folder, self.grammar)
        some._sound = self._sound
        return some

    @cached_property
    def callouts(self) -> tuple[CalloutResult, ...]:
        """Every callout, in the order of the recordings."""
        return tuple(callout for result in self.results for callout in result.callouts)

    def said(self, callout: CalloutResult) -> Said:
        """The sound of a callout."""
        if callout.recording not in self._sound:
            self._sound[callout.recording] = read_recording(self.folder / callout.recording).samples
        first = max(0, round((callout.line.start - _MARGIN_S) * SAMPLE_RATE))
        last = round((callout.line.end + _MARGIN_S) * SAMPLE_RATE)
        return Said(self._sound[callout.recording][first:last], callout.said)


def proposals(drills: Drills, kinds: Iterable[Kind]) -> list[Proposal]:
    """What some drills suggest of words and drugs; the other kinds are functions of their own."""
    chosen = frozenset(kinds)
    found: list[Proposal] = []
    if "pronunciation" in chosen:
        found += said_otherwise(drills)
    if "alias" in chosen:
        found += further_names(drills)
    if "pair" in chosen:
        found += taken_for_each_other(drills)
    return found


def said_otherwise(drills: Drills) -> list[Proposal]:
    """Words of the grammar that were not heard, and a way to say them that fits what was said better."""
    lost: dict[str, list[CalloutResult]] = defaultdict(list)
    for callout in drills.callouts:
        if callout.score.outcome != "exact":
            for word in set(callout.said) - set(callout.words):
                lost[word].append(callout)
    found = []
    for word, callouts in sorted(lost.items()):
        known = word in drills.grammar.vocabulary and word not in NUMBER_WORDS and len(word) >= FIRST_LISTED
        if known and len(callouts) >= FEWEST:
            way = _way(drills, word, callouts, listed=True)
            if way:
                found.append(Proposal("pronunciation", (word,), *way))
    return found


def _way(drills: Drills, word: str, callouts: Sequence[CalloutResult], listed: bool) -> tuple[str, str] | None:
    """Phones of a way to say a word, and what speaks for it."""
    ways = pronunciations({word for callout in callouts for word in callout.said}, drills.grammar.overlays)
    if not listed:
        ways[word] = ()
    fit = [
        one for one in callouts if one.said.count(word) == 1 and all(ways[other] for other in one.said if other != word)
    ]
    # Turn about, so that nobody who speaks a lot outweighs the others.
    turns = sorted(range(len(fit)), key=lambda n: sum(one.line.who == fit[n].line.who for one in fit[:n]))
    some = [fit[n] for n in turns[:MOST_RECORDINGS]]
    if len(some) < FEWEST:
        return None
    way = way_said(word, [drills.said(one) for one in some], ways)
    if way is None or any(way.phones in said for said in ways.values()):
        return None
    who = len({one.line.who for one in some})
    told = f"not heard in {len(callouts)} callouts; fits {way.better} of {way.count} of them better"
    return way.phones, f"{told}, by {who} speaker{'s' if who > 1 else ''}"


def further_names(drills: Drills) -> list[Proposal]:
    """Words that stand where a drug's name would, and that no row of the formulary has."""
    seen: dict[tuple[str, str], list[CalloutResult]] = defaultdict(list)
    for callout in drills.callouts:
        named = _unknown_name(callout, drills.grammar)
        if named:
            seen[named].append(callout)
    found = []
    for (drug, name), callouts in sorted(seen.items()):
        if len(callouts) < FEWEST:
            continue
        told = f"said in {len(callouts)} callouts whose truth is {drug}"
        unknown = [word for word, ways in pronunciations(name.split(), drills.grammar.overlays).items() if not ways]
        if not unknown:
            found.append(Proposal("alias", (drug, name), "", told))
        elif len(unknown) == 1:
            way = _way(drills, unknown[0], callouts, listed=False)
            if way:
                found.append(Proposal("alias", (drug, name), f"{unknown[0]}  {way[0]}", told))
    return found


def _unknown_name(callout: CalloutResult, grammar: Grammar) -> tuple[str, str] | None:
    """(drug, words) when the one row of words that the grammar lacks can only be the name of the drug."""
    drugs = {str(fields["drug"]) for fields in callout.line.events if "drug" in fields}
    places = [place for place, word in enumerate(callout.said) if word not in grammar.vocabulary]
    if len(drugs) != 1 or not places or places[-1] - places[0] + 1 != len(places):
        return None
    (drug,) = drugs
    if drug not in grammar.drugs:
        return None
    plain = [*callout.said[: places[0]], grammar.drugs[drug].spoken[0], *callout.said[places[-1] + 1 :]]
    (heard,) = typed_course([(" ".join(plain), 0.0)], grammar)
    if tuple(entered.fields for entered in heard.events) != callout.line.events:
        return None
    return drug, " ".join(callout.said[places[0] : places[-1] + 1])


def taken_for_each_other(drills: Drills) -> list[Proposal]:
    """Drugs that were entered for each other and are not declared as a pair yet."""
    found = Counter(
        tuple(sorted((field.said, str(field.entered))))
        for callout in drills.callouts
        for field in callout.fields
        if field.group == "drug" and field.wrong
    )
    declared = set(drills.grammar.unsure_pairs)
    return [
        Proposal("pair", pair, "", f"taken for each other in {count} callouts")
        for pair, count in sorted(found.items())
        if count >= FEWEST and frozenset(pair) not in declared
    ]


def garbage_weights(current: float) -> list[Proposal]:
    """Weights of speech outside the grammar that are worth trying: a tenth and ten times of what is in force."""
    return [
        Proposal("garbage", (), f"{current * step:.0e}", "tried beside the one in force") for step in _GARBAGE_STEPS
    ]


def adaptation(drills: Drills) -> Proposal | None:
    """The acoustic model moved towards all callouts of some drills; None when they are too few.

    Raises:
        DrillError: a tool is missing or fails.
    """
    ways = pronunciations({word for callout in drills.callouts for word in callout.said}, drills.grammar.overlays)
    fit = [callout for callout in drills.callouts if all(ways[word] for word in callout.said)]
    if len(fit) < ENOUGH_TO_ADAPT:
        return None
    who = len({callout.line.who for callout in fit})
    told = f"estimated from {len(fit)} callouts by {who} speaker{'s' if who > 1 else ''}"
    return Proposal("adaptation", (), transform([drills.said(callout) for callout in fit], ways), told)


def write_overlay(chosen: Sequence[Proposal], grammar: Grammar, folder: Path, notes: Mapping[Proposal, str]) -> None:
    """Write proposals as an overlay: ``learned.toml`` and ``learned.dict``, what speaks for each as a comment.

    Args:
        chosen: each of another key; at most one weight.
        grammar: whose rows of drugs are copied with a name more.
        folder: an empty folder.
        notes: further comment of a proposal; those without get none at all.
    """
    sounds, rows = [], []
    aliases: dict[str, list[Proposal]] = defaultdict(list)
    for one in chosen:
        comment = f"# {one}: {one.evidence}; {notes[one]}\n" if one in notes else ""
        match one.kind:
            case "pronunciation":
                sounds.append(f"{comment}{one.name[0]}  {one.value}\n")
            case "pair":
                source = "voicelog drill learn"
                rows.append(f'{comment}[[pair]]\ndrugs = {json.dumps(list(one.name))}\nsource = "{source}"\n')
            case "garbage":
                rows.append(f"{comment}[listening]\ngarbage = {float(one.value)!r}\n")
            case "adaptation":
                (folder / f"learned{ADAPTATION}").write_text(one.value, encoding="ascii")
            case "alias":
                aliases[one.name[0]].append(one)
                if one.value:
                    sounds.append(f"{comment}{one.value}\n")
    for drug, names in sorted(aliases.items()):
        comment = "".join(f"# {one}: {one.evidence}; {notes[one]}\n" for one in names if one in notes)
        rows.append(comment + _drug_row(grammar, drug, [one.name[1] for one in names]))
    (folder / "learned.toml").write_text("\n".join(rows), encoding="utf-8")
    (folder / "learned.dict").write_text("".join(sounds), encoding="utf-8")


def _drug_row(grammar: Grammar, drug: str, names: Sequence[str]) -> str:
    """The drug's row as it is in force, with further names: an overlay's row stands in place of the one before."""
    tables = tomllib.loads(grammar.drugs[drug].place.file.read_text(encoding="utf-8"), parse_float=Decimal)["drug"]
    key = next(key for key, table in tables.items() if table.get("name", key.replace("_", " ")) == drug)
    row = {**tables[key], "names": [*tables[key]["names"], *names]}
    return f"[drug.{key}]\n" + "".join(f"{name} = {_toml(value)}\n" for name, value in row.items())


def _toml(value: Any) -> str:
    """A value as TOML has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return str(value)
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(name)} = {_toml(one)}" for name, one in value.items()) + "}"
    return json.dumps(value, ensure_ascii=False)
