"""Callouts that a free text may stand for: its odd spellings held against the grammar's words, its numbers kept."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from voicelog.events import event_fields
from voicelog.grammar.model import Grammar
from voicelog.grammar.net import expansions
from voicelog.grammar.numbers import NUMBER_WORDS
from voicelog.parse.parser import parse
from voicelog.parse.result import Context
from voicelog.parse.written import joined, numbers_in, runs, spoken
from voicelog.recognisers.base import Word
from voicelog.recognisers.written import drug_names

MOST_PROPOSALS = 5
"""Most callouts proposed for one text."""
LONGEST_WINDOW = 4
"""Most written words that may stand for one word of the grammar."""
MOST_NUMBERS = 2
"""Most numbers of a text that templates are made for."""
LONGEST_TEXT = 10
"""Most words of such a text."""
MOST_DRUGS = 5
"""Most drugs named for one text."""
_BEAM = 40
"""Rows followed side by side; each is parsed."""
_LIKE = 0.55
"""Least likeness, of 1, for which a word is tried in place of what was written."""
_UNKNOWN = 0.8
"""Cost of a written word that the grammar lacks."""
_CHANGE = 0.3
"""Least cost of putting a word in place of others."""
_CODES = str.maketrans("cqgzvbfdjy", "kkksppptki")
"""Letters that sound alike, as one."""
_UNITS = frozenset("milligrams milligram mg micrograms microgram mcg grams gram units unit".split())
_DROP = 0.4
"""A word that the grammar lacks, right after a dose: a route, which is listened for anew."""
_EMPTY = Context()


@dataclass(frozen=True)
class Proposal:
    """One callout that a free text may stand for; numbers as digits, as written."""

    words: tuple[str, ...]
    cost: float
    """How far the text had to be bent; 0 when it is a callout as it stands."""


def proposals(words: Sequence[Word], grammar: Grammar, context: Context = _EMPTY) -> list[Proposal]:
    """Callouts of the grammar that the words of a free text may stand for, the closest first.

    They are only ever proposed: similarity picks what to listen for again, and never decides what was said. No number
    is made or lost.
    """
    texts = joined([word.text for word in spoken(words)])
    found: list[Proposal] = []
    seen: set[str] = set()
    for cost, row in _bent(texts, grammar):
        result = parse([Word(word) for word in row], grammar, context)
        plain = result.outcome == "events" and not {"words_left_over", "label_repaired"} & set(result.flags)
        meaning = repr(([event_fields(draft.event) for draft in result.drafts], result.commands, result.fragment))
        if (plain or (result.outcome == "command" and not result.drafts)) and meaning not in seen:
            seen.add(meaning)
            found.append(Proposal(row, cost))
        if len(found) == MOST_PROPOSALS:
            break
    return found


def templates(words: Sequence[Word], grammar: Grammar) -> list[tuple[str, ...]]:
    """Rows for a text whose numbers say what kind of callout it may be, whatever its other words look like.

    A number with the unit of a dose is put beside a drug, any drug: which one is heard anew. Other numbers are put
    into the examples of the vital signs that have as many.
    """
    texts = joined([word.text for word in words])
    numbers = numbers_in(texts)
    if not 1 <= len(numbers) <= MOST_NUMBERS or len(texts) > LONGEST_TEXT:
        return []
    units = _dose_units(grammar)
    for place in range(1, len(texts)):
        unit = next((form for form in units if tuple(texts[place : place + len(form)]) == form), ())
        if unit and _is_number(texts[place - 1]):
            (dose,) = numbers_in([texts[place - 1]])[-1:] or (numbers[0],)
            drug = next(iter(drug_names(grammar)), ())
            return [(*drug, dose, *unit), (dose, *unit, "of", *drug)]
    rows = [_filled(example, numbers) for example in _sign_examples(grammar)]
    return list(dict.fromkeys(row for row in rows if row))


def drugs_like(words: Sequence[Word], grammar: Grammar) -> list[str]:
    """Drugs whose names look most like some words of a text, the closest first; generic names."""
    names = {"".join(name): (drug,) for name, drug in drug_names(grammar).items()}
    texts = [word.text for word in words]
    costs: dict[str, float] = {}
    for place in range(len(texts)):
        for length in range(1, min(LONGEST_WINDOW, len(texts) - place) + 1):
            window = texts[place : place + length]
            if any(map(_is_number, window)):
                break
            for cost, (drug,) in _alike("".join(window), names):
                costs[drug] = min(cost, costs.get(drug, cost))
    return sorted(costs, key=lambda drug: costs[drug])[:MOST_DRUGS]


def _filled(example: str, numbers: Sequence[str]) -> tuple[str, ...]:
    """An example up to its last number, its numbers replaced; empty when it has more or fewer."""
    left = list(numbers)
    row: list[str] = []
    after: list[str] = []
    for run, is_number in runs(example.replace("o two", "o2").split()):
        if not is_number:
            after = run
        elif not left:
            return ()
        else:
            row += [part for word in after if word != "is" for part in ("o two" if word == "o2" else word).split()]
            row.append(left.pop(0))
            after = []
    return () if left else tuple(row)


def _sign_examples(grammar: Grammar) -> list[str]:
    signs = [phrase for phrase in grammar.phrases if phrase.event.get("kind") == "vital_sign"]
    texts = [text.lower() for phrase in signs for text in phrase.examples]
    return [text for text in texts if text.replace(" ", "").isalpha()]


def _dose_units(grammar: Grammar) -> list[tuple[str, ...]]:
    """Ways to say or write the unit of a dose, the longest first."""
    values = grammar.lists.get("dose_unit")
    forms = [form for _, tree in values.items for form in expansions(tree)] if values else []
    return sorted(forms, key=len, reverse=True)


def _bent(texts: Sequence[str], grammar: Grammar) -> list[tuple[float, tuple[str, ...]]]:
    """Rows of words, cheapest first: each word kept, or a few of them put as a word of the grammar they look like."""
    terms = _terms(grammar)
    rows: list[list[tuple[float, tuple[str, ...]]]] = [[] for _ in range(len(texts) + 1)]
    rows[0] = [(0.0, ())]
    known = grammar.compiled.vocabulary
    for place in range(len(texts)):
        rows[place] = sorted(set(rows[place]))[:_BEAM]
        word = texts[place]
        keeps = 0.0 if word in known or _is_number(word) else _UNKNOWN
        steps: list[tuple[int, float, tuple[str, ...]]] = [(1, keeps, (word,))]
        if place and keeps and texts[place - 1] in _UNITS:
            steps.append((1, _DROP, ()))
        for length in range(1, min(LONGEST_WINDOW, len(texts) - place) + 1):
            window = texts[place : place + length]
            if any(map(_is_number, window)):
                break
            steps += [(length, cost, term) for cost, term in _alike("".join(window), terms) if term != tuple(window)]
        for cost, row in rows[place]:
            for length, more, put in steps:
                rows[place + length].append((cost + more, (*row, *put)))
    return sorted(set(rows[-1]))[:_BEAM]


def _is_number(word: str) -> bool:
    return any(sign.isdigit() for sign in word) or word in NUMBER_WORDS


def _alike(window: str, terms: Mapping[str, tuple[str, ...]]) -> Iterator[tuple[float, tuple[str, ...]]]:
    from rapidfuzz import fuzz, process

    if len(window) < 3:
        return
    near = process.extract(window, terms.keys(), scorer=fuzz.ratio, limit=4, score_cutoff=45)
    skeleton = _skeleton(window)
    for term, letters, _ in near:
        alike = (letters / 100 + fuzz.ratio(skeleton, _skeleton(term)) / 100) / 2
        if alike >= _LIKE:
            yield _CHANGE + (1 - alike) * len(window) / 4, terms[term]


@lru_cache(maxsize=8192)
def _skeleton(text: str) -> str:
    """Consonants, those that sound alike as one letter."""
    return re.sub(r"[aeiouhw]", "", text.translate(_CODES))


@lru_cache(maxsize=4)
def _terms_of(digest: str, vocabulary: frozenset[str], names: frozenset[tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    words = {word: (word,) for word in sorted(vocabulary) if len(word) > 2 and not _is_number(word)}
    return words | {"".join(name): name for name in sorted(names) if not any(map(_is_number, name))}


def _terms(grammar: Grammar) -> dict[str, tuple[str, ...]]:
    """Joined letters -> words: every word of the grammar and every name of a drug, numbers left out."""
    return _terms_of(grammar.digest, grammar.vocabulary, frozenset(drug_names(grammar)))
