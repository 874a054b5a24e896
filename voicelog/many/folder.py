"""The files of a folder that could be case files, and what each is before SQLite sees it."""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from voicelog.casefile.files import shown
from voicelog.casefile.schema import APPLICATION_ID, USER_VERSION
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.errors import UsageError

_BESIDE = ("-wal", "-shm", "-lock", "-journal")
# https://www.sqlite.org/fileformat.html section 1.3: the magic text, user_version at 60, application_id at 68.
_HEADER_BYTES = 100
_MAGIC = b"SQLite format 3\x00"


@dataclass(frozen=True)
class Look:
    """What a file is before SQLite sees it."""

    foreign: str = ""
    """Why it cannot be a case file of this version; '' when it may be one."""
    damage: str = ""
    """What is wrong with it as a file; '' when nothing is."""
    stamp: tuple[int, ...] = ()
    """As ``stamp`` gives it."""
    sealed: bool = False
    """Whether only the passphrase can tell what it is."""


def files_of(folder: Path) -> list[Path]:
    """The files of a folder by name, without what SQLite keeps beside a case; folders in it are not entered.

    Raises:
        UsageError: it is no folder, or cannot be read.
    """
    hint = "Name a folder that holds case files."
    try:
        with os.scandir(folder) as found:
            names = {entry.name for entry in found if not _is_folder(entry)}
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot read the folder {shown(folder)}: {why}", hint) from error
    return [folder / name for name in sorted(names) if not _is_beside(name, names)]


def files_of_all(places: Sequence[Path]) -> list[Path]:
    """The files of every folder, and the files named by themselves, each once.

    Raises:
        UsageError: a folder cannot be read.
    """
    found: dict[str, Path] = {}
    for place in places:
        for path in files_of(place) if place.is_dir() else [place]:
            found.setdefault(os.path.realpath(path), path)
    return list(found.values())


def look(path: Path) -> Look:
    """What a file is by its kind and its first bytes; nothing but a regular file is opened.

    Raises:
        OSError: it cannot be read.
    """
    # A pipe would hang and a device never ends.
    if not stat.S_ISREG(path.stat().st_mode):
        return Look("not a file, but a device or a pipe")
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        header, found = os.read(descriptor, _HEADER_BYTES), os.fstat(descriptor)
    finally:
        os.close(descriptor)
    if not header:
        return Look("empty")
    if len(header) < _HEADER_BYTES or not header.startswith(_MAGIC):
        sealed = len(header) == _HEADER_BYTES and bool(os.environ.get(PASSPHRASE_FILE))
        return Look("", "", stamp(found), sealed) if sealed else Look("not a case file, or one that is encrypted")
    if int.from_bytes(header[68:72], "big") != APPLICATION_ID:
        return Look("an SQLite file, but not a case file")
    version = int.from_bytes(header[60:64], "big")
    if version > USER_VERSION:
        return Look(f"a case file of version {version}; this voicelog knows {USER_VERSION}")
    damage = ""
    pages = int.from_bytes(header[16:18], "big")
    # A page of 65,536 bytes is written as 1. SQLite reads the missing end of a last page as zeros, without a word.
    if found.st_size % (65536 if pages == 1 else pages or 1):
        damage = "its end is cut off"
    # A case file never has one; SQLite would play it back into the file.
    if os.path.lexists(f"{path}-journal"):
        damage = "has a -journal file beside it"
    return Look("", damage, stamp(found))


def stamp(found: os.stat_result) -> tuple[int, ...]:
    """What tells that a file without a -wal has changed."""
    return found.st_ino, found.st_size, found.st_mtime_ns


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads to itself: no folder, and ``look`` tells what it is
        return False


def _is_beside(name: str, names: set[str]) -> bool:
    return any(name.endswith(end) and name.removesuffix(end) in names for end in _BESIDE)
