"""Judges what became of a callout of the corpus, by the rules of ``voicelog drill score``."""

from __future__ import annotations

from voicelog.drill.judge import Heard, Meant, Score, judge

from .callouts import Callout


def score(callout: Callout, heard: Heard) -> Score:
    """Judge what a callout led to."""
    return judge(Meant(callout.events, callout.commands, callout.decisions), heard)
