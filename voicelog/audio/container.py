"""What the containers of recordings promise: finds a file that was cut short where its decoder would not say so."""

from __future__ import annotations

import os
from typing import BinaryIO

_UNKNOWN = 0xFFFF_FFFF
"""The size that programs writing WAV into a pipe give; in RF64 the true one stands in the ds64 chunk."""

_MAX_CHUNKS = 10_000
"""Chunks looked at before the sound; a file of nothing but empty chunks must not keep the program busy."""

_OGG_PAGE = b"OggS"
_OGG_PAGE_MAX = 65_307
"""Bytes of the longest possible Ogg page: 27 of header, 255 of segment table, 255 segments of 255 (RFC 3533)."""
_OGG_LAST = 4
"""The bit in a page's sixth byte that marks the last page of a stream (RFC 3533)."""


def missing_bytes(file: BinaryIO) -> int:
    """Bytes of sound that a file's header promises and that are not there; 0 where the container makes no promise.

    FLAC is told by its decoder, which knows the number of samples. Of Ogg only the mark of the last page is known: 1
    stands for "some". The file's place is put back to its start.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    magic = file.read(12)
    if magic[:4] in (b"RIFF", b"RF64") and magic[8:] == b"WAVE":
        missing = _wav_missing(file, size)
    elif magic[:4] == _OGG_PAGE:
        missing = _ogg_missing(file, size)
    else:
        missing = 0
    file.seek(0)
    return missing


def _wav_missing(file: BinaryIO, size: int) -> int:
    """Bytes missing from the data chunk."""
    place, promised_in_ds64 = 12, 0
    for _ in range(_MAX_CHUNKS):
        file.seek(place)
        head = file.read(8)
        length = int.from_bytes(head[4:], "little")
        if len(head) < 8:
            break
        if head[:4] == b"ds64":
            promised_in_ds64 = int.from_bytes(file.read(16)[8:], "little")
        if head[:4] == b"data":
            promised = promised_in_ds64 if length == _UNKNOWN else length
            return max(0, place + 8 + promised - size)
        place += 8 + length + length % 2
    return 0


def _ogg_missing(file: BinaryIO, size: int) -> int:
    """1 unless a page marked as the last of its stream ends the file."""
    file.seek(max(0, size - _OGG_PAGE_MAX))
    tail = file.read()
    page = tail.rfind(_OGG_PAGE)
    if page < 0 or page + 27 > len(tail) or not tail[page + 5] & _OGG_LAST:
        return 1
    segments = tail[page + 27 : page + 27 + tail[page + 26]]
    return int(page + 27 + tail[page + 26] + sum(segments) > len(tail))
