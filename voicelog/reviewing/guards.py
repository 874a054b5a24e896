"""Who is let in to the local pages: one browser with the token, on this machine, from our own pages."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field

READING = frozenset({"GET", "HEAD"})


@dataclass
class Door:
    """The door of one server: a token that opens once, and the key that a browser gets for it."""

    port: int
    """The port it listens on."""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    """Stands in the address that is opened; works once."""
    key: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    """What the browser keeps in a cookie."""
    spent: bool = False
    """Whether the token was used."""

    @property
    def origin(self) -> str:
        """The one origin of the pages."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def cookie(self) -> str:
        """The name of the cookie; a cookie counts for every port, so the name holds ours."""
        return f"voicelog-{self.port}"

    def opens_for(self, token: str) -> bool:
        """Whether a token opens the door; it does once."""
        if self.spent or not secrets.compare_digest(token.encode(), self.token.encode()):
            return False
        self.spent = True
        return True

    def refusal(self, method: str, headers: Mapping[str, str], cookies: Mapping[str, str]) -> str:
        """Why a request is refused; '' for one that is let in.

        A wrong Host is another name for this machine, made to reach it from a page elsewhere (DNS rebinding).
        """
        if headers.get("host") != f"127.0.0.1:{self.port}":
            return "wrong host"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return "from another page"
        if method not in READING and headers.get("origin") != self.origin:
            return "from another origin"
        if not secrets.compare_digest(cookies.get(self.cookie, "").encode(), self.key.encode()):
            return "no key"
        return ""
