"""What a recogniser makes of a whole recording as if live: utterances with their words, entries and questions."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.audio.clock import SampleClock
from voicelog.audio.endpoint import Endpointer, EndpointSettings
from voicelog.casefile.store import CaseFile
from voicelog.drill.judge import Entered, Heard
from voicelog.drill.script import Fields
from voicelog.drill.typed import START, bodies, fields_of, heard_of
from voicelog.events import event_fields, event_from
from voicelog.recognisers.base import SAMPLE_RATE
from voicelog.session import Session, listen_to
from voicelog.views.plain import json_line

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from voicelog.casefile.chain import EntryDraft
    from voicelog.grammar.model import Grammar
    from voicelog.recognisers.base import Listener, Utterance

BLOCK_SAMPLES = SAMPLE_RATE // 10
"""Sound goes in as a microphone would give it, a tenth of a second at a time."""


@dataclass(frozen=True)
class HeardWord:
    """One word, or a stretch of speech outside the grammar."""

    text: str
    start: float | None
    """Seconds on the recording; None from an engine that gives no times."""
    end: float | None


@dataclass(frozen=True)
class HeardEvent:
    """One event that was entered, and where its words lie."""

    fields: Fields
    """As ``voicelog.events.event_fields`` gives it."""
    flags: tuple[str, ...]
    start: float | None
    """Seconds on the recording of the first word that it came from."""
    end: float | None

    @property
    def entered(self) -> Entered:
        """As it is judged."""
        return Entered(self.fields, self.flags)


@dataclass(frozen=True)
class HeardUtterance:
    """One utterance and what came of it."""

    start: float
    """Seconds on the recording at which its first word begins, or its speech where there are no words."""
    end: float
    """Seconds, as start, of its end."""
    words: tuple[HeardWord, ...]
    events: tuple[HeardEvent, ...] = ()
    commands: tuple[str, ...] = ()
    decisions: tuple[str, ...] = ()
    question: bool = False
    done: float = field(default=0.0, compare=False)
    """Second at which its entries were on the disk, had the recording been live on this machine. Two runs differ in it,
    so it does not count for equality."""

    @property
    def text(self) -> str:
        """Its words joined by blanks."""
        return " ".join(word.text for word in self.words)

    def heard(self) -> Heard:
        """As it is judged when it is all that was heard of a callout."""
        events = tuple(event.entered for event in self.events)
        return Heard(self.text, events, self.commands, self.decisions, self.question)


@dataclass(frozen=True)
class Hearing:
    """A recording as one recogniser heard it."""

    listener: str
    options: dict[str, str]
    """What made it: engine, model and version."""
    utterances: tuple[HeardUtterance, ...]


def hear(path: Path, listener: Listener, grammar: Grammar) -> Hearing:
    """Run a recording through endpointer, recogniser, parser and dialogue into a case file that is thrown away.

    Args:
        path: the recording.
        listener: open for that grammar; free again afterwards.
        grammar: what may be said.

    Raises:
        AudioError: the recording cannot be used.
    """
    from voicelog.audio.source import read_blocks

    live = _AsIfLive()
    found = []
    with (
        tempfile.TemporaryDirectory(prefix="voicelog-drill-") as folder,
        CaseFile.create(Path(folder) / "drill.voicelog", {"source": "drill"}, START) as case,
    ):
        # Without the protocol's checks: they judge the case, and here it is the hearing that is judged.
        session = Session(grammar, case, listener.name)
        blocks = live.paced(read_blocks(path, BLOCK_SAMPLES))
        for utterance, at, span in listen_to(blocks, Endpointer(EndpointSettings()), listener, SampleClock(START)):
            drafts = session.hear(utterance, at, span)
            found.append(_utterance(utterance, drafts, (float(span.start), float(span.end)), live.now()))
    return Hearing(listener.name, dict(listener.options), tuple(found))


class _AsIfLive:
    """The second at which work would be done if the recording were live: blocks come no sooner than they sound."""

    def __init__(self) -> None:
        self._arrived = self._free = 0.0
        self._since = time.perf_counter()

    def paced(self, blocks: Iterable[NDArray[np.int16]]) -> Iterator[NDArray[np.int16]]:
        for block in blocks:
            self._free = self.now() if self._arrived else 0.0
            self._arrived += len(block) / SAMPLE_RATE
            self._since = time.perf_counter()
            yield block

    def now(self) -> float:
        return max(self._free, self._arrived) + time.perf_counter() - self._since


_PRE_ROLL_S, _POST_ROLL_S = 0.6, 0.224
"""What the endpointer keeps around speech; see EndpointSettings."""


def _utterance(
    utterance: Utterance, drafts: list[EntryDraft], span: tuple[float, float], done: float
) -> HeardUtterance:
    words = tuple(HeardWord(word.text, _ms(word.start), _ms(word.end)) for word in utterance.best.words)
    starts = [word.start for word in words if word.start is not None]
    ends = [word.end for word in words if word.end is not None]
    plain = heard_of(utterance.best.text, drafts)
    return HeardUtterance(
        start=min(starts, default=min(span[0] + _PRE_ROLL_S, span[1])),
        end=max(ends, default=max(span[1] - _POST_ROLL_S, span[0])),
        words=words,
        events=tuple(_event(body) for body in bodies(drafts, "event")),
        commands=plain.commands,
        decisions=plain.decisions,
        question=plain.question,
        done=round(done, 3),
    )


def _event(body: dict[str, Any]) -> HeardEvent:
    event = event_from(dict(body["event"]))
    starts = [float(one.start) for one in event.evidence.values() if one.start is not None]
    ends = [float(one.end) for one in event.evidence.values() if one.end is not None]
    return HeardEvent(fields_of(body), tuple(body["flags"]), min(starts, default=None), max(ends, default=None))


def _ms(second: float | None) -> float | None:
    return None if second is None else round(second, 3)


def hearing_text(hearing: Hearing) -> str:
    """A hearing as one line of JSON."""
    return json_line(asdict(hearing))


def hearing_from(text: str) -> Hearing:
    """The hearing of such a line.

    Raises:
        ValueError: it is none.
    """
    try:
        table = json.loads(text, parse_float=Decimal)
        return Hearing(table["listener"], table["options"], tuple(_utterance_from(row) for row in table["utterances"]))
    except (KeyError, TypeError) as error:
        raise ValueError("not a hearing") from error


def _utterance_from(row: dict[str, Any]) -> HeardUtterance:
    return HeardUtterance(
        start=float(row["start"]),
        end=float(row["end"]),
        words=tuple(HeardWord(word["text"], _float(word["start"]), _float(word["end"])) for word in row["words"]),
        events=tuple(
            HeardEvent(
                event_fields(event_from(one["fields"])), tuple(one["flags"]), _float(one["start"]), _float(one["end"])
            )
            for one in row["events"]
        ),
        commands=tuple(row["commands"]),
        decisions=tuple(row["decisions"]),
        question=row["question"],
        done=float(row["done"]),
    )


def _float(value: Any) -> float | None:
    return None if value is None else float(value)
