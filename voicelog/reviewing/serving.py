"""Serves the review pages on this machine alone, at a port of chance, until interrupted."""

from __future__ import annotations

import socket
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from voicelog.casefile.closing import Signer
from voicelog.casefile.store import CaseFile
from voicelog.checks.protocol import Protocol
from voicelog.errors import UsageError, VoicelogError
from voicelog.grammar.model import Grammar
from voicelog.reviewing.exporting import NemsisRules

if TYPE_CHECKING:
    from voicelog.reviewing.cases import Cases


def serve(
    place: Path,
    grammar: Grammar,
    protocol: Protocol,
    sign: Signer | None,
    write: Callable[[str], object],
    *,
    nemsis: NemsisRules,
    open_browser: bool,
) -> None:
    """Serve a case file or a folder of them; returns when interrupted.

    Args:
        place: the file or the folder.
        grammar: what may be said.
        protocol: the rules of the audit.
        sign: signs the closings of reviews; None leaves them unsigned.
        write: takes the text for the one who started it.
        nemsis: what NEMSIS documents are made by.
        open_browser: whether to open the address as well as to print it.

    Raises:
        UsageError: what serves the pages is not installed, or no port is free.
        CaseFileError: the case cannot be read.
    """
    try:
        import uvicorn

        from voicelog.reviewing.app import review_app
        from voicelog.reviewing.cases import Cases
        from voicelog.reviewing.guards import Door
    except ImportError as error:
        hint = "install voicelog with its extra: review; or write the page to a file with --html FILE"
        raise UsageError("the local page needs starlette and uvicorn", hint) from error
    if not place.is_dir():
        CaseFile.open(place).close()
    with _listening() as listening:
        door = Door(listening.getsockname()[1])
        cases = Cases(place, grammar, protocol, sign, nemsis)
        app = review_app(cases, door, write)
        address = f"{door.origin}/?token={door.token}"
        write(f"review at {address}\nThe address works once, in one browser on this machine. Stop with Ctrl-C.\n")
        if not place.is_dir():
            # While the browser starts: a long case takes a second to read and check.
            Thread(target=_read_ahead, args=(cases, place), daemon=True).start()
        if open_browser:
            webbrowser.open(address)
        config = uvicorn.Config(app, log_config=None, access_log=False, server_header=False, lifespan="off", ws="none")
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run([listening])


def _read_ahead(cases: Cases, place: Path) -> None:
    # Whatever is wrong with it is told when the page asks.
    with suppress(VoicelogError):
        cases.read(place)


def _listening() -> socket.socket:
    """A socket that only this machine reaches, at a port that the system chose."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.bind(("127.0.0.1", 0))
        listening.listen(64)
    except OSError as error:
        listening.close()
        raise UsageError(f"no port is free here: {error.strerror}", "end another program") from error
    return listening
