"""Device keys: Ed25519 key files, the signing of a closing entry, and its check against a public key."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.casefile.closing import Signer, Verifier
from voicelog.casefile.files import sync_folder
from voicelog.casefile.secret import private_bytes
from voicelog.errors import UsageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

KEY_FILE = "VOICELOG_KEY"
"""The environment variable that names the key file with which every case is signed when it closes."""
_ALGORITHM = "Ed25519"
_HINT = "make one with: voicelog key make FILE"


def make_key(path: Path) -> str:
    """Make a new key file (PKCS 8 in PEM, mode 0600); returns the public key in hex.

    Raises:
        UsageError: something of that name exists, it cannot be written, or ``cryptography`` is not installed.
    """
    _require()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    key = Ed25519PrivateKey.generate()
    text = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            os.fchmod(descriptor, 0o600)
            file.write(text)
            file.flush()
            os.fsync(descriptor)
        sync_folder(path)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        hint = "choose another name; a key is never overwritten"
        raise UsageError(f"cannot make the key file {path}: {why}", hint) from error
    return _hex(key.public_key())


def public_pem(path: Path) -> str:
    """The public key of a key file, in PEM (SubjectPublicKeyInfo), to be given to whoever checks."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    public = _private(path).public_key()
    return public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")


def signer(path: Path) -> Signer:
    """What signs with the key of a file; the file is read now, so that a bad one is told before a case begins.

    Raises:
        UsageError: it is no key file, others can read it, or ``cryptography`` is not installed.
    """
    key = _private(path)
    public = _hex(key.public_key())
    return lambda said: {"algorithm": _ALGORITHM, "key": public, "value": key.sign(said).hex()}


def stated_signer(path: Path | None) -> Signer | None:
    """The signer of a run: of the named key file, else of the one in ``VOICELOG_KEY``; None where neither is given."""
    named = path or (Path(os.environ[KEY_FILE]) if os.environ.get(KEY_FILE) else None)
    return signer(named) if named else None


def verifier(path: Path) -> tuple[str, Verifier]:
    """A public key in hex, and what checks a signature made with it.

    Args:
        path: the public key in PEM, as ``public_pem`` gives it.

    Raises:
        UsageError: it is no such file, or ``cryptography`` is not installed.
    """
    _require()
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(private_bytes(path, "public key", secret=False))
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise UsageError(f"{path} is not a public key for signatures", "get it with: voicelog key public FILE")
    public = key

    def fits(said: bytes, signature: str) -> bool:
        try:
            public.verify(bytes.fromhex(signature), said)
        except (InvalidSignature, ValueError):
            return False
        return True

    return _hex(public), fits


def fingerprint(key: str) -> str:
    """A short name of a public key in hex, for people: the first 16 hex digits of its SHA-256."""
    return hashlib.sha256(key.encode("ascii", "replace")).hexdigest()[:16]


def _private(path: Path) -> Ed25519PrivateKey:
    _require()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    content = private_bytes(path, "key file")
    try:
        key = load_pem_private_key(content, None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        # What the library says may quote the file.
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise UsageError(f"{path} is not a key file of voicelog", _HINT)
    return key


def _hex(key: Ed25519PublicKey) -> str:
    return key.public_bytes_raw().hex()


def _require() -> None:
    from importlib.util import find_spec

    if find_spec("cryptography") is None:
        raise UsageError("signing needs the package cryptography", "install it: pip install 'voicelog[sign]'")
