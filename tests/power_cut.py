"""A simulated power cut: what a disk may hold at a moment, out of a log of all that a process did to its files.

The log is written by ``tests/power/shim.c``. What was synced is there; of what was not, each write may be there, be
missing, or be torn into sectors, and so may each change of a name until the folder is synced.
"""

from __future__ import annotations

import os
import random
import struct
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

SHIM = Path(__file__).parent / "power" / "shim.c"
SECTOR = 512
"""The unit that a disk writes whole, bytes."""


@dataclass(frozen=True)
class Deed:
    """One thing done to a file or to the folder."""

    kind: str
    path: str
    offset: int
    data: bytes


@dataclass
class Content:
    """One file: what is surely on the disk, and what was written since the last sync."""

    synced: bytearray = field(default_factory=bytearray)
    waiting: list[Deed] = field(default_factory=list)


def build_shim(folder: Path, compiler: str) -> Path:
    """The shim as a library."""
    made = folder / "shim.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", made, SHIM, "-ldl"], check=True, capture_output=True)
    return made


def logged_run(shim: Path, folder: Path, log: Path, code: str, *arguments: str) -> list[Deed]:
    """Run Python code with the folder watched; returns what was done to it."""
    environment = {**os.environ, "LD_PRELOAD": str(shim), "POWER_FOLDER": str(folder), "POWER_LOG": str(log)}
    subprocess.run([sys.executable, "-c", code, *arguments], env=environment, check=True, timeout=300)
    raw, place, deeds = log.read_bytes(), 0, []
    while place < len(raw):
        kind, length, offset, size = struct.unpack_from("<ciqq", raw, place)
        place += 21
        path = raw[place : place + length].decode()
        place += length
        data = raw[place : place + size] if kind == b"w" else b""
        place += len(data)
        deeds.append(Deed(kind.decode(), path, offset, data))
    return deeds


def disk_after(deeds: Sequence[Deed], chance: random.Random) -> dict[str, bytes]:
    """The files, by path, that a disk may hold if the power goes right after these deeds."""
    files: list[Content] = []
    now: dict[str, int] = {}
    sure: dict[str, int] = {}
    for deed in deeds:
        if deed.kind == "c" and deed.path not in now:
            now[deed.path] = len(files)
            files.append(Content())
        elif deed.kind == "u":
            del now[deed.path]
        elif deed.kind == "s" and deed.path not in now:
            sure = dict(now)
        elif deed.kind == "s":
            content = files[now[deed.path]]
            for waiting in content.waiting:
                _apply(content.synced, waiting)
            content.waiting.clear()
        elif deed.kind in "wt":
            files[now[deed.path]].waiting.append(deed)
    found: dict[str, bytes] = {}
    for path in now.keys() | sure.keys():
        number = chance.choice([now.get(path), sure.get(path)])
        if number is not None:
            found[path] = bytes(_left(files[number], chance))
    return found


def _left(content: Content, chance: random.Random) -> bytearray:
    image = bytearray(content.synced)
    kept = chance.random()
    for deed in content.waiting:
        if deed.kind == "t" or chance.random() < 0.7:
            if chance.random() < kept:
                _apply(image, deed)
            continue
        for start in range(0, len(deed.data), SECTOR):
            if chance.random() < kept:
                _apply(image, Deed("w", deed.path, deed.offset + start, deed.data[start : start + SECTOR]))
    return image


def _apply(image: bytearray, deed: Deed) -> None:
    if deed.kind == "t":
        del image[deed.offset :]
        image.extend(bytes(deed.offset - len(image)))
        return
    image.extend(bytes(max(0, deed.offset - len(image))))
    image[deed.offset : deed.offset + len(deed.data)] = deed.data
