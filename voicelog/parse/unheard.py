"""What becomes of speech in which three listeners heard no callout: told, perhaps asked for again, not entered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from voicelog.parse.result import Context, ParseResult
from voicelog.parse.three import ALONE
from voicelog.parse.thresholds import SETTINGS, ThreeSettings
from voicelog.parse.written import numbers_in
from voicelog.parse.written import spoken as as_spoken
from voicelog.recognisers.base import SecondOpinion, Utterance


def unheard_by_three(
    result: ParseResult, utterance: Utterance, context: Context, settings: ThreeSettings = SETTINGS
) -> ParseResult:
    """What neither free-text listener wrote as a callout: no entry, whatever its words may mean by themselves.

    A value alone, as it completes a correction, is taken where both wrote it, and waits for a confirm. Asked for again
    is what both are unsure of and has a number in it; talk is mostly written surely, or has none.
    """
    second, own = utterance.second or SecondOpinion(), utterance.best
    texts, others = ([word.text for word in words] for words in (own.words, as_spoken(second.words)))
    same = bool(texts) and texts == others
    if same and context.expects_value and result.outcome == "command":
        return replace(result, marks=(*result.marks, ALONE))
    score = math.log(own.confidence) if own.confidence else -math.inf
    unsure = max(score, -math.inf if second.score is None else second.score) < settings.sure_of_other
    # A number alone casts doubt on the callout before it, so it must have been heard.
    heard = result.words if same or score >= settings.sure or not _only_numbers(texts) else ()
    if unsure and (numbers_in(texts) or numbers_in(others)):
        return ParseResult(
            "not_understood", heard, reason=f"{' '.join(texts)!r} fits nowhere, nor {' '.join(others)!r}"
        )
    return ParseResult("not_understood", heard, reason=f"no callout, nor for the other listener: {' '.join(others)!r}")


def _only_numbers(texts: Sequence[str]) -> bool:
    return all(numbers_in([text]) for text in texts)
