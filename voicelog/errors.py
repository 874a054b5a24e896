"""Every error voicelog raises on purpose: one root, short, each with a hint that says how to mend it."""

from __future__ import annotations

from pathlib import Path


class VoicelogError(Exception):
    """Root of all errors shown to a user as one line and a hint."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        """What is wrong, one sentence."""
        self.hint = hint
        """What the user can do about it, one sentence, or empty."""


class UsageError(VoicelogError):
    """The command line was used in a way that cannot work."""


class AudioError(VoicelogError):
    """A recording or an audio device cannot be used."""


class RecogniserError(VoicelogError):
    """A recogniser or its model is missing or refuses its input."""


class CaseFileError(VoicelogError):
    """A case file is missing, is not one, is damaged or refuses a write."""


class ReviewError(VoicelogError):
    """A judgement of a reviewer cannot stand: something is missing, not a listed value, or no longer there to judge."""


class OvertakenError(ReviewError):
    """The case was changed since the reviewer looked at it; nothing was entered."""


class GrammarError(VoicelogError):
    """A grammar file is wrong; says the file, the line and, where known, the column with a caret."""

    def __init__(
        self, message: str, hint: str = "", *, file: Path | None = None, line: int = 0, column: int = 0, text: str = ""
    ) -> None:
        place = f"{file}:" if file else ""
        place += f"{line}:" if line else ""
        place += f"{column}:" if column else ""
        shown = f"{place} {message}".strip()
        if text and column:
            shown += f"\n    {text}\n    {' ' * (column - 1)}^"
        super().__init__(shown, hint)
        self.reason = message
        """What is wrong, without the place."""
        self.file, self.line, self.column = file, line, column
