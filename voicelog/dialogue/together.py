"""What may be said in one breath: a command and a callout together, or two commands, can mean two different things."""

from __future__ import annotations

from voicelog.events import Medication
from voicelog.parse.result import ParseResult, Question

CHANGING = frozenset({"confirm", "correction", "take_back"})
"""Commands that change what stands."""
# The parser tells what was said, not in which order; these words at the front show that the command came first. A
# command in other words, from an overlay grammar, is then asked for alone: never misread, only said once more.
_OPENINGS = {
    "confirm": (("confirm",), ("confirmed",), ("i", "confirm"), ("that", "is", "confirmed")),
    "correction": (("correction",), ("correct", "that"), ("make", "that")),
    "take_back": (("take",), ("delete",), ("remove",), ("strike",), ("scratch",), ("cancel",), ("disregard",)),
}
_LEAD_IN = frozenset("okay ok so and all right alright yes yeah copy please well then now uh um er".split())


def opens_with(result: ParseResult, command: str) -> bool:
    """Whether the utterance begins with the command, filler aside."""
    words = [word.text for word in result.words]
    while words and words[0] in _LEAD_IN:
        words.pop(0)
    return any(tuple(words[: len(opening)]) == opening for opening in _OPENINGS[command])


def commands_of(result: ParseResult) -> tuple[str, ...]:
    """The commands to obey: each once, without a confirm that came after a callout in the same breath.

    Nothing can be confirmed before it was read back, and such a confirm was not meant for an older entry.
    """
    commands = tuple(dict.fromkeys(result.commands))
    if result.drafts and not opens_with(result, "confirm"):
        return tuple(command for command in commands if command != "confirm")
    return commands


def clash(result: ParseResult) -> Question | None:
    """What to ask when an utterance holds things that must not be taken together; None when it may be taken."""
    commands = commands_of(result)
    changing = [command for command in commands if command in CHANGING]
    if len(changing) > 1:
        return Question("value", "One at a time. Confirm, correction or take back?")
    if not changing:
        return None
    (command,) = changing
    said = bool(result.drafts or result.fragment)
    if command != "confirm" and said and not opens_with(result, command):
        return Question("value", "Not clear what to change. Say it again, the command first.")
    if command == "confirm" and any(isinstance(draft.event, Medication) for draft in result.drafts):
        # It may be a restated drug that was misheard: confirming the misheard one would be the worst of errors.
        return Question("value", "Say confirm alone, or the whole callout alone.")
    if command == "correction" and result.drafts and result.fragment:
        return Question("value", "Say one correction at a time.")
    return None
