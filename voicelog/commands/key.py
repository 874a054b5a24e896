"""``voicelog key``: a device key that signs cases when they close."""

from __future__ import annotations

import argparse
import sys

from voicelog.casefile.signing import fingerprint, make_key, public_pem
from voicelog.views.screen import printable


def run(arguments: argparse.Namespace) -> int:
    """Make a key file, or print the public key of one."""
    if arguments.action == "make":
        name = fingerprint(make_key(arguments.file))
        sys.stdout.write(
            printable(f"key file {arguments.file}, key {name}: keep it on this device, for you alone") + "\n"
        )
    else:
        sys.stdout.write(public_pem(arguments.file))
    return 0
