"""Whole case files out of and into other forms: a copy of one that may be open, one made from imported entries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from voicelog.casefile.chain import Entry, EntryDraft
from voicelog.casefile.files import beside, checked_path, new_path, shown, sync_folder, told_as_case_file_error
from voicelog.casefile.opening import connect, copy_into, frozen_stamp, is_plain
from voicelog.casefile.secret import passphrase
from voicelog.casefile.store import CaseFile
from voicelog.errors import UsageError
from voicelog.exports.source import ExportError


def copy_case(source: Path, target: Path) -> None:
    """Copy a case file as of one moment, also while another session writes it, through SQLite's backup.

    Raises:
        CaseFileError: the source is no case file, the name of the target is taken, or the disk refuses; no part of a
            copy is then left.
    """
    real, made = checked_path(source), new_path(target)
    while not _copied(real, made):
        pass
    sync_folder(made)


def _copied(real: Path, made: Path) -> bool:
    """Copy once; False, with nothing left, when a writer came to a file that was read without a log."""
    frozen = frozen_stamp(real)
    reading = connect(real, frozen=frozen is not None)
    try:
        with told_as_case_file_error("create", made):
            made.touch(0o600, exist_ok=False)
            try:
                # A narrow umask may have taken even the owner's rights.
                made.chmod(0o600)
                copy_into(reading, real, made)
            except BaseException:
                _remove(made)
                raise
    finally:
        reading.close()
    if frozen is None or frozen_stamp(real) == frozen:
        return True
    _remove(made)
    return False


def encrypt_case(source: Path, target: Path) -> None:
    """Make an encrypted case file with the entries, the hashes and the audio of one that is not; that one stays.

    It goes from the one file into the pages of the other in memory, so that nothing else readable is ever written.

    Raises:
        UsageError: there is no passphrase.
        ExportError: the source is encrypted already, or not as it was written.
        CaseFileError: the source is no case file, the name of the target is taken, or the disk refuses; nothing is
            then left of it.
    """
    if passphrase() is None:
        hint = "name a file that holds one with --passphrase-file"
        raise UsageError("an encrypted case file needs a passphrase", hint)
    with CaseFile.open(source) as case:
        if not is_plain(case.path):
            raise ExportError(f"{shown(source)} is encrypted already.", "Leave --encrypt out to copy it.")
        if case.problems():
            hint = "See `voicelog audit`; --to sqlite without --encrypt copies it as it is."
            raise ExportError(f"{shown(source)} is not as it was written, so it was not made anew.", hint)
        entries, clips = tuple(case.entries()), map(case.clip, case.clip_names())
        make_case(entries, clips, target).close()


def make_case(entries: Sequence[Entry], clips: Iterable[bytes], target: Path) -> CaseFile:
    """A new case file with these entries, whose hashes are the same; returned open for writing.

    Args:
        entries: all of them, in order; their chain holds.
        clips: the audio that they name, as far as it is kept.
        target: where.

    Raises:
        CaseFileError: the name is taken or the disk refuses; nothing is then left of it.
    """
    first, *rest = entries
    case = CaseFile.create(target, first.body, first.at)
    try:
        with case.writing() as tail:
            tail.put_clips(clips)
            tail.put([EntryDraft(entry.type, entry.body, entry.at) for entry in rest])
        if list(case.entries()) != list(entries):
            raise ExportError("The new case file is not equal to the one it was made from.", "Nothing was kept of it.")
    except BaseException:
        case.close()
        _remove(case.path)
        raise
    return case


def _remove(path: Path) -> None:
    for suffix in ("-wal", "-shm", "-journal", ""):
        beside(path, suffix).unlink(missing_ok=True)
