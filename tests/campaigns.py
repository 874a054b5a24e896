"""How much of a long campaign runs: a small share in the suite, all of it with VOICELOG_CAMPAIGN=full."""

from __future__ import annotations

import os


def share(usual: int, full: int) -> int:
    """The number of rounds."""
    return full if os.environ.get("VOICELOG_CAMPAIGN") == "full" else usual
