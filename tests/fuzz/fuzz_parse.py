"""Coverage-guided fuzzing of the parser and the dialogue: ``python tests/fuzz/fuzz_parse.py -max_total_time=600``.

Half of the inputs are any text, half are strings of the grammar's own words with times or without, which get deeper.
Whatever is said, nothing may raise, and what is entered must carry the words it came from.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

import atheris

with atheris.instrument_imports(include=["voicelog.parse", "voicelog.grammar.numbers", "voicelog.dialogue"]):
    from voicelog.dialogue.machine import close, context_of, step
    from voicelog.dialogue.state import DialogueState, Heard
    from voicelog.parse.parser import parse
    from voicelog.parse.tokens import words_of

from voicelog.grammar.loader import load_grammar
from voicelog.recognisers.base import Word

GRAMMAR = load_grammar()
VOCABULARY = [*sorted(GRAMMAR.compiled.vocabulary), "?", "<garbage>", "118", "0.3", "14:05", "zebra", "118/76"]
NOW = datetime(2026, 1, 2, 3, 4, tzinfo=UTC)
MOST_WORDS = 40


def said(data: atheris.FuzzedDataProvider) -> tuple[Word, ...]:
    """One utterance."""
    if data.ConsumeBool():
        return words_of(data.ConsumeUnicode(300))
    timed = data.ConsumeBool()
    words, at = [], 0.0
    for _ in range(data.ConsumeIntInRange(0, MOST_WORDS)):
        text = data.PickValueInList(VOCABULARY)
        if timed:
            start = at + data.ConsumeIntInRange(0, 12) / 10
            at = start + 0.3
            words.append(Word(text, start, at, 0.9))
        else:
            words.append(Word(text))
    return tuple(words)


def one_case(raw: bytes) -> None:
    """A few utterances of one case."""
    data = atheris.FuzzedDataProvider(raw)
    state = DialogueState()
    for number in range(1, 2 + data.ConsumeIntInRange(0, 3)):
        words = said(data)
        result = parse(words, GRAMMAR, context_of(state))
        assert result.outcome in {"events", "command", "ambiguous", "not_understood"}
        assert (result.outcome == "events") <= bool(result.drafts)
        assert (result.outcome == "ambiguous") == bool(result.questions)
        assert (result.outcome == "not_understood") == bool(result.reason)
        for draft in result.drafts:
            assert draft.event.evidence, "an event that nobody said"
        state = step(state, Heard(f"U{number}", NOW, result), GRAMMAR.drugs).state
    assert all(entry.type in {"decision", "read_back"} for entry in close(state).enter)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_case)
    atheris.Fuzz()
