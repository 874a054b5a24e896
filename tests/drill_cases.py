"""Hand-made drills: truths, what was heard of them, and small recordings with their truth."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from voicelog.drill.hearing import HeardEvent, HeardUtterance, HeardWord, Hearing
from voicelog.drill.make import Conditions, make
from voicelog.drill.script import Fields, LineKind, parse_script
from voicelog.drill.truth import TrueLine, Truth
from voicelog.drill.typed import typed_course
from voicelog.events import event_fields, event_from
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of


def fields(**named: Any) -> Fields:
    """The fields of an event, checked."""
    return event_fields(event_from(named))


def vital(sign: str, value: int, unit: str = "/min") -> Fields:
    return fields(kind="vital_sign", sign=sign, value=value, unit=unit)


PULSE = vital("heart_rate", 50)
RESPS = vital("respiratory_rate", 9)
EPI = fields(kind="medication", drug="epinephrine", dose=1, unit="mg", route="intravenous")


def line(say: str, start: float, *events: Fields, kind: LineKind = "callout", who: str = "one") -> TrueLine:
    """A line of two seconds."""
    return TrueLine(who, kind, say, start, start + 2, events)


def truth(*lines: TrueLine, recording: str = "a.flac", snr_db: float | None = 20.0) -> Truth:
    """A drill of a minute."""
    return Truth(recording, "Made by hand", "made", "", 60.0, "diesel_idle", snr_db, lines)


def heard(
    text: str,
    start: float,
    *events: Fields,
    flags: tuple[str, ...] = (),
    commands: tuple[str, ...] = (),
    decisions: tuple[str, ...] = (),
    question: bool = False,
    length: float = 2.0,
) -> HeardUtterance:
    """An utterance whose words and events spread evenly over its time."""
    words = [word.text for word in words_of(text)]
    step = length / max(len(words), 1)
    timed = tuple(HeardWord(word, start + n * step, start + (n + 1) * step) for n, word in enumerate(words))
    share = length / max(len(events), 1)
    entered = tuple(HeardEvent(one, flags, start + n * share, start + (n + 1) * share) for n, one in enumerate(events))
    return HeardUtterance(start, start + length, timed, entered, commands, decisions, question, start + length + 1.5)


def hearing(*utterances: HeardUtterance) -> Hearing:
    return Hearing("sphinx", {"engine": "by hand"}, utterances)


def perfect(of: Truth) -> Hearing:
    """What is heard when every word of a drill is heard and talk is taken for nothing."""
    typed = typed_course([(one.say, one.start) for one in of.lines], load_grammar())
    return hearing(
        *(
            heard(
                one.say,
                one.start,
                *(entered.fields for entered in plain.events),
                commands=plain.commands,
                decisions=plain.decisions,
                question=plain.question,
                length=one.end - one.start,
            )
            for one, plain in zip(of.lines, typed, strict=True)
            if one.kind != "talk"
        )
    )


def recorded(folder: Path, name: str, says: Sequence[str], voice: str = "flite-slt") -> Truth:
    """Make a small recording of a few callouts in a quiet room."""
    rows = "".join(
        f'[[line]]\nat = {0.5 + 3 * n}\nspeaker = "lead"\nkind = "callout"\nsay = "{say}"\n'
        for n, say in enumerate(says)
    )
    text = (
        f'title = "Small"\nstarted_at = 2026-11-20T10:00:00Z\npatient = "Invented."\nlength_s = {3 * len(says) + 1}\n'
        f'snr_db = 30\nseed = 1\n[voices]\nlead = "{voice}"\nsecond = "{voice}"\n{rows}'
    )
    return make(name, parse_script(text), Conditions(), load_grammar(), folder)
