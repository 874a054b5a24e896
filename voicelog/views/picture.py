"""What was printed as a picture: SVG that needs nothing from outside the file."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

PICTURE_WIDTH = 110
"""Columns of the pictured terminal."""


def save_picture(console: Console, title: str, path: Path) -> None:
    """Write what a recording console printed to an SVG file.

    Raises:
        UsageError: the file cannot be written.
    """
    from rich._export_format import CONSOLE_SVG_FORMAT

    # The library's form fetches a font from elsewhere; a picture of a record must not.
    offline = re.sub(r"@font-face \{\{.*?\}\}", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL).replace("Fira Code, ", "")
    offline = re.sub(r"<!--.*?-->", "", offline, flags=re.DOTALL)
    try:
        path.write_text(console.export_svg(title=title, code_format=offline), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}", "choose another place with --svg FILE") from error
