"""The state of a dialogue from what its case file holds, so that a case broken off can go on; pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from voicelog.casefile.chain import Entry
from voicelog.dialogue.state import DialogueState, Standing
from voicelog.events import event_from


def restore(entries: Iterable[Entry]) -> DialogueState:
    """What stands, what waits and the next ids, as the entries left them.

    Nothing is offered for a confirm and no question is open: what the crew heard last before the break is unknown, so
    a bare confirm first leads to a read-back.

    Args:
        entries: of one case, in order; ``fold`` has found them well-formed.
    """
    standing: dict[str, Standing] = {}
    known: dict[str, Standing] = {}
    last_said = latest = ""
    for entry in entries:
        body = entry.body
        match entry.type:
            case "utterance":
                latest = body["id"]
            case "event":
                amends = known.get(body["amends"]) if body["amends"] else None
                made = Standing(
                    body["id"],
                    event_from(body["event"]),
                    body["utterance"] or "",
                    body["needs_confirm"],
                    False,
                    amends,
                    tuple(body["flags"]),
                )
                standing[made.id] = known[made.id] = made
            case "decision":
                _decide(standing, known, body["event"], body["status"])
            case "read_back" | "question":
                last_said = body["text"]
    return DialogueState(tuple(standing.values()), len(known), last_said, latest=latest)


def _decide(standing: dict[str, Standing], known: dict[str, Standing], name: str, status: str) -> None:
    if status in {"amended", "rejected"}:
        standing.pop(name, None)
        return
    # An entry that stands again, since what replaced it was taken back, comes behind all others: dict order.
    known[name] = replace(known[name], waits=status == "unconfirmed", settled=True)
    standing[name] = known[name]
