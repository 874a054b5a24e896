"""What the words of a drill lead to when every one of them is heard: the same session, fed with text."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.casefile.store import CaseFile
from voicelog.drill.judge import Entered, Heard
from voicelog.drill.script import Fields
from voicelog.events import event_fields, event_from
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance
from voicelog.session import Session

if TYPE_CHECKING:
    from voicelog.casefile.chain import EntryDraft
    from voicelog.grammar.model import Grammar

START = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
"""When every drill begins for the session; only the distances matter."""


def typed_course(said: Iterable[tuple[str, float]], grammar: Grammar) -> list[Heard]:
    """What each line of a course leads to when it is typed at its time.

    Args:
        said: words and second of each line, in order of time.
        grammar: what may be said.
    """
    with (
        tempfile.TemporaryDirectory(prefix="voicelog-drill-") as folder,
        CaseFile.create(Path(folder) / "typed.voicelog", {"source": "drill"}, START) as case,
    ):
        session = Session(grammar, case, "script")
        found = []
        for say, second in said:
            utterance = Utterance((Hypothesis(tuple(words_of(say))),))
            drafts = session.hear(utterance, START + timedelta(seconds=second))
            found.append(heard_of(utterance.best.text, drafts))
        return found


def heard_of(words: str, drafts: Sequence[EntryDraft]) -> Heard:
    """What the entries of one utterance come to."""
    return Heard(
        words,
        tuple(Entered(fields_of(body), tuple(body["flags"])) for body in bodies(drafts, "event")),
        tuple(body["command"] for body in bodies(drafts, "command")),
        tuple(body["status"] for body in bodies(drafts, "decision") if body["basis"] != "stood after read-back"),
        any(True for _ in bodies(drafts, "question")),
    )


def fields_of(body: dict[str, Any]) -> Fields:
    """The set fields of the event in the body of an entry."""
    return event_fields(event_from(dict(body["event"])))


def bodies(drafts: Iterable[EntryDraft], kind: str) -> Iterable[dict[str, Any]]:
    """Bodies of the entries of one type."""
    return (dict(draft.body) for draft in drafts if draft.type == kind)
