"""What a trainer should take from a run: one headline, and findings with what to do about each, the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from voicelog.drill.scoring import Scored
from voicelog.grammar.numbers import NUMBER_WORDS, value_of

Weight = Literal["stop", "look", "know"]
"""stop: not to be relied on until mended; look: worth work; know: to bear in mind."""
FEW = 5
"""A group of fewer callouts tells nothing by itself."""
WEAK = 0.15
"""A group is weak when its exact share lies this far below that of all."""
_SHOWN = 5


@dataclass(frozen=True)
class Finding:
    """One thing to take away."""

    weight: Weight
    what: str
    """What was found, in a sentence or two."""
    todo: str
    """What to do about it."""
    examples: tuple[str, ...] = ()


def headline(scored: Scored) -> str:
    """The run in one or two sentences."""
    data = scored.figures
    count, outcomes = data["callouts"], data["outcomes"]
    if not count:
        return f"Nothing was called out in these drills; {scored.run.listener} made {_times(data['extra'], 'entry')}."
    drills, speakers = len(scored.run.drills), len(data["by_speaker"])
    low, high = data["intervals"]["exact"]
    return (
        f"{_times(count, 'callout')} in {_times(drills, 'drill')} by {_times(speakers, 'speaker')}, heard by "
        f"{scored.run.listener}: {outcomes['exact']} entered just as said ({_percent(data['shares']['exact'])}, which "
        f"may be anything from {_percent(low)} to {_percent(high)}), {outcomes['wrong']} entered wrong, nobody asked."
    )


def findings(scored: Scored) -> list[Finding]:
    """What to take away, the worst first."""
    parts = (_wrong, _false, _read_back, _numbers, _names, _groups, _unheard, _unreadable, _evidence)
    found = [finding for part in parts for finding in part(scored)]
    order: Sequence[Weight] = ("stop", "look", "know")
    return sorted(found, key=lambda finding: order.index(finding.weight))


def _wrong(scored: Scored) -> Iterator[Finding]:
    wrong = [callout for callout in scored.run.callouts if callout.score.outcome == "wrong"]
    if wrong:
        yield Finding(
            "stop",
            f"{_times(len(wrong), 'callout')} went into the record otherwise than said, and nobody was asked.",
            "Listen to each of them in the report. Have a person check every entry of this kind until it is mended; "
            "try the pair of recognisers, and a microphone nearer to the mouth. Then score again.",
            tuple(f"“{one.line.say}” was heard as “{' '.join(one.words)}” ({one.line.who})" for one in wrong[:_SHOWN]),
        )


def _false(scored: Scored) -> Iterator[Finding]:
    data = scored.figures
    if data["extra"]:
        unflagged = data["extra_unflagged"]
        entries = [entry for drill in scored.run.drills for entry in drill.false if entry.count]
        yield Finding(
            "stop" if unflagged else "look",
            f"{_times(data['extra'], 'entry')} that nobody called out, {unflagged} of them unasked: "
            f"{data['false_per_hour']:.1f} an hour.",
            "Keep talk and callouts apart by a breath, or have callouts begin with a word of your own (--attention). "
            "What was flagged is read back: refuse it aloud.",
            tuple(f"out of “{entry.words}”" for entry in entries[:_SHOWN]),
        )


def _read_back(scored: Scored) -> Iterator[Finding]:
    wrong = [one for one in scored.run.callouts if one.score.drug_wrong and one.score.outcome != "wrong"]
    if wrong:
        yield Finding(
            "look",
            f"{_times(len(wrong), 'drug')} read back otherwise than said and held for a confirm.",
            "The read-back is the last guard: practise hearing it to the end before anyone says confirm.",
            tuple(f"“{one.line.say}” was heard as “{' '.join(one.words)}”" for one in wrong[:_SHOWN]),
        )


def _numbers(scored: Scored) -> Iterator[Finding]:
    rows = [
        row
        for row in scored.figures["word_confusions"]
        if {row["said"], row["heard"]} <= NUMBER_WORDS and value_of([row["said"]]) != value_of([row["heard"]])
    ]
    if rows:
        yield Finding(
            "look",
            f"Numbers were taken for others {_often(sum(row['count'] for row in rows))}.",
            "Say teens and tens digit by digit, as the read-back does: “one five”, “five zero”.",
            tuple(f"{row['said']} → {row['heard']}, {_often(row['count'])}" for row in rows[:_SHOWN]),
        )


def _names(scored: Scored) -> Iterator[Finding]:
    rows = [row for row in scored.figures["value_confusions"] if row["field"] == "drug"]
    if rows:
        yield Finding(
            "look",
            f"Drugs were taken for other drugs {_often(sum(row['count'] for row in rows))}.",
            "Declare the pair in sounds_alike.toml, so that letters are read back; voicelog drill learn proposes it.",
            tuple(f"{row['said']} → {row['entered']}, {_often(row['count'])}" for row in rows[:_SHOWN]),
        )


def _groups(scored: Scored) -> Iterator[Finding]:
    data = scored.figures
    advice = {
        "by_snr": ("In noise at {},", "Bring the microphone to the mouth, turn away from the noise, or say it again."),
        "by_noise": ("Behind {},", "Record this noise in your own vehicle and drill in it: drill make --noise FILE."),
        "by_speaker": ("By {},", "Drill with this speaker: slower, to the end of the word; then voicelog drill learn."),
    }
    told: list[tuple[int, dict[str, int]]] = []
    for group, (place, todo) in advice.items():
        if len(data[group]) < 2:
            continue
        weak = [
            (name, one)
            for name, one in data[group].items()
            if one["callouts"] >= FEW and one["shares"]["exact"] <= data["shares"]["exact"] - WEAK
        ]
        for name, one in weak:
            # Two groups of the same callouts, such as a noise and the SNR it was mixed at, are told once.
            if (one["callouts"], one["outcomes"]) in told:
                continue
            told.append((one["callouts"], one["outcomes"]))
            exact = f"{one['outcomes']['exact']} of {one['callouts']} callouts were entered as said"
            shares = f"{_percent(one['shares']['exact'])} against {_percent(data['shares']['exact'])} of all"
            yield Finding("look", f"{place.format(name)} {exact}: {shares}.", todo)


def _unheard(scored: Scored) -> Iterator[Finding]:
    missed = [one for one in scored.run.callouts if one.score.outcome == "missed"]
    if missed:
        yield Finding(
            "look",
            f"{_times(len(missed), 'callout')} not noticed, or a part of them left out without a word.",
            "Listen for the read-back: a callout without one is not in the record. Say it again.",
            tuple(f"“{one.line.say}” ({one.line.who})" for one in missed[:_SHOWN]),
        )


def _unreadable(scored: Scored) -> Iterator[Finding]:
    lines = [line for drill in scored.run.drills for line in drill.unreadable]
    if lines:
        yield Finding(
            "look",
            f"The grammar reads {_times(len(lines), 'callout')} otherwise than their script means, heard or typed.",
            "Try them with voicelog parse; mend the phrase in an overlay, or the script.",
            tuple(f"“{line}”" for line in lines[:_SHOWN]),
        )


def _evidence(scored: Scored) -> Iterator[Finding]:
    data = scored.figures
    if data["callouts"]:
        made = all(drill.truth.origin == "made" for drill in scored.run.drills)
        yield Finding(
            "know",
            f"{_times(data['callouts'], 'callout')} can show little: with {data['outcomes']['wrong']} wrong, up to "
            f"{_percent(data['wrong_at_most'])} may be (95% sure).",
            "Score more drills before you rely on a figure"
            + ("; these are synthetic voices: record your own crew with voicelog drill record." if made else "."),
        )


def _times(count: int, name: str) -> str:
    many = f"{name[:-1]}ies" if name.endswith("try") else f"{name}s"
    return f"{count} {name if count == 1 else many}"


def _often(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}%"


def better_or_worse(verdict: Mapping[str, Any]) -> str:
    """A comparison with an older run in a sentence."""
    better, worse, p = verdict["better"], verdict["worse"], verdict["p"]
    if not better + worse and verdict["wrong_before"] == verdict["wrong_now"]:
        return f"Of {_times(verdict['shared'], 'callout')} in both runs, none became better or worse."
    said = (
        f"Of {_times(verdict['shared'], 'callout')} in both runs, {better} are entered as said now and were not "
        f"before, {worse} the other way round; accepted wrong: {verdict['wrong_before']} before, "
        f"{verdict['wrong_now']} now. "
    )
    if p < 0.05:
        said += f"So uneven a split would be rare by chance (McNemar, p = {p:.3g}): "
        return said + ("it helped." if better > worse else "it did harm.")
    return said + f"That may be chance (McNemar, p = {p:.2g}): score more callouts before you decide."
