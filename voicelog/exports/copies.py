"""Whole case files out of and into other forms: a copy of one that may be open, one made from imported entries."""

from __future__ import annotations

from pathlib import Path

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.files import beside, checked_path, new_path, sync_folder, told_as_case_file_error
from voicelog.casefile.opening import connect, copy_into, frozen_stamp
from voicelog.casefile.store import CaseFile
from voicelog.exports.jsonl import ImportedCase
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


def make_case(imported: ImportedCase, target: Path) -> CaseFile:
    """A new case file with the imported entries, whose hashes are the same; returned open for writing.

    Raises:
        CaseFileError: the name is taken or the disk refuses; nothing is then left of it.
    """
    first, *rest = imported.entries
    case = CaseFile.create(target, first.body, first.at)
    try:
        with case.writing() as tail:
            tail.put_clips(imported.clips)
            tail.put([EntryDraft(entry.type, entry.body, entry.at) for entry in rest])
        if list(case.entries()) != list(imported.entries):
            raise ExportError("The new case file is not equal to what was imported.", "Nothing was kept; try again.")
    except BaseException:
        case.close()
        _remove(case.path)
        raise
    return case


def _remove(path: Path) -> None:
    for suffix in ("-wal", "-shm", "-journal", ""):
        beside(path, suffix).unlink(missing_ok=True)
