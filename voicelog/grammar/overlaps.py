"""What comes of the sentences of each phrase: read as meant, in two ways, or as something else, and what is never read.

Every sentence of the covering set goes through the parser. A sentence that two phrases can read is a question to
the crew and so only a note; one that is entered with other values than its phrase gives it, unasked, is an error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from voicelog.events import event_fields
from voicelog.grammar.finding import Finding, Severity, template_at, title
from voicelog.grammar.model import DRUG_LIST, Grammar, Phrase, ValueList
from voicelog.grammar.net import Values
from voicelog.grammar.sentences import Sentence, Sentences, filled_by
from voicelog.parse.drafts import draft_of
from voicelog.parse.parser import parse
from voicelog.parse.reading import Capture, Edge, Reading
from voicelog.parse.result import Context, Draft, ParseResult
from voicelog.parse.search import MARGIN, readings
from voicelog.recognisers.base import Word

Fate = Literal["read", "asked", "refused", "lost", "wrong"]
"""read as meant; asked, because it is read in another way too; refused, because it counts as talk; lost: it is only
ever read as something else, without entering anything else; wrong: something else is entered without a question."""
Progress = Callable[[int, int], None]
"""Called with (sentences done, sentences in all)."""


@dataclass(frozen=True)
class Outcome:
    """What came of one sentence."""

    fate: Fate
    rivals: tuple[str, ...] = ()
    """Titles of the phrases that read it in other ways."""


@dataclass(frozen=True)
class _Use:
    """A list in one template."""

    phrase: Phrase
    before: Sentence
    tag: str
    """The field that the item fills there, or ''."""
    after: Sentence
    lead: Sentence | None

    def with_item(self, values: ValueList, filled: Values, form: Sentence) -> Sentence:
        """The template with one item of the list in it."""
        return self.before + Sentence(form.words, filled_by(values, filled, self.tag)) + self.after


@dataclass
class _Group:
    """Sentences with which the same befell the same phrases."""

    phrase: Phrase
    outcome: Outcome
    sentences: list[Sentence] = field(default_factory=list)


def phrase_findings(grammar: Grammar, progress: Progress = lambda done, total: None) -> list[Finding]:
    """Overlaps between phrases, and templates that are never read, in the order of the phrases."""
    said = Sentences(grammar)
    sets = [(phrase, said.covering(phrase)) for phrase in grammar.phrases if phrase.kind != "filler"]
    total = sum(len(sentences) for _, covering in sets for sentences in covering)
    done = 0
    findings: list[Finding] = []
    groups: dict[tuple[str, Outcome], _Group] = {}
    for phrase, covering in sets:
        lead = _lead(phrase, grammar, said)
        for number, sentences in enumerate(covering):
            fates: dict[str, Sentence] = {}
            for sentence in sentences:
                outcome = outcome_of(sentence, phrase, grammar, lead)
                fates.setdefault(outcome.fate, sentence)
                if outcome.fate != "read":
                    whole = (lead or Sentence()) + sentence
                    groups.setdefault((title(phrase), outcome), _Group(phrase, outcome)).sentences.append(whole)
                done += 1
                progress(done, total)
            if fates.keys() <= {"refused", "lost"}:
                findings.append(_never_read(phrase, number, sentences))
    return [*findings, *_overlaps(groups.values())]


def item_findings(grammar: Grammar) -> Iterator[Finding]:
    """Values of lists and drugs none of whose forms is understood, and forms that are not understood as their value."""
    said = Sentences(grammar)
    for values in grammar.lists.values():
        uses = sorted(_uses(values, grammar, said), key=lambda use: len(use.before.words + use.after.words))
        heard: dict[Values, list[Sentence]] = {}
        silent: dict[Values, list[Sentence]] = {}
        if not uses:
            continue
        for filled, form in said.forms(values):
            taken = any(
                outcome_of(use.with_item(values, filled, form), use.phrase, grammar, use.lead).fate == "read"
                for use in uses
            )
            (heard if taken else silent).setdefault(filled, []).append(form)
        meant: dict[Sentence, set[str]] = {}
        for filled, form in said.forms(values):
            meant.setdefault(form, set()).add(_value(filled))
        for filled, forms in silent.items():
            place = grammar.drugs[filled[0][1]].place if values.name == DRUG_LIST else values.place
            value = _value(filled)
            others = sorted({other for form in forms for other in meant[form]} - {value})
            why = f", as it also stands for {' and '.join(map(repr, others))}" if others else ""
            quoted = ", ".join(repr(form.text) for form in forms[:3])
            if filled in heard:
                message = f"{quoted} alone is not understood as {value!r} of <{values.name}>{why}"
                yield Finding(place, message, "note", "overlap")
            else:
                message = f"{value!r} of <{values.name}> can never be said: {quoted} is not understood as it{why}"
                yield Finding(place, message, "error", "unreachable")


def _value(filled: Values) -> str:
    """What an item fills, in words."""
    return ", ".join(value for _, value in filled)


def outcome_of(sentence: Sentence, phrase: Phrase, grammar: Grammar, lead: Sentence | None = None) -> Outcome:
    """What the parser makes of a sentence of a phrase.

    Args:
        sentence: its words, and the fields that the phrase gives them.
        phrase: whose sentence it is.
        grammar: all that may be said.
        lead: what has to be said before it in the same breath.
    """
    said = (lead or Sentence()).words
    words = (*said, *sentence.words)
    found = readings(grammar.compiled, words)
    near = [reading for reading in found if reading.cost < found[0].cost + MARGIN]
    talks = [reading for reading in near if reading.talks]
    if phrase.kind == "talk":
        return Outcome("read") if talks else Outcome("wrong", _names(near))
    wanted = _edge(sentence, phrase).meaning()
    own = [reading for reading in near if not reading.talks and _meanings(reading)[bool(lead) :] == [wanted]]
    others = [reading for reading in near if reading not in own]
    if own and not others:
        return Outcome("read")
    spoken = tuple(Word(word) for word in words)
    result = parse(spoken, grammar)
    rivals = _names(talks or others)
    if result.outcome == "not_understood":
        return Outcome("refused", rivals)
    if any(question.about == "which_reading" for question in result.questions):
        return Outcome("asked" if own else "lost", rivals)
    if result.outcome == "ambiguous":
        return Outcome("read" if own else "lost", () if own else rivals)
    if lead or _same(result, sentence, phrase, grammar):
        return Outcome("read")
    return Outcome("wrong", rivals)


def _edge(sentence: Sentence, phrase: Phrase) -> Edge:
    """The sentence as the parser finds it when it reads it as its phrase."""
    captures = tuple(Capture(name, value, 0, len(sentence.words)) for name, value in sentence.fields)
    return Edge(phrase, 0, len(sentence.words), captures, 0)


def _meanings(reading: Reading) -> list[tuple[object, ...]]:
    return [edge.meaning() for edge in reading.edges]


def _names(found: Sequence[Reading]) -> tuple[str, ...]:
    """The phrases of each reading, in order of cost."""
    return tuple(
        dict.fromkeys(
            " and ".join(title(edge.phrase) for edge in reading.edges) or "words that fit nowhere" for reading in found
        )
    )


def _same(result: ParseResult, sentence: Sentence, phrase: Phrase, grammar: Grammar) -> bool:
    """Whether what is entered is what the phrase by itself would enter."""
    if phrase.kind == "command":
        return result.commands == (phrase.name,)
    words = [Word(word) for word in sentence.words]
    own = draft_of(_edge(sentence, phrase), words, grammar.drugs, Context())
    entered = [event_fields(draft.event) for draft in result.drafts]
    return isinstance(own, Draft) and entered == [event_fields(own.event)]


def _lead(phrase: Phrase, grammar: Grammar, said: Sentences) -> Sentence | None:
    """The shortest thing after which a phrase that follows another may be said."""
    before = [other for other in grammar.phrases if other.name in phrase.after and other.kind != "filler"]
    return min((said.shortest(other) for other in before), key=lambda one: len(one.words), default=None)


def _never_read(phrase: Phrase, number: int, sentences: Sequence[Sentence]) -> Finding:
    place, template = template_at(phrase, number)
    way = repr(template) if template else f"template {number + 1}"
    message = f"{title(phrase)} is never understood when said as {way}, such as {sentences[0].text!r}"
    return Finding(place, message, "error", "unreachable")


def _overlaps(groups: Iterable[_Group]) -> Iterator[Finding]:
    """One finding for each set of phrases between which something befell some sentences."""
    told: set[tuple[Fate, frozenset[str]]] = set()
    for group in groups:
        name, fate, rivals = title(group.phrase), group.outcome.fate, group.outcome.rivals
        key = (fate, frozenset((name, *rivals)))
        if fate == "asked" and key in told:
            continue
        told.add(key)
        example = min(group.sentences, key=lambda sentence: len(sentence.words)).text
        more = f" ({len(group.sentences)} such sentences)" if len(group.sentences) > 1 else ""
        told_as = _TWICE if fate == "asked" and set(rivals) == {name} else _TOLD[fate]
        message = told_as.format(name, " or ".join(rival for rival in rivals if rival != name))
        severity: Severity = "error" if fate == "wrong" else "note"
        yield Finding(group.phrase.place, f"{example!r} {message}{more}", severity, "overlap")


_TOLD: dict[Fate, str] = {
    "asked": "can be {0} or {1}: the crew is asked",
    "refused": "of {0} is not entered, as it is also {1}",
    "lost": "of {0} is read as {1} alone, which enters nothing by itself",
    "wrong": "of {0} is entered with other values, as {1}",
}


_TWICE = "of {0} can be read with different values: the crew is asked"


def _uses(values: ValueList, grammar: Grammar, said: Sentences) -> Iterator[_Use]:
    """Where a list may stand, the shortest surroundings of each template that has it."""
    for phrase in grammar.phrases:
        if phrase.kind in {"event", "command", "fragment"}:
            lead = _lead(phrase, grammar, said)
            for tree in phrase.say:
                if found := said.around(tree, values.name):
                    yield _Use(phrase, *found, lead)
