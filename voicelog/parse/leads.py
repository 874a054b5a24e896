"""By how much a reading leads what it may be taken for, by all listeners together, and how much is enough; pure."""

from __future__ import annotations

from collections.abc import Sequence

from voicelog.grammar.numbers import sound_alike, spelled_alike
from voicelog.parse.thresholds import ThreeSettings
from voicelog.recognisers.base import Fit, SecondOpinion


def leads(second: SecondOpinion, by_third: bool, noisy: bool, settings: ThreeSettings) -> list[tuple[float, Fit]]:
    """What the reading may be taken for, likeliest first, and its lead over it (natural logarithm of the odds).

    Args:
        second: what all listeners made of the sound.
        by_third: whether the third free-text listener wrote the reading too; else its word does not count.
        noisy: whether the sound was measured as noisy.
        settings: how much each opinion counts.
    """
    adapted = second.adapted
    if adapted is None or not adapted.fits:
        return []
    reading, *others = adapted.fits
    theirs = {fit.words: fit for fit in second.fits}
    thirds = {fit.words: fit for fit in (adapted.third.fits if by_third and adapted.third else ())}
    found = []
    for fit in others:
        lead = reading.total - fit.total
        if fit.words in theirs and reading.words in theirs:
            kept = theirs[fit.words].kept
            lead += _at_most(theirs[reading.words].total - theirs[fit.words].total, settings) + _worth(kept, settings)
        # In noise all three have written "forty" for "fourteen", by far: there the third one tells nothing more.
        drowned = noisy and sound_alike(reading.words, fit.words)
        if fit.words in thirds and reading.words in thirds and not drowned:
            lead += _at_most(thirds[reading.words].total - thirds[fit.words].total, settings)
        found.append((lead, fit))
    return sorted(found, key=lambda row: row[0])


def enough_over(
    reading: Sequence[str], rival: Sequence[str], by_third: bool, noisy: bool, settings: ThreeSettings
) -> float:
    """The lead that is enough over a letter or a number that sounds alike, whoever wrote it; 0 over anything else.

    Args:
        reading: what was heard, in words.
        rival: what it may be taken for.
        by_third: as for ``leads``.
        noisy: likewise.
        settings: the figures.
    """
    by_letter, by_number = spelled_alike(reading, rival), sound_alike(reading, rival)
    if by_third and (by_letter or (by_number and not noisy)):
        return settings.lead_of_three_in_noise if noisy else settings.lead_of_three
    if by_letter or (by_number and noisy):
        return settings.lead
    return settings.lead_over_alike if by_number else 0.0


def _at_most(lead: float, settings: ThreeSettings) -> float:
    """What another listener's preference counts."""
    return min(settings.doubt, max(-settings.doubt, lead))


def _worth(kept: int | None, settings: ThreeSettings) -> float:
    """What the grammar listener's preference adds to a lead."""
    if kept is None:
        return 0.0
    return kept * settings.kept if kept >= 0 else -settings.lost
