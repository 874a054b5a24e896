"""When a misheard or mistyped word may stand for a label; never used for a value."""

from __future__ import annotations

from functools import lru_cache

from rapidfuzz.distance import OSA


@lru_cache(maxsize=65_536)
def sounds_similar(heard: str, label: str) -> bool:
    """Whether a word may be a slip for a label: one edit in a short word, two in a longer one, same first letter.

    Words of three letters or fewer are never mended: too many of them are one edit apart.
    """
    if len(label) < 4 or len(heard) < 3 or heard[0] != label[0]:
        return False
    allowed = 1 if len(label) < 6 else 2
    return OSA.distance(heard, label, score_cutoff=allowed) <= allowed
