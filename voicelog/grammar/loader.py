"""Reads grammar files (TOML) into one Grammar; every fault is named by file, line and, in a template, column."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import cached_property, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from voicelog.errors import GrammarError
from voicelog.grammar.formulary import drug_from, drug_list
from voicelog.grammar.model import DRUG_LIST, Drug, Grammar, Phrase, PhraseKind, Place, ValueList
from voicelog.grammar.numbers import KINDS
from voicelog.grammar.template import TemplateError, parse_template
from voicelog.grammar.tree import Node, Optional, Reference, references
from voicelog.grammar.tree import Sequence as Said

MAX_FILE_BYTES = 4_000_000
"""Largest grammar file read; anything larger is not a grammar file."""
_HEADER = re.compile(r"\s*\[+([^\]]+)\]")
TIME_RULE = "at_time"
"""The rule for a spoken clock time; every event phrase may begin or end with it."""
_SECTIONS: dict[str, set[str]] = {
    "list": {"field", "items"},
    "rule": {"say"},
    "phrase": {"say", "event", "examples", "counterexamples", "after"},
    "command": {"say", "examples", "counterexamples"},
    "talk": {"say", "reason", "examples"},
    "fragment": {"say", "event", "examples"},
    "listening": {"garbage"},
}
_SOUNDS = ("*.dict", "typed_only.txt", "*.mllr")
"""Files of an overlay that tell how words sound."""
_KIND: dict[str, PhraseKind] = {"phrase": "event", "command": "command", "talk": "talk", "fragment": "fragment"}


def shipped_grammars() -> Path:
    """The directory of the grammar files that come with voicelog, in a checkout or an installed wheel."""
    inside = Path(str(files("voicelog"))) / "_data" / "grammars"
    return inside if inside.is_dir() else Path(__file__).resolve().parents[2] / "grammars"


@lru_cache(maxsize=4)
def load_grammar(*overlays: Path) -> Grammar:
    """Read the shipped grammar and any overlay directories; a table in a later directory replaces one of the same name.

    A faulty drug row of an overlay is refused and listed; what was in force before it stays.

    Raises:
        GrammarError: for an unreadable directory or any fault in a file.
    """
    return read_grammar([shipped_grammars(), *overlays])


def read_grammar(directories: Sequence[Path]) -> Grammar:
    """Read every ``*.toml`` of the directories, in order of directory and name.

    Raises:
        GrammarError: for an unreadable directory or any fault in a file.
    """
    lists: dict[str, ValueList] = {}
    rules: dict[str, tuple[Node, ...]] = {}
    phrases: dict[str, Phrase] = {}
    drugs: dict[str, Drug] = {}
    pairs: list[frozenset[str]] = []
    refused: list[GrammarError] = []
    where: dict[str, _File] = {}
    garbage: float | None = None
    digest = hashlib.sha256()
    for file in _files(directories):
        digest.update(file.text.encode())
        for section, tables in file.tables.items():
            for name, table in file.named(section, tables):
                key = f"{section}.{name}"
                where[key] = file
                match section:
                    case "list":
                        lists[name] = _value_list(file, name, table)
                    case "rule":
                        rules[name] = file.trees(key, table)
                    case "drug":
                        try:
                            drugs[name] = drug_from(name, table, Place(file.path, file.line_of(key)))
                        except GrammarError as error:
                            if file.path.parent == directories[0]:
                                raise
                            refused.append(error)
                    case "pair":
                        pairs.append(_pair(file, name, table))
                    case "listening":
                        garbage = _garbage(file, table)
                    case "filler":
                        phrases[key] = Phrase(
                            key, "filler", file.trees(key, table), place=Place(file.path, file.line_of(key))
                        )
                    case _:
                        phrases[key] = _phrase(file, section, name, table)
    for sounds in _sounds(directories[1:]):
        digest.update(sounds)
    by_name = {drug.name: _beside(drug, pairs) for drug in drugs.values()}
    lists[DRUG_LIST] = drug_list(by_name.values())
    grammar = Grammar(
        lists,
        rules,
        tuple(_timed(p, TIME_RULE in rules) for p in phrases.values()),
        by_name,
        digest.hexdigest(),
        tuple(pairs),
        tuple(refused),
        tuple(directories[1:]),
        garbage,
    )
    _check_names(grammar, where)
    return grammar


def _sounds(overlays: Sequence[Path]) -> Iterator[bytes]:
    """What overlays say of how words sound: it changes what is heard as much as a phrase does."""
    for directory in overlays:
        for path in sorted(path for pattern in _SOUNDS for path in directory.glob(pattern)):
            try:
                yield path.read_bytes()
            except OSError as error:
                raise GrammarError(f"cannot be read: {error}", "check its permissions", file=path) from error


def _garbage(file: _File, table: dict[str, Any]) -> float:
    value = table.get("garbage")
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 < value < 1:
        raise GrammarError(
            "[listening] garbage is not a weight between 0 and 1",
            "write garbage = 1e-6; more lets less other speech through and loses more callouts",
            file=file.path,
            line=file.line_of("listening", "garbage"),
        )
    return float(value)


def _pair(file: _File, name: str, table: dict[str, Any]) -> frozenset[str]:
    drugs = table.get("drugs")
    if set(table) != {"drugs", "source"} or not isinstance(drugs, list) or len(set(map(str, drugs))) != 2:
        raise GrammarError(
            f"pair {int(name) + 1} needs two drugs and a source",
            'write drugs = ["ketamine", "ketorolac"] and source = "..."',
            file=file.path,
            line=file.line_of("pair"),
        )
    return frozenset(map(str, drugs))


def _beside(drug: Drug, pairs: Sequence[frozenset[str]]) -> Drug:
    """The drug with the names it is declared to sound like."""
    others = sorted(name for pair in pairs if drug.name in pair for name in pair - {drug.name})
    return replace(drug, sounds_like=tuple(others))


def _timed(phrase: Phrase, has_rule: bool) -> Phrase:
    """The phrase with a spoken clock time before or after it, as any event may have one."""
    if phrase.kind != "event" or not has_rule:
        return phrase
    time = Optional(Reference(TIME_RULE))
    say = tuple(Said((time, tree, time)) for tree in phrase.say)
    return replace(phrase, say=say)


class _File:
    """One grammar file and its text, so that faults can be placed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            if path.stat().st_size > MAX_FILE_BYTES:
                raise GrammarError("too large for a grammar file", "is this the right directory?", file=path)
            self.text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise GrammarError(
                f"cannot be read: {error}", "check its permissions and encoding (UTF-8)", file=path
            ) from error
        try:
            self.tables: dict[str, Any] = tomllib.loads(self.text, parse_float=Decimal)
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"line (\d+), column (\d+)", str(error))
            lines = self.text.splitlines() or [""]
            line, column = (int(found.group(1)), int(found.group(2))) if found else (len(lines), len(lines[-1]) + 1)
            text = lines[line - 1] if line <= len(lines) else ""
            message = re.sub(r" \(at .*\)$", "", str(error))
            raise GrammarError(
                f"not valid TOML: {message}", "mend the line shown", file=path, line=line, column=column, text=text
            ) from error

    def named(self, section: str, tables: Any) -> Iterator[tuple[str, dict[str, Any]]]:
        """The tables of a section with their names, checked for shape."""
        if section in ("filler", "listening"):
            tables = {section: tables}
        if section == "pair":
            tables = {str(number): table for number, table in enumerate(tables)} if isinstance(tables, list) else tables
        known = {*_SECTIONS, "drug", "pair", "filler"}
        if section not in known:
            raise GrammarError(
                f"unknown section [{section}]",
                f"sections are {', '.join(sorted(known))}",
                file=self.path,
                line=self.line_of(section),
            )
        if not isinstance(tables, dict) or not all(isinstance(table, dict) for table in tables.values()):
            raise GrammarError(
                f"[{section}] must hold named tables",
                f"write [{section}.name]",
                file=self.path,
                line=self.line_of(section),
            )
        for name, table in tables.items():
            unknown = set(table) - _SECTIONS.get(section, set(table))
            if unknown:
                key = sorted(unknown)[0]
                raise GrammarError(
                    f"[{section}.{name}] has an unknown key {key!r}",
                    f"keys are {', '.join(sorted(_SECTIONS[section]))}",
                    file=self.path,
                    line=self.line_of(f"{section}.{name}", key),
                )
            yield name, table

    @cached_property
    def _lines(self) -> list[str]:
        return self.text.splitlines()

    @cached_property
    def _headers(self) -> dict[str, int]:
        """Table name -> index of its header line."""
        found = ((_HEADER.match(line), number) for number, line in enumerate(self._lines))
        return {header.group(1): number for header, number in found if header}

    def line_of(self, header: str, snippet: str = "") -> int:
        """The line of a table's header, or of the first line after it that holds the snippet; 0 when not found.

        A section without a header of its own is found by the first table or key in it.
        """
        start = self._headers.get(header)
        if start is None:
            begins = re.compile(rf"\s*\[*\s*{re.escape(header)}\b")
            return next((number for number, line in enumerate(self._lines, start=1) if begins.match(line)), 0)
        after = (number + 1 for number in range(start, len(self._lines)) if snippet and snippet in self._lines[number])
        return next(after, start + 1)

    def trees(self, key: str, table: dict[str, Any]) -> tuple[Node, ...]:
        """The templates of a table's ``say``."""
        say = table.get("say")
        if not isinstance(say, list) or not say or not all(isinstance(text, str) for text in say):
            raise GrammarError(
                f'[{key}] needs say = ["..."]', "give at least one template", file=self.path, line=self.line_of(key)
            )
        return tuple(self.tree(key, text) for text in say)

    def tree(self, key: str, text: str) -> Node:
        """One template, its faults placed in this file."""
        try:
            return parse_template(text)
        except TemplateError as error:
            line = self.line_of(key, text)
            raise GrammarError(
                f"[{key}] {error.message}", error.hint, file=self.path, line=line, column=error.column, text=text
            ) from error


