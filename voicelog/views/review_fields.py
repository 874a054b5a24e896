"""One field of an entry and where it came from: its words, their place in the audio, or the reviewer who wrote it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from voicelog.casefile.state import RecordedEvent, RecordedUtterance
from voicelog.events import event_fields
from voicelog.views.labels import written_unit
from voicelog.views.screen import printable

WRITTEN = "written by the reviewer"
"""The repair of words that nobody was heard to say: a reviewer added them."""


@dataclass(frozen=True)
class FieldView:
    """One field of an entry and where it came from."""

    key: str
    """Such as ``E5.dose``."""
    name: str
    """Such as ``dose``."""
    value: str
    """As written."""
    words: str
    """The words as heard; '' where nobody said it: the phrase itself means it, or it was assumed."""
    repair: str
    """What the parser mended; '' for nothing."""
    written: bool
    """Whether a reviewer wrote it."""
    utterance: str
    """The utterance that the words stand in; '' without words."""
    clip: str
    """The hash of its audio; '' where there is none."""
    start: Decimal | None
    """Where the words begin, seconds from the start of that clip."""
    end: Decimal | None
    """Where they end, seconds from the start of that clip."""


def fields_of(
    recorded: RecordedEvent, amended: RecordedEvent | None, heard: Mapping[str, RecordedUtterance]
) -> Iterable[FieldView]:
    """The fields of an entry.

    Args:
        recorded: the entry.
        amended: the one that a reviewer put it in place of; None for an entry that was heard.
        heard: the utterances.
    """
    before = event_fields(amended.event) if amended else {}
    evidence = recorded.event.evidence
    for name, value in event_fields(recorded.event).items():
        if name == "kind":
            continue
        found = evidence.get(name)
        start, end = (found.start, found.end) if found else (None, None)
        utterance = _said_in(recorded, start, heard) if found and found.words else None
        offset = utterance.start if utterance else None
        timed = start is not None and end is not None and offset is not None
        yield FieldView(
            key=f"{recorded.id}.{name}",
            name=name.replace("_", " "),
            value=_written(name, value),
            words=printable(found.words) if found else "",
            repair=printable(found.repair or "") if found else "",
            written=bool(amended and before.get(name) != value) or (found.repair == WRITTEN if found else False),
            utterance=utterance.id if utterance else "",
            clip=(utterance.clip or "") if utterance and timed else "",
            start=start - offset if start is not None and offset is not None and timed else None,
            end=end - offset if end is not None and offset is not None and timed else None,
        )


def _said_in(
    recorded: RecordedEvent, start: Decimal | None, heard: Mapping[str, RecordedUtterance]
) -> RecordedUtterance | None:
    """The utterance that a field's words stand in: a correction keeps what it does not change from an earlier one."""
    own = heard.get(recorded.utterance or "")
    if start is None or (own and _covers(own, start)):
        return own
    return next((one for one in heard.values() if _covers(one, start)), own)


def _covers(utterance: RecordedUtterance, moment: Decimal) -> bool:
    return utterance.start is not None and utterance.end is not None and utterance.start <= moment <= utterance.end


def _written(name: str, value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return written_unit(str(value)) if name == "unit" else printable(str(value).replace("_", " "))


def by_utterance(fields: Iterable[FieldView]) -> dict[str, list[FieldView]]:
    """The fields with words, by the utterance that these stand in."""
    links: dict[str, list[FieldView]] = {}
    for field in fields:
        if field.utterance:
            links.setdefault(field.utterance, []).append(field)
    return links


def places_of(recorded: RecordedUtterance, field: FieldView) -> Iterable[int]:
    """Which words of the best reading a field came from: by their times, for typed words by the words themselves."""
    best = recorded.alternatives[0] if recorded.alternatives else ()
    if field.start is not None and field.end is not None and recorded.start is not None:
        start, end = recorded.start + field.start, recorded.start + field.end
        for place, word in enumerate(best):
            if word.start is not None and word.end is not None and start <= (word.start + word.end) / 2 <= end:
                yield place
        return
    said = field.words.split()
    texts = [word.text for word in best]
    for first in range(len(texts) - len(said) + 1):
        if said and texts[first : first + len(said)] == said:
            yield from range(first, first + len(said))
            return
