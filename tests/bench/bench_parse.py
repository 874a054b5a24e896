"""How long loading and parsing take, with the shipped grammar and with a formulary of 1,000 drugs.

Run: ``python tests/bench/bench_parse.py``. Goals: median parse at most 1 ms, 99th percentile at most 10 ms, load and
compile at most 0.3 s with the shipped grammar.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from random import Random
from statistics import quantiles

sys.path.insert(0, str(Path(__file__).parents[1]))

from callout_rows import callout_rows, talk_lines
from meaning import wrong_values

from voicelog.drill.adapt.sampler import Sampler
from voicelog.grammar.loader import read_grammar, shipped_grammars
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Word

LOADS = 5
SAMPLES = 10_000
ROW = 'names = ["{name}"]\nunits = ["mg", "ug"]\nroutes = ["intravenous"]\nsource = "made up"\ndate = 2026-11-25\n'
SYLLABLES = "ba ce di fo gu la me ni po ru sa te vi xo zu".split()


def formulary(folder: Path, count: int) -> Path:
    """An overlay with ``count`` made-up drugs."""
    random = Random(1)
    names: set[str] = set()
    while len(names) < count:
        names.add("".join(random.choices(SYLLABLES, k=5)) + "ine")
    text = "\n".join(f"[drug.{name}]\n{ROW.format(name=name)}" for name in sorted(names))
    (folder / "many.toml").write_text(text, encoding="utf-8")
    return folder


def loaded(directories: Sequence[Path]) -> tuple[Grammar, float]:
    """The compiled grammar, and the shortest of a few times that reading and compiling took, in seconds."""
    best = float("inf")
    for _ in range(LOADS):
        start = time.perf_counter()
        grammar = read_grammar(directories)
        _ = grammar.compiled
        best = min(best, time.perf_counter() - start)
    return grammar, best


def parse_times(texts: Sequence[str], grammar: Grammar) -> list[float]:
    """Milliseconds each text took, tokenizing included."""
    times = []
    for text in texts:
        start = time.perf_counter()
        parse(words_of(text), grammar)
        times.append((time.perf_counter() - start) * 1000)
    return times


def line(name: str, times: list[float]) -> str:
    """One line of the report."""
    cuts = quantiles(times, n=100)
    return f"{name:28} median {cuts[49]:6.2f}  p90 {cuts[89]:6.2f}  p99 {cuts[98]:6.2f}  max {max(times):7.2f} ms"


def sampled(grammar: Grammar, count: int) -> str:
    """What comes of ``count`` sentences said by the grammar itself."""
    sampler = Sampler(grammar, Random(2026))
    phrases = [phrase for phrase in grammar.phrases if phrase.kind == "event"]
    outcomes: dict[str, int] = {}
    wrong = 0
    for number in range(count):
        sentence = sampler.sentence(phrases[number % len(phrases)])
        result = parse(tuple(map(Word, sentence.words)), grammar)
        outcomes[result.outcome] = outcomes.get(result.outcome, 0) + 1
        wrong += bool(wrong_values(sentence, result, grammar))
    return f"{count} sentences of the grammar: {outcomes}, with a wrong value: {wrong}"


def main() -> None:
    """Print the report."""
    callouts = [row.spoken for row in callout_rows()]
    with tempfile.TemporaryDirectory() as folder:
        for name, directories in (
            ("shipped grammar", [shipped_grammars()]),
            ("1,000 more drugs", [shipped_grammars(), formulary(Path(folder), 1000)]),
        ):
            grammar, seconds = loaded(directories)
            print(f"{name}: {len(grammar.drugs)} drugs, load and compile {seconds:.3f} s")
            parse_times(callouts, grammar)
            print(line(f"  {len(callouts)} callouts", parse_times(callouts, grammar)))
            print(line(f"  {len(talk_lines())} lines of talk", parse_times(talk_lines(), grammar)))
            start = time.perf_counter()
            parse(words_of("pulse eighty eight and then " * 2000), grammar)
            print(f"  10,000 words in one text: {time.perf_counter() - start:.2f} s")
    if "--sample" in sys.argv:
        print(sampled(read_grammar([shipped_grammars()]), SAMPLES))


if __name__ == "__main__":
    main()