def _files(directories: Sequence[Path]) -> list[_File]:
    found = []
    for directory in directories:
        if not os.access(directory, os.R_OK) or not directory.is_dir():
            raise GrammarError(f"{directory} is not a readable directory", "give a directory of grammar files (*.toml)")
        found += [_File(path) for path in sorted(directory.glob("*.toml"))]
    if not found:
        raise GrammarError("no grammar files found", f"looked in {', '.join(map(str, directories))}")
    return found


def _value_list(file: _File, name: str, table: dict[str, Any]) -> ValueList:
    key = f"list.{name}"
    items = table.get("items")
    if not isinstance(items, dict) or not items:
        raise GrammarError(
            f"[{key}] needs items", 'write items = {value = ["spoken form"]}', file=file.path, line=file.line_of(key)
        )
    read = []
    for value, forms in items.items():
        if not isinstance(forms, list) or not forms or not all(isinstance(form, str) for form in forms):
            raise GrammarError(
                f"[{key}] {value!r} needs a list of spoken forms",
                'write value = ["form"]',
                file=file.path,
                line=file.line_of(key, value),
            )
        for form in forms:
            tree = file.tree(key, form)
            if any(True for _ in references(tree)):
                raise GrammarError(
                    f"[{key}] {form!r}: a list holds no <names>",
                    "use a rule",
                    file=file.path,
                    line=file.line_of(key, form),
                )
            read.append(((("", str(value)),), tree))
    return ValueList(name, str(table.get("field", name)), tuple(read), Place(file.path, file.line_of(key)))


