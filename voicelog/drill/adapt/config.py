"""The one file that says how an adapted listener is made.

Read with the standard library alone, since training runs where nothing else of voicelog is installed.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicelog.errors import VoicelogError

SHIPPED = Path(__file__).with_name("config.toml")


class AdaptError(VoicelogError):
    """A listener cannot be adapted with what is here."""


@dataclass(frozen=True)
class Texts:
    """How many lines of each kind."""

    callouts: int
    talk: int
    prose: int
    dictionary: str


@dataclass(frozen=True)
class Train:
    """How the weights are moved; each field is explained in config.toml."""

    steps: int
    batch: int
    learning_rate: float
    warm_up: int
    pull: float
    smoothing: float
    quiet: float
    lowest_db: float
    highest_db: float
    empty: float
    windows_s: list[float]


@dataclass(frozen=True)
class Config:
    """Everything that decides what comes out."""

    seed: int
    texts: Texts
    voices: dict[str, float]
    kokoro: str
    """Folder with the voices of Kokoro."""
    train: Train
    keep: float
    """Share of the change of the weights that is kept."""


def read_config(path: Path = SHIPPED) -> Config:
    """The config of a file.

    Raises:
        AdaptError: it cannot be read, or something in it is missing or unknown.
    """
    try:
        table: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return Config(
            int(table["seed"]),
            Texts(**table["texts"]),
            {name: float(share) for name, share in table["voices"].items()},
            str(table["kokoro"]),
            Train(**table["train"]),
            float(table["convert"]["keep"]),
        )
    except OSError as error:
        raise AdaptError(f"{path} cannot be read", "Name a config file.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise AdaptError(f"{path} is no config: {error}", f"Compare it with {SHIPPED}.") from error


def digest(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
