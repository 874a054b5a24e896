"""The lines that are spoken for training: callouts sampled from the grammar, talk full of their words, and prose."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from random import Random
from typing import Literal

from voicelog.drill.adapt import spoken_numbers
from voicelog.drill.adapt.sampler import Sampler
from voicelog.drill.adapt.talk import TEMPLATES, UNLISTED
from voicelog.drill.script import DrillError
from voicelog.grammar.model import Grammar
from voicelog.recognisers.pronunciations import typed_only
from voicelog.recognisers.written import written

Kind = Literal["callout", "talk", "prose"]
LONGEST_WORDS = 22
"""Most words of a line: about ten seconds of speech."""
_DRUG_SHARE, _SIGN_SHARE = 0.45, 0.3
"""Shares of callouts that are a drug, and a vital sign: there are more drugs than other names, and they matter most."""
_TWO = 0.12
"""Share of callouts that are two in a breath."""
_NO_CALLOUT = ("question", "negation", "order", "plan", "limit", "history", "others", "filler")
"""Rules of talk among the phrases of the grammar."""
_EXAMPLE = re.compile(r'"([^"]+)"')


@dataclass(frozen=True)
class Line:
    """One line to speak and the text that the listener is to write for it."""

    spoken: str
    """Lower-case words, numbers in words; of prose also its commas."""
    text: str
    """As a free-text listener writes it: numbers in digits, a capital first, a full stop."""
    kind: Kind


def callouts(grammar: Grammar, random: Random, count: int) -> list[Line]:
    """Lines of the grammar: each spoken form of each drug in turn, vital signs, and everything else it can say."""
    sampler = Sampler(grammar, random)
    signs = [phrase for phrase in grammar.phrases if phrase.event.get("kind") == "vital_sign"]
    phrases = [phrase for phrase in grammar.phrases if not phrase.name.startswith(_NO_CALLOUT)]
    silent = typed_only(grammar.vocabulary, ())
    forms = cycle([form for drug in grammar.drugs.values() for form in drug.spoken])
    lines: list[Line] = []
    while len(lines) < count:
        words: list[str] = []
        for _ in range(2 if random.random() < _TWO else 1):
            kind = random.random()
            if kind < _DRUG_SHARE:
                words += _given(next(forms), sampler, random).split()
            else:
                chosen = signs if kind < _DRUG_SHARE + _SIGN_SHARE else phrases
                words += sampler.sentence(random.choice(chosen)).words
        line = Line(" ".join(words), written(words), "callout")
        # Two numbers in a row run together in digits: such a line teaches nothing that a crew says.
        sayable = not silent & set(words) and not any(re.search(r"\d", word) for word in words)
        if sayable and 0 < len(words) <= LONGEST_WORDS and not re.search(r"\d{5}|\d{4}\.", line.text.rstrip(".")):
            lines.append(line)
    return lines


def talk(grammar: Grammar, random: Random, count: int) -> list[Line]:
    """Lines that use the words of callouts and are none."""
    drugs = [form for drug in grammar.drugs.values() for form in drug.spoken]
    lines: list[Line] = []
    while len(lines) < count:
        filling: dict[str, str] = {
            "drug": random.choice(drugs),
            "other": random.choice(UNLISTED),
            "amount": _amount(random),
            "number": " ".join(spoken_numbers.below_thousand(random.randrange(2, 300), random)),
            "small": " ".join(spoken_numbers.below_hundred(random.randrange(2, 60))),
        }
        spoken = random.choice(TEMPLATES)
        for slot, words in filling.items():
            spoken = spoken.replace(f"<{slot}>", words)
        lines.append(Line(spoken, written(spoken.split()), "talk"))
    return lines


def prose(dictionary: Path, random: Random, count: int) -> list[Line]:
    """Example sentences of the dictionary: everyday and literary English of all sorts.

    Raises:
        DrillError: the dictionary is not there.
    """
    found = sorted(set(_examples(dictionary)))
    random.shuffle(found)
    return [Line(text.lower().rstrip("."), text, "prose") for text in found[:count]]


def all_lines(grammar: Grammar, dictionary: Path, counts: dict[Kind, int], seed: int) -> list[Line]:
    """Every line, shuffled; the same for the same seed and grammar."""
    random = Random(seed)
    lines = [
        *callouts(grammar, random, counts["callout"]),
        *talk(grammar, random, counts["talk"]),
        *prose(dictionary, random, counts["prose"]),
    ]
    random.shuffle(lines)
    return lines


def _examples(dictionary: Path) -> Iterator[str]:
    for part in ("noun", "verb", "adj", "adv"):
        path = dictionary / f"data.{part}"
        try:
            text = path.read_text(encoding="ascii", errors="replace")
        except OSError as error:
            hint = "install Debian's wordnet-base, or name its folder in the config"
            raise DrillError(f"{path} cannot be read", hint) from error
        for example in _EXAMPLE.findall(text):
            words = example.split()
            # Figures and signs would be read aloud in ways that the text does not show.
            if 4 <= len(words) <= LONGEST_WORDS and re.fullmatch(r"[A-Za-z' ,-]+", example):
                sentence = example.strip(" .,").replace(" -- ", ", ").replace("--", ", ")
                yield f"{sentence[0].upper()}{sentence[1:]}."


def _given(drug: str, sampler: Sampler, random: Random) -> str:
    """A drug as it is mostly called out: name, dose, unit and route, or the dose first."""
    dose = " ".join(_dose(random))
    unit = " ".join(sampler.item(sampler.grammar.lists["dose_unit"], "").words)
    route = " ".join(sampler.item(sampler.grammar.lists["route"], "").words) if random.random() < 0.75 else ""
    return random.choice(
        (
            f"{drug} {dose} {unit} {route}",
            f"{drug} {dose} {unit} {route}",
            f"{drug} {dose} {unit} {route} given",
            f"{dose} {unit} of {drug} {route}",
            f"{dose} {unit} {drug} {route}",
            f"gave {drug} {dose} {unit} {route}",
            f"{drug} {dose} {unit} is in",
        )
    )


def _amount(random: Random) -> str:
    """A dose and perhaps a route, of no drug in particular."""
    unit = random.choice(["milligrams", "milligrams", "micrograms", "units", "grams", "milliliters"])
    route = random.choice(["", "", "i v", "i m", "intranasal", "i o", "i v push", "by mouth", "intramuscular"])
    return " ".join([*_dose(random), unit, *route.split()])


def _dose(random: Random) -> list[str]:
    """A number as doses are: small, round, or with a point."""
    value = random.choice([random.randrange(1, 20), random.randrange(1, 30) * 5, random.randrange(1, 16) * 10])
    if value < 10 and random.random() < 0.5:
        whole = random.choice([["zero"], [], [spoken_numbers.ONES[value]]])
        last = [spoken_numbers.ONES[random.randrange(1, 10)], *random.choice([[], [], ["five"]])]
        return [*whole, "point", *last]
    return spoken_numbers.below_thousand(value, random)
