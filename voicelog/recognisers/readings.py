"""Readings of one utterance put in order before they are judged: without needless words, or as the second one wrote."""

from __future__ import annotations

import re
from collections.abc import Sequence

from voicelog.events import event_fields
from voicelog.grammar.model import Grammar
from voicelog.parse.parser import parse
from voicelog.parse.written import joined, spoken
from voicelog.recognisers.base import Hypothesis, Word
from voicelog.recognisers.sphinx import GARBAGE
from voicelog.recognisers.written import written

IDLE = frozenset("a an the of at to is are it in now um uh".split())
"""Words that a grammar listener puts where it hears a breath, or the onset of a number."""
UNHEARD_S = 0.25
"""Seconds of speech at the ends of an utterance that a reading may leave out."""
_MENDED = frozenset({"label_repaired", "words_left_over"})
_ONE_AND_TWO = re.compile(r"1\.\d\d", re.ASCII)
Words = tuple[str, ...]


def own_callouts(words: Sequence[Word], grammar: Grammar) -> list[Words]:
    """The callouts that a free text is as it stands, its numbers put together where they were written in pieces.

    ``1.32`` is also read as one thirty two: which was said is for the other listener to hear. What is implausible as a
    value, as a pulse of 1.32, comes last.
    """
    texts = joined(_texts(spoken(words)))
    ways = [texts, [text.replace(".", "") if _ONE_AND_TWO.fullmatch(text) else text for text in texts]]
    rows = [row for row in dict.fromkeys(map(tuple, ways)) if _is_callout(row, grammar)]
    return sorted(rows, key=lambda row: "implausible" in _flags(row, grammar))


def trimmed(reading: Hypothesis, second: Sequence[Word]) -> Hypothesis:
    """A reading without the sounds at its ends that are no word, where the other listener wrote no more words."""
    words = list(reading.words)
    while words and words[0].text == GARBAGE:
        words.pop(0)
    while words and words[-1].text == GARBAGE:
        words.pop()
    texts = _texts(words)
    if len(words) == len(reading.words) or GARBAGE in texts or len(second) > len(written(texts).split()):
        return reading
    return Hypothesis(tuple(words), reading.confidence)


def whole(reading: Hypothesis, first: Hypothesis, second: Sequence[Word]) -> Hypothesis:
    """A reading with a garbage word for each end of the utterance that it leaves out.

    An end is left out where the first listener heard speech of more than UNHEARD_S there, and the second one wrote more
    words than the reading has.
    """
    times = [time for word in reading.words for time in (word.start, word.end) if time is not None]
    heard = [time for word in first.words for time in (word.start, word.end) if time is not None]
    if not times or not heard or len(second) <= len(written(_texts(reading.words)).split()):
        return reading
    before = [Word(GARBAGE, heard[0], times[0])] if times[0] - heard[0] > UNHEARD_S else []
    after = [Word(GARBAGE, times[-1], heard[-1])] if heard[-1] - times[-1] > UNHEARD_S else []
    return Hypothesis((*before, *reading.words, *after), reading.confidence)


def lean(reading: Hypothesis, grammar: Grammar) -> list[Hypothesis]:
    """A reading without one, and without any, of the idle words that no event of it rests on."""
    words = list(reading.words)
    meaning = _meaning(words, grammar)
    if meaning is None or GARBAGE in _texts(words):
        return []
    rows: list[list[Word]] = []
    bare, least = words, meaning
    for place in reversed([number for number, word in enumerate(words) if word.text in IDLE]):
        for shorter in (words[:place] + words[place + 1 :], bare[:place] + bare[place + 1 :]):
            then = _meaning(shorter, grammar)
            if then is not None and then[0] == meaning[0] and then[1] <= least[1]:
                rows.append(shorter)
                if len(shorter) < len(bare):
                    bare, least = shorter, then
    return [Hypothesis(tuple(row), reading.confidence) for row in rows]


def _flags(row: Sequence[str], grammar: Grammar) -> tuple[str, ...]:
    return parse([Word(word) for word in row], grammar).flags


def _is_callout(row: Sequence[str], grammar: Grammar) -> bool:
    result = parse([Word(word) for word in row], grammar)
    return result.outcome == "events" and not _MENDED & set(result.flags)


def _meaning(words: Sequence[Word], grammar: Grammar) -> tuple[str, frozenset[str]] | None:
    """The events that words mean, and how they are doubted; None when they mean none."""
    result = parse(words, grammar)
    if result.outcome != "events":
        return None
    return repr([event_fields(draft.event) for draft in result.drafts]), frozenset(result.flags)


def _texts(words: Sequence[Word]) -> list[str]:
    return [word.text for word in words]