def _phrase(file: _File, section: str, name: str, table: dict[str, Any]) -> Phrase:
    key = f"{section}.{name}"
    examples = table.get("examples", {})
    if isinstance(examples, list):
        examples = {text: {} for text in examples}
    event = table.get("event", {})
    if section in {"phrase", "fragment"} and "kind" not in event:
        raise GrammarError(
            f"[{key}] needs event = {{kind = ...}}", "say which event it makes", file=file.path, line=file.line_of(key)
        )
    return Phrase(
        name,
        _KIND[section],
        file.trees(key, table),
        event,
        examples,
        tuple(table.get("counterexamples", ())),
        Place(file.path, file.line_of(key)),
        table.get("reason", ""),
        tuple(table.get("after", ())),
    )


def _check_names(grammar: Grammar, where: dict[str, _File]) -> None:
    for name in sorted(
        (grammar.lists.keys() & grammar.rules.keys()) | ((grammar.lists.keys() | grammar.rules.keys()) & KINDS.keys())
    ):
        key = f"rule.{name}" if name in grammar.rules else f"list.{name}"
        file = where.get(key)
        raise GrammarError(
            f"[{key}] the name {name!r} is taken by a number, list or rule",
            "choose another name",
            file=file.path if file else None,
            line=file.line_of(key) if file else 0,
        )
    known = {*grammar.lists, *grammar.rules, *KINDS}
    used: list[tuple[str, Node]] = [(f"rule.{name}", tree) for name, trees in grammar.rules.items() for tree in trees]
    for phrase in grammar.phrases:
        section = "phrase" if phrase.kind == "event" else phrase.kind
        used += [(phrase.name if phrase.kind == "filler" else f"{section}.{phrase.name}", tree) for tree in phrase.say]
    for key, tree in used:
        for name in references(tree):
            if name not in known:
                file = where.get(key)
                line = file.line_of(key, f"<{name}>") if file else 0
                text = file.text.splitlines()[line - 1] if file and line else ""
                raise GrammarError(
                    f"[{key}] <{name}> is not a known list, rule or number",
                    "known: " + ", ".join(sorted(known)),
                    file=file.path if file else None,
                    line=line,
                    column=text.find(f"<{name}>") + 1,
                    text=text,
                )
    _check_cycles(grammar, where)


def _check_cycles(grammar: Grammar, where: dict[str, _File]) -> None:
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        if name in path:
            file = where.get(f"rule.{name}")
            raise GrammarError(
                f"[rule.{name}] refers to itself: {' -> '.join([*path, name])}",
                "a rule may only use lists, numbers and other rules",
                file=file.path if file else None,
                line=file.line_of(f"rule.{name}") if file else 0,
            )
        if name in done or name not in grammar.rules:
            return
        for tree in grammar.rules[name]:
            for used in references(tree):
                visit(used, (*path, name))
        done.add(name)

    for name in grammar.rules:
        visit(name, ())
