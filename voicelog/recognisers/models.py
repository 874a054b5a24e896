"""Where models are looked for: the directory asked for, or else ``$VOICELOG_MODELS`` and then ``models``."""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib import metadata, util
from pathlib import Path

from voicelog.recognisers.pronunciations import models_directory

VARIABLE = "VOICELOG_MODELS"
"""Environment variable that names a directory of models, or one model."""


def found_models(given: Path | None, is_model: Callable[[Path], bool]) -> list[Path]:
    """Model directories in the order of preference.

    Args:
        given: the directory asked for; nothing else is looked at then.
        is_model: tells from its files whether a directory holds a model.
    """
    found: list[Path] = []
    for place in places(given):
        try:
            inside = sorted(path for path in place.iterdir() if path.is_dir()) if place.is_dir() else []
            found += [path for path in (place, *inside) if path not in found and is_model(path)]
        except PermissionError:  # what may not be read holds no model for us
            continue
    return found


def places(given: Path | None) -> list[Path]:
    """The directories looked at: each may be a model, or hold some."""
    if given is not None:
        return [given]
    named = os.environ.get(VARIABLE)
    return [*([Path(named)] if named else []), models_directory()]


def bundled(package: str, inside: str) -> list[Path]:
    """The directory in an installed package that may hold a model; none where the package is not there."""
    spec = util.find_spec(package)
    return [Path(place) / inside for place in (spec.submodule_search_locations or ())] if spec else []


def called(path: Path, package: str) -> str:
    """A model's name for people, without the place where it lies; a bundled one is called by its package."""
    if any(folder.name == package for folder in path.parents):
        return f"{package} {metadata.version(package)}"
    return path.resolve().name
