"""Word errors by jiwer: the rate, and which words are taken for which."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from voicelog.drill.script import DrillError

Words = tuple[str, ...]
Change = Literal["equal", "substitute", "delete", "insert"]


@dataclass(frozen=True)
class Alignment:
    """One callout's words beside what was heard."""

    steps: tuple[tuple[Change, Words, Words], ...]
    """(what happened, words said, words heard), in order."""
    errors: int
    """Words changed, left out or put in."""
    count: int
    """Words said."""


def aligned(pairs: Sequence[tuple[Words, Words]]) -> tuple[Alignment, ...]:
    """Align what was heard with what was said, pair by pair.

    Args:
        pairs: (words said, at least one; words heard).

    Raises:
        DrillError: jiwer is not installed.
    """
    if not pairs:
        return ()
    output = library().process_words([" ".join(said) for said, _ in pairs], [" ".join(heard) for _, heard in pairs])
    found = []
    for (said, heard), chunks in zip(pairs, output.alignments, strict=True):
        steps: list[tuple[Change, Words, Words]] = []
        errors = 0
        for chunk in chunks:
            was = said[chunk.ref_start_idx : chunk.ref_end_idx]
            now = heard[chunk.hyp_start_idx : chunk.hyp_end_idx]
            steps.append((chunk.type, was, now))
            errors += 0 if chunk.type == "equal" else max(len(was), len(now))
        found.append(Alignment(tuple(steps), errors, len(said)))
    return tuple(found)


def word_error_rate(alignments: Sequence[Alignment]) -> float:
    """Errors over words said; 0 for none."""
    words = sum(one.count for one in alignments)
    return sum(one.errors for one in alignments) / words if words else 0.0


def confusions(alignments: Sequence[Alignment]) -> Counter[tuple[str, str]]:
    """How often each word was taken for another one: (said, heard) -> count, most often first, then by name."""
    found: Counter[tuple[str, str]] = Counter()
    for alignment in alignments:
        for change, was, now in alignment.steps:
            if change == "substitute":
                found.update(zip(was, now, strict=True))
    return Counter(dict(sorted(found.items(), key=lambda item: (-item[1], item[0]))))


def library() -> Any:
    """jiwer.

    Raises:
        DrillError: it is not installed.
    """
    try:
        import jiwer
    except ImportError as error:
        raise DrillError("jiwer is not installed", "Install the extra: pip install 'voicelog[drill]'.") from error
    return jiwer
