"""The case files that a server gives access to: one, or those of a folder, by their names and by nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock

from voicelog.casefile.chain import Entry
from voicelog.casefile.closing import Signer
from voicelog.casefile.store import CaseFile
from voicelog.checks.protocol import Protocol
from voicelog.dialogue.times import moment_of
from voicelog.errors import CaseFileError, ReviewError, UsageError
from voicelog.events import Event, Evidence, placed_in_time
from voicelog.grammar.model import Grammar
from voicelog.many.folder import stamp
from voicelog.parse.parser import parse
from voicelog.parse.result import Draft
from voicelog.parse.tokens import words_of
from voicelog.reviewing.exporting import NemsisRules, exported
from voicelog.reviewing.judging import Judgement, Reviewer, judge
from voicelog.reviewing.pages import CaseRow
from voicelog.views.review_fields import WRITTEN
from voicelog.views.review_model import ReviewModel, review_model
from voicelog.views.review_quality import open_items, quality

_STARTS = (b"SQLite format 3\x00",)


_FileState = tuple[object, ...]


@dataclass
class _Kept:
    """What was read, in memory only: a long case takes a second, and every form of it needs it."""

    lock: Lock = field(default_factory=Lock)
    state: _FileState = ()
    case: tuple[ReviewModel, list[Entry]] | None = None
    rows: dict[str, tuple[_FileState, CaseRow]] = field(default_factory=dict)


@dataclass(frozen=True)
class Cases:
    """What is served, and the rules that it is shown by."""

    place: Path
    """A case file, or a folder of them."""
    grammar: Grammar
    """What may be said; its drugs are the formulary."""
    protocol: Protocol
    """The rules of the audit."""
    sign: Signer | None = None
    """Signs the closings of reviews."""
    nemsis: NemsisRules = field(default_factory=NemsisRules)
    """What its NEMSIS documents are made by."""
    _kept: _Kept = field(default_factory=_Kept, repr=False, compare=False)

    def names(self) -> list[str]:
        """The names of the case files, in order.

        Raises:
            UsageError: the folder cannot be read.
        """
        if not self.place.is_dir():
            return [self.place.name]
        try:
            return sorted(path.name for path in self.place.iterdir() if path.is_file() and _may_be_a_case(path))
        except OSError as error:
            raise UsageError(f"{self.place} cannot be read: {error.strerror}", "choose another folder") from error

    def path(self, name: str) -> Path | None:
        """Where the case of this name lies; None for a name that is not one of ``names``."""
        if name not in self.names():
            return None
        return self.place / name if self.place.is_dir() else self.place

    def read(self, path: Path) -> tuple[ReviewModel, list[Entry]]:
        """A case as its page shows it; from memory while its file is the same. A judgement never goes by this.

        Raises:
            CaseFileError: it cannot be read.
        """
        with self._kept.lock:
            state = _state_of(path)
            if self._kept.state != state or self._kept.case is None:
                self._kept.state, self._kept.case = state, self._read(path)
            return self._kept.case

    def _read(self, path: Path) -> tuple[ReviewModel, list[Entry]]:
        with CaseFile.open(path) as case:
            entries = list(case.entries())
            problems = case.problems()
        if not entries:
            raise CaseFileError("The case has no entries.", "Was a case recorded into it?")
        return review_model(path.name, entries, self.protocol, self.grammar.drugs, problems), entries

    def clip(self, path: Path, name: str) -> bytes:
        """The audio of a clip.

        Raises:
            CaseFileError: there is none.
        """
        with CaseFile.open(path) as case:
            return case.clip(name)

    def judge(self, path: Path, seen: str, by: str, purpose: str, judgement: Judgement) -> None:
        """Enter a judgement.

        Raises:
            ReviewError: it cannot stand, or the case was changed meanwhile.
            CaseFileError: the case is written by another at this moment, is under way, or the disk refuses.
        """
        reviewer = Reviewer(by.strip(), datetime.now(UTC).astimezone())
        with CaseFile.open(path, write=True) as case:
            case.sign = self.sign
            judge(case, seen, reviewer, purpose, judgement)

    def callouts(self, text: str, at: datetime) -> list[Draft]:
        """The entries that a missed callout should have made, by the same grammar as everything heard.

        Args:
            text: the callout in words, as the reviewer heard it.
            at: when its utterance began.

        Raises:
            ReviewError: the grammar makes no entry of it, or more than one reading.
        """
        result = parse(words_of(text), self.grammar)
        if result.outcome != "events" or result.questions:
            why = result.reason or ("it may mean more than one thing" if result.questions else "it is no callout")
            raise ReviewError(f"No entry can be made of these words: {why}.", "Write the whole callout in words.")
        return [replace(draft, event=_placed(draft.event, at)) for draft in result.drafts]

    def row(self, name: str) -> CaseRow:
        """A case in the list; from memory while its file is the same."""
        path = self.path(name) or Path(name)
        try:
            state = _state_of(path)
            if name not in self._kept.rows or self._kept.rows[name][0] != state:
                self._kept.rows[name] = state, self._row(path)
        except CaseFileError as error:
            return CaseRow(name, "", 0, 1, f"cannot be read: {error.message}")
        return self._kept.rows[name][1]

    def _row(self, path: Path) -> CaseRow:
        model, _ = self._read(path)
        signed = model.state.signed_off
        state = f"signed off by {signed.by}" if signed else "to review" if model.state.closed else "under way"
        began = f"{model.began:%Y-%m-%d %H:%M}"
        return CaseRow(path.name, began, quality(model).entries, len(open_items(model)), state)

    def export(self, path: Path, to: str) -> tuple[bytes, Sequence[str]]:
        """A case in a format, and what is to be told of it.

        Raises:
            VoicelogError: the format cannot hold the case, or the case cannot be read.
        """
        return exported(path, to, self.grammar.drugs, self.nemsis)


def _state_of(path: Path) -> _FileState:
    """Differs whenever the file or its log was written, and whenever the case has another head."""
    with CaseFile.open(path) as case:
        head = case.head()
        found = [stamp(one.stat()) for one in (path, path.with_name(f"{path.name}-wal")) if one.exists()]
    return (path, head, *found)


def _may_be_a_case(path: Path) -> bool:
    """Whether a file of a folder is listed: by its first bytes, or by its name where it is encrypted."""
    if path.suffix in (".voicelog", ".vlog"):
        return True
    try:
        with path.open("rb") as file:
            return file.read(16) in _STARTS
    except OSError:
        return False


def _placed(event: Event, at: datetime) -> Event:
    """With its times, and with words that say they were written: nobody was heard to say them."""
    evidence = {name: Evidence(words=found.words, repair=WRITTEN) for name, found in event.evidence.items()}
    happened = moment_of(event.stated_time, at) if event.stated_time else at
    return placed_in_time(event.model_copy(update={"evidence": evidence}), at, happened)
