"""A tokenizer of byte pairs, made of nothing but its vocabulary."""

from __future__ import annotations

from typing import Any

_BYTES = range(3, 259)
"""Tokens that stand for single bytes."""
_SPACE = "\u2581"


def tokenizer(data: bytes) -> Any:
    """The tokenizer of a vocabulary file: each token's length and its text.

    A vocabulary of byte pairs stands in the order in which pairs are joined, so that it tells the joins as well.
    """
    from tokenizers import Tokenizer, decoders, models, normalizers

    tokens = _texts(data)
    names = [f"<0x{ord(text):02X}>" if place in _BYTES else text for place, text in enumerate(tokens)]
    vocabulary = {name: place for place, name in enumerate(names)}
    joins = [
        (text[:cut], text[cut:])
        for text in tokens[_BYTES.stop :]
        for cut in range(1, len(text))
        if text[:cut] in vocabulary and text[cut:] in vocabulary
    ]
    made = Tokenizer(models.BPE(vocabulary, joins, unk_token=names[0], byte_fallback=True))
    made.normalizer = normalizers.Sequence([normalizers.Prepend(_SPACE), normalizers.Replace(" ", _SPACE)])
    made.decoder = decoders.Sequence([decoders.Replace(_SPACE, " "), decoders.ByteFallback(), decoders.Fuse()])
    return made


def _texts(data: bytes) -> list[str]:
    """The texts of a vocabulary file, in their order, each behind its length; one of 128 or more takes two bytes."""
    texts: list[str] = []
    place = 0
    while place < len(data):
        length = data[place]
        place += 1
        if length >= 128:
            length += 128 * (data[place] - 1)
            place += 1
        single = len(texts) in _BYTES
        texts.append(data[place : place + length].decode("latin-1" if single else "utf-8"))
        place += length
    return texts
