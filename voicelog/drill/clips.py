"""The worst of a run: which callouts and false entries to listen to first, and their sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from voicelog.audio.flac import encode_flac
from voicelog.audio.source import read_recording
from voicelog.drill.judge import Entered, Outcome
from voicelog.drill.matching import CalloutResult, FalseEntry
from voicelog.drill.tally import Run, alignment_of
from voicelog.drill.words import Alignment
from voicelog.recognisers.base import SAMPLE_RATE

MARGIN_S = 0.4
"""Sound kept before and after what is listened to."""
_HARM: Mapping[Outcome, int] = {"wrong": 0, "missed": 4, "rejected": 5, "asked": 6}
_ADVICE: Mapping[Outcome, str] = {
    "wrong": "Nobody was asked: until this is mended, have a person check every such entry.",
    "missed": "Listen whether it is drowned or run into other speech; a callout without a read-back was not entered.",
    "rejected": "Say it again, to the end of each word; if it is clear to you, bring the grammar the words you use.",
    "asked": "It was held for a confirm: hear the read-back to the end.",
}


@dataclass(frozen=True)
class Clip:
    """One thing to listen to."""

    verdict: str
    """In a few words, such as ``entered wrong``."""
    said: str
    """Words said; '' for what nobody called out."""
    heard: str
    alignment: Alignment | None
    """None where nothing was called out."""
    expected: tuple[Mapping[str, object], ...]
    entered: tuple[Entered, ...]
    place: str
    """Who, where and in which noise."""
    todo: str
    flac: bytes
    """The sound itself."""


VERDICTS: Mapping[Outcome, str] = {
    "wrong": "entered wrong, nobody asked",
    "missed": "not noticed, or a part left out",
    "rejected": "heard, not entered",
    "asked": "asked about",
    "exact": "entered as said",
}


def worst(run: Run, folder: Path, most: int) -> tuple[Clip, ...]:
    """The worst of a run, the most harmful first.

    Args:
        run: heard and judged.
        folder: of the recordings.
        most: how many at most.

    Raises:
        AudioError: a recording can no longer be read.
    """
    callouts = [one for one in run.callouts if one.score.outcome != "exact"]
    false = [entry for drill in run.drills for entry in drill.false if entry.count]
    ranked: list[tuple[int, str, float, CalloutResult | FalseEntry]] = [
        *((_harm(one), one.recording, one.line.start, one) for one in callouts),
        *((2 if one.unflagged else 3, one.recording, one.start, one) for one in false),
    ]
    chosen = [one for *_, one in sorted(ranked, key=lambda row: row[:3])][:most]
    return tuple(_clip(one, sound) for one, sound in zip(chosen, _sounds(chosen, folder), strict=True))


def _harm(callout: CalloutResult) -> int:
    return 1 if callout.score.drug_wrong and callout.score.outcome != "wrong" else _HARM[callout.score.outcome]


def _sounds(chosen: Sequence[CalloutResult | FalseEntry], folder: Path) -> list[bytes]:
    """The sound of each, every recording read once."""
    found: dict[int, bytes] = {}
    for name in dict.fromkeys(one.recording for one in chosen):
        samples = read_recording(folder / name).samples
        for number, one in enumerate(chosen):
            if one.recording == name:
                place = one.line if isinstance(one, CalloutResult) else one
                first = max(0, round((place.start - MARGIN_S) * SAMPLE_RATE))
                found[number] = encode_flac(samples[first : round((place.end + MARGIN_S) * SAMPLE_RATE)])
    return [found[number] for number in range(len(chosen))]


def _clip(one: CalloutResult | FalseEntry, flac: bytes) -> Clip:
    if isinstance(one, FalseEntry):
        return Clip(
            verdict="entered though nobody called it out",
            said="",
            heard=one.words,
            alignment=None,
            expected=(),
            entered=tuple(event.entered for event in one.events),
            place=f"{one.recording} at {one.start:.1f} s",
            todo="Leave a breath between talk and callouts; refuse it when it is read back.",
            flac=flac,
        )
    noise = one.noise if one.snr_db is None else f"{one.noise} {one.snr_db:g} dB"
    outcome = one.score.outcome
    return Clip(
        verdict="drug read back wrong, held for a confirm" if _harm(one) == 1 else VERDICTS[outcome],
        said=one.line.say,
        heard=" ".join(one.words),
        alignment=alignment_of(one),
        expected=one.line.events,
        entered=one.heard.events,
        place=f"{one.line.who}, {noise}, {one.recording} at {one.line.start:.1f} s",
        todo=_ADVICE[outcome],
        flac=flac,
    )
