"""Writes a loaded grammar in the JSpeech Grammar Format, an open standard that many recognisers read.

Source of the format: JSpeech Grammar Format, W3C Note 5 June 2000.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from voicelog.grammar.model import Grammar
from voicelog.grammar.numbers import KINDS, PARTS
from voicelog.grammar.template import parse_template
from voicelog.grammar.tree import Alternatives, Literal, Node, Optional, Reference, Sequence, Tagged, references

HEADER = "#JSGF V1.0 UTF-8 en;"


def emit_jsgf(grammar: Grammar, *, without: Collection[str] = ()) -> str:
    """The grammar as JSGF, one rule for each list, rule, number and phrase; captures and tags are left out.

    Args:
        grammar: what may be said.
        without: words to leave out with every alternative that needs them, such as typed short forms.

    Returns:
        The text; its public rule is ``<utterance>``: callouts, commands, talk and filler, any number of them.
    """
    words = frozenset(without)
    trees = _rules(grammar)
    spoken = _kept({name: Alternatives(choices) for name, choices in trees.items()}, words)
    while lost := {name for node in spoken.values() for name in references(node) if name not in spoken}:
        spoken = _kept(spoken, {f"<{name}>" for name in lost})
    lines = [HEADER, "grammar voicelog;", "", "public <utterance> = <utterance-part> [<utterance>];"]
    return "\n".join([*lines, *(f"<{name}> = {_text(node, top=True)};" for name, node in spoken.items())]) + "\n"


def _kept(rules: Mapping[str, Node], without: Collection[str]) -> dict[str, Node]:
    return {name: kept for name, node in rules.items() if (kept := pruned(node, without)) is not None}


def pruned(node: Node, without: Collection[str]) -> Node | None:
    """The tree less what needs a word (or, as ``<name>``, a rule) that is left out; None if nothing stays."""
    match node:
        case Literal(word):
            return None if word in without else node
        case Reference(name):
            return None if f"<{name}>" in without else node
        case Tagged(part, _, _):
            return pruned(part, without)
        case Optional(part):
            kept = pruned(part, without)
            return Optional(kept) if kept is not None else Sequence(())
        case Sequence(parts):
            members = [pruned(part, without) for part in parts]
            said = tuple(part for part in members if part is not None)
            return Sequence(said) if len(said) == len(parts) else None
        case Alternatives(choices):
            stay = tuple(kept for choice in choices if (kept := pruned(choice, without)) is not None)
            return Alternatives(stay) if stay else None


def _rules(grammar: Grammar) -> dict[str, tuple[Node, ...]]:
    """Every rule by its JSGF name, the parts of an utterance first.

    Names made here carry a hyphen, which no name in a grammar file can.
    """
    phrases = {f"{phrase.kind}-{phrase.name.rpartition('.')[2]}": phrase.say for phrase in grammar.phrases}
    rules: dict[str, tuple[Node, ...]] = {"utterance-part": tuple(Reference(name) for name in phrases), **phrases}
    rules |= grammar.rules
    rules |= {name: tuple(tree for _, tree in values.items) for name, values in grammar.lists.items()}
    numbers = number_rules()
    todo = sorted({name for choices in rules.values() for tree in choices for name in references(tree)} & KINDS.keys())
    for name in todo:
        rules[name] = (numbers[name],)
        todo += [part for part in dict.fromkeys(references(numbers[name])) if part not in rules and part not in todo]
    return rules


def number_rules() -> dict[str, Node]:
    """Every number and, under names of their own, the building blocks of numbers."""
    blocks = {f"number-{name}": _of_parts(parse_template(say)) for name, say in PARTS.items()}
    return blocks | {name: _of_parts(parse_template(kind.say)) for name, kind in KINDS.items()}


def _of_parts(node: Node) -> Node:
    """A number's tree with its building blocks by their JSGF names."""
    match node:
        case Reference(name):
            return Reference(f"number-{name}")
        case Sequence(parts):
            return Sequence(tuple(map(_of_parts, parts)))
        case Alternatives(choices):
            return Alternatives(tuple(map(_of_parts, choices)))
        case Optional(part):
            return Optional(_of_parts(part))
        case _:
            return node


def _text(node: Node, *, top: bool = False) -> str:
    match node:
        case Literal(word):
            return word
        case Reference(name):
            return f"<{name}>"
        case Optional(part):
            return f"[{_text(part, top=True)}]"
        case Tagged(part, _, _):
            return _text(part, top=top)
        case Sequence(parts):
            text = " ".join(_text(part) for part in parts if part != Sequence(())) or "<NULL>"
            return text if top or len(parts) < 2 else f"({text})"
        case Alternatives(choices):
            text = " | ".join(_text(choice, top=True) for choice in choices)
            return text if top or len(choices) < 2 else f"({text})"
