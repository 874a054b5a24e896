"""``voicelog audit``: what a case lacks, contradicts or leaves open, and whether the file is as it was written."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from voicelog.casefile.chain import Entry
from voicelog.casefile.closing import recorded_until, signature_problems, signed_with
from voicelog.casefile.signing import fingerprint, verifier
from voicelog.casefile.state import SignOff, fold
from voicelog.casefile.store import CaseFile
from voicelog.checks.audit import GROUPS, NOTES, AuditFinding, Group, audit, integrity
from voicelog.commands.rules import told_protocol
from voicelog.errors import CaseFileError
from voicelog.grammar.loader import load_grammar
from voicelog.views.plain import json_line
from voicelog.views.screen import CAUTION, printable

# Each group has a title, a sign and a colour, so that none is told by colour alone.
_TITLES: dict[Group, tuple[str, str, str]] = {
    "integrity": ("Integrity: the file is not as it was written", "✕", "bold red"),
    "missing": ("Missing", "○", "cyan"),
    "contradicting": ("Contradicting", "≠", "bold yellow"),
    "unconfirmed": ("Unconfirmed", "▲", "bold yellow"),
    "standing": ("Found by the checks, and still so", "●", "yellow"),
    "gap": ("Not heard", "…", "magenta"),
    "clock": ("Noted: the clock of the machine was set while the case ran", "◷", "cyan"),
}


def run(arguments: argparse.Namespace) -> int:
    """Print what is found, grouped; exit code 1 when there is anything but notes."""
    keys = dict(verifier(path) for path in arguments.public_key)
    protocol, drugs = told_protocol(arguments.grammars), load_grammar(*arguments.grammars).drugs
    with CaseFile.open(arguments.case) as case:
        problems = case.problems()
        entries, broken = _readable(case)
    if keys and entries:
        problems += signature_problems(entries, keys)
    if arguments.head and arguments.head.strip().lower() not in {entry.hash for entry in entries}:
        problems.append("The head that was noted before is not in the chain: it was hashed again, or its end is gone.")
    path = str(arguments.case)
    if broken is None and not entries:
        broken = "The case file has no entries."
    state = None
    if broken is None:
        try:
            state = fold(entries)
        except CaseFileError as error:
            broken = error.message
    if state is not None:
        found = audit(entries, state, protocol, drugs, problems, recorded_until(entries))
    else:
        # What cannot be read cannot be judged: no part of it is called complete or missing.
        found = tuple(integrity([*problems, f"{broken} The rest was not audited."]))
    if arguments.json:
        _print_json(found, path, entries)
    else:
        signed = state.signed_off if state else None
        _print(found, path, entries, signed, checked=bool(keys))
    return 1 if _findings(found) else 0


def _findings(found: Sequence[AuditFinding]) -> int:
    return sum(one.group not in NOTES for one in found)


def _readable(case: CaseFile) -> tuple[list[Entry], str | None]:
    """The entries, and why they end early where they do."""
    entries: list[Entry] = []
    try:
        entries.extend(case.entries())
    except CaseFileError as error:
        return entries, error.message
    return entries, None


def _print_json(found: Sequence[AuditFinding], path: str, entries: Sequence[Entry]) -> None:
    for one in found:
        line = {
            "type": "note" if one.group in NOTES else "finding",
            "group": one.group,
            "check": one.check,
            "text": one.text,
            "entries": list(one.entries),
            "status": one.status or None,
            "words": one.words or None,
            "source": one.source,
        }
        sys.stdout.write(json_line(line) + "\n")
    counts = {group: sum(one.group == group for one in found) for group in GROUPS}
    summary = {"type": "audit", "case": path, "findings": _findings(found), "groups": counts, "caution": CAUTION}
    summary["head"] = entries[-1].hash if entries else None
    summary["signed_with"] = signed_with(entries) or None
    sys.stdout.write(json_line(summary) + "\n")


def _print(
    found: Sequence[AuditFinding], path: str, entries: Sequence[Entry], signed: SignOff | None, *, checked: bool
) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    console.print(Text(printable(f"audit of {path}"), style="bold"), soft_wrap=True)
    whole = not any(one.group == "integrity" for one in found)
    chain = f"{len(entries)} entries, the hash chain {'holds' if whole else 'does not hold'}"
    console.print(Text(chain, style="dim" if whole else "bold red"), soft_wrap=True)
    if entries:
        console.print(Text(printable(f"head {entries[-1].hash}"), style="dim"), soft_wrap=True)
    key = signed_with(entries)
    if key:
        unchecked = "" if checked else ": not checked, give the key with --public-key FILE"
        console.print(Text(f"says it is signed with key {fingerprint(key)}{unchecked}", style="dim"), soft_wrap=True)
    if signed:
        console.print(Text(printable(signed.told), style="dim"), soft_wrap=True)
    for group in GROUPS:
        title, sign, style = _TITLES[group]
        mine = [one for one in found if one.group == group]
        if not mine:
            continue
        console.print()
        console.print(Text(title, style="italic"))
        for one in mine:
            about = f"{', '.join(one.entries)} " if one.entries else ""
            state = f"  [{one.status}]" if one.status else ""
            console.print(
                Text.assemble((f"  {sign} ", style), printable(f"{about}{one.text}"), (printable(state), style)),
                soft_wrap=True,
            )
            if one.words:
                console.print(Text(printable(f"      heard: {one.words}"), style="dim"), soft_wrap=True)
            console.print(Text(printable(f"      rule: {one.source}"), style="dim"), soft_wrap=True)
    console.print()
    count = _findings(found)
    told = f"{count} finding{'' if count == 1 else 's'}" if count else "nothing found"
    notes = len(found) - count
    told += f", {notes} note{'' if notes == 1 else 's'}" if notes else ""
    console.print(Text(told, style="bold"))
    console.print(Text(CAUTION, style="dim"))
