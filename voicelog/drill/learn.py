"""Judges proposals on recordings that they were not made from, by speaker; offers what helps and does no harm."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from voicelog.drill.adaptation import is_available
from voicelog.drill.matching import DrillResult
from voicelog.drill.proposals import Drills, Kind, Proposal, adaptation, garbage_weights, proposals, write_overlay
from voicelog.drill.scoring import Scored, score_folder
from voicelog.drill.script import DrillError
from voicelog.drill.truth import Truth, speakers
from voicelog.drill.work import CACHE, Pool
from voicelog.grammar.acceptor import Weights
from voicelog.grammar.loader import load_grammar

MOST_FOLDS = 5
KINDS: tuple[Kind, ...] = ("pronunciation", "alias", "pair", "garbage", "adaptation")
_WRONG_COST = 10
"""A wrong entry weighs as much as so many right ones when a weight is chosen."""


@dataclass(frozen=True)
class Effect:
    """What a proposal changes in some recordings."""

    callouts: int
    exact: tuple[int, int]
    """Callouts entered as said, before and after."""
    wrong: tuple[int, int]
    """Callouts accepted wrong and things entered unasked that nobody called out, before and after."""

    @property
    def gain(self) -> int:
        """Callouts more that are entered as said."""
        return self.exact[1] - self.exact[0]

    @property
    def harms(self) -> bool:
        """Whether more is accepted wrong."""
        return self.wrong[1] > self.wrong[0]

    def __str__(self) -> str:
        return (
            f"{self.exact[0]} → {self.exact[1]} of {self.callouts} entered as said, "
            f"{self.wrong[0]} → {self.wrong[1]} accepted wrong"
        )


@dataclass(frozen=True)
class Judged:
    """A proposal and what became of it."""

    proposal: Proposal
    held_out: Effect
    """On recordings whose speakers had no part in making it; an adaptation on recordings that had none."""
    everywhere: Effect
    """On all recordings."""
    offered: bool
    reason: str
    """Why it is not offered; '' where it is."""


@dataclass(frozen=True)
class Learned:
    """All that was looked at."""

    judged: tuple[Judged, ...]
    by_speaker: bool
    """Whether no speaker stood on both sides; else only no recording did."""
    folds: int
    together: Effect | None
    """Everything that is offered, at once, on all recordings; None when nothing is."""

    @property
    def offered(self) -> tuple[Judged, ...]:
        """What is offered."""
        return tuple(one for one in self.judged if one.offered)


def folds_of(truths: Sequence[Truth]) -> tuple[list[frozenset[str]], bool]:
    """Recordings in groups that share no speaker, at most MOST_FOLDS; single recordings where all share one.

    Returns:
        The groups, and whether they are parted by speaker.

    Raises:
        DrillError: there is one recording only.
    """
    if len(truths) < 2:
        raise DrillError("one recording cannot be learned from and judged on", "Make, record or import more drills.")
    groups: list[tuple[set[str], set[str]]] = []
    for truth in truths:
        who, names = set(speakers([truth])), {truth.recording}
        for group in [group for group in groups if group[0] & who]:
            groups.remove(group)
            who, names = who | group[0], names | group[1]
        groups.append((who, names))
    parted = len(groups) > 1
    rows = [sorted(names) for _, names in groups] if parted else [[truth.recording] for truth in truths]
    folds: list[set[str]] = [set() for _ in range(min(MOST_FOLDS, len(rows)))]
    for row in sorted(rows, key=lambda row: (-len(row), row)):
        min(folds, key=len).update(row)
    return [frozenset(fold) for fold in folds], parted


class Trial:
    """Hears drills again with proposals in force."""

    def __init__(self, folder: Path, drills: Sequence[tuple[Path, Truth]], listener: str, pool: Pool) -> None:
        self.folder = folder
        self.drills = drills
        self.listener = listener
        self.pool = pool
        self.told: Callable[[], None] = lambda: None
        """Called with each recording heard."""

    def scored(
        self, overlays: Sequence[Path], chosen: Sequence[Proposal] = (), only: Collection[str] | None = None
    ) -> Scored:
        """Score with proposals in force, all drills or only some recordings."""
        some = [row for row in self.drills if only is None or row[1].recording in only]
        kept = self.folder / CACHE
        with tempfile.TemporaryDirectory(prefix="voicelog-learn-") as temporary:
            folders = list(overlays)
            if chosen:
                write_overlay(chosen, load_grammar(*overlays), Path(temporary), {})
                folders.append(Path(temporary))
            (one,) = score_folder(some, [self.listener], folders, self.pool, lambda heard: self.told(), kept)
        return one


def learn(trial: Trial, overlays: Sequence[Path], kinds: Iterable[Kind]) -> Learned:
    """Find proposals and judge each on recordings that it was not made from.

    Args:
        trial: hears the drills.
        overlays: grammar directories in force.
        kinds: what to look for.

    Raises:
        DrillError: fewer than two recordings.
    """
    grammar = load_grammar(*overlays)
    folds, by_speaker = folds_of([truth for _, truth in trial.drills])
    base = trial.scored(overlays)
    every = Drills(base.run.drills, trial.folder, grammar)
    found = proposals(every, kinds)
    names = {truth.recording for _, truth in trial.drills}
    # What would have been proposed had the fold's speakers never been heard.
    without = [(fold, proposals(every.only(names - fold), kinds)) for fold in folds] if found else []
    judged = [_judged(trial, overlays, base, one, without) for one in found]
    if "garbage" in set(kinds):
        judged += _weights(trial, overlays, base, folds, grammar.garbage or Weights().garbage)
    if "adaptation" in set(kinds) and is_available().ready:
        judged += _adaptation(trial, overlays, base, every)
    judged, together = _together(trial, overlays, base, judged)
    return Learned(tuple(judged), by_speaker, len(folds), together)


def _judged(
    trial: Trial,
    overlays: Sequence[Path],
    base: Scored,
    proposal: Proposal,
    without: Sequence[tuple[frozenset[str], Sequence[Proposal]]],
) -> Judged:
    held_out: list[tuple[DrillResult, DrillResult]] = []
    for fold, found in without:
        own = next((one for one in found if one.key == proposal.key), None)
        before = [drill for drill in base.run.drills if drill.truth.recording in fold]
        after = trial.scored(overlays, [own], fold).run.drills if own else before
        held_out += zip(before, after, strict=True)
    everywhere = zip(base.run.drills, trial.scored(overlays, [proposal]).run.drills, strict=True)
    return _verdict(proposal, effect(held_out), effect(everywhere))


def _verdict(proposal: Proposal, held_out: Effect, everywhere: Effect) -> Judged:
    reason = ""
    if held_out.harms or everywhere.harms:
        reason = "more would be accepted wrong"
    elif proposal.kind != "pair" and held_out.gain <= 0:
        # A declared pair changes what is read back, not what is heard, so it need not gain here.
        reason = "no gain on speakers it was not made from"
    return Judged(proposal, held_out, everywhere, not reason, reason)


def _weights(
    trial: Trial, overlays: Sequence[Path], base: Scored, folds: Sequence[frozenset[str]], current: float
) -> list[Judged]:
    """The weights tried: each fold is judged with the one that does best on all the others."""
    tried = {one: trial.scored(overlays, [one]).run.drills for one in garbage_weights(current)}
    runs: dict[Proposal | None, tuple[DrillResult, ...]] = {None: base.run.drills}
    for one, drills in tried.items():
        runs[one] = drills

    def worth(drills: Iterable[DrillResult]) -> int:
        found = effect((drill, drill) for drill in drills)
        return found.exact[0] - _WRONG_COST * found.wrong[0]

    def best(left_out: Collection[str]) -> Proposal | None:
        worths = {one: worth(d for d in drills if d.truth.recording not in left_out) for one, drills in runs.items()}
        # The one in force comes first, so it stays where another is no better.
        return max(worths, key=lambda one: worths[one])

    chosen = best(())
    if chosen is None:
        return []
    held_out = [
        (before, after)
        for fold in folds
        for before, after in zip(base.run.drills, runs[best(fold)], strict=True)
        if before.truth.recording in fold
    ]
    return [_verdict(chosen, effect(held_out), effect(zip(base.run.drills, tried[chosen], strict=True)))]


def _adaptation(trial: Trial, overlays: Sequence[Path], base: Scored, every: Drills) -> list[Judged]:
    """The acoustic model adapted to the crew, judged on recordings that it was not adapted to.

    It is made for these very voices, so it is recordings that are held out here, and not speakers.
    """
    chosen = adaptation(every)
    if chosen is None:
        return []
    names = [drill.truth.recording for drill in every.results]
    parts = [frozenset(names[first::MOST_FOLDS]) for first in range(min(MOST_FOLDS, len(names)))]
    without = []
    for part in parts:
        own = adaptation(every.only(set(names) - part))
        without.append((part, [own] if own else []))
    return [_judged(trial, overlays, base, chosen, without)]


def _together(
    trial: Trial, overlays: Sequence[Path], base: Scored, judged: Sequence[Judged]
) -> tuple[list[Judged], Effect | None]:
    """Try all that is offered at once; while that does harm, the one that gains least is taken back."""
    rows = list(judged)
    while offered := [one for one in rows if one.offered]:
        heard = trial.scored(overlays, [one.proposal for one in offered]).run.drills
        found = effect(zip(base.run.drills, heard, strict=True))
        if not found.harms:
            return rows, found
        least = min(offered, key=lambda one: one.held_out.gain)
        reason = "more would be accepted wrong together with the others"
        rows[rows.index(least)] = Judged(least.proposal, least.held_out, least.everywhere, False, reason)
    return rows, None


def effect(pairs: Iterable[tuple[DrillResult, DrillResult]]) -> Effect:
    """What changed between two runs over the same recordings."""
    rows = list(pairs)

    def exact(drill: DrillResult) -> int:
        return sum(callout.score.outcome == "exact" for callout in drill.callouts)

    def wrong(drill: DrillResult) -> int:
        accepted = sum(callout.score.outcome == "wrong" for callout in drill.callouts)
        return accepted + sum(entry.unflagged for entry in drill.false)

    return Effect(
        sum(len(before.callouts) for before, _ in rows),
        (sum(exact(before) for before, _ in rows), sum(exact(after) for _, after in rows)),
        (sum(wrong(before) for before, _ in rows), sum(wrong(after) for _, after in rows)),
    )
