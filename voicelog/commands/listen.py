"""``voicelog listen``: a live session with microphone, spoken read-back and board."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog import __version__
from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.closing import NOT_KEPT
from voicelog.casefile.signing import stated_signer
from voicelog.casefile.state import CaseState
from voicelog.commands.replay import new_case_path
from voicelog.commands.rules import told_protocol
from voicelog.errors import AudioError, CaseFileError, UsageError, VoicelogError
from voicelog.views.screen import CAUTION, printable
from voicelog.views.timeline import open_items

if TYPE_CHECKING:
    from types import FrameType

    from voicelog.audio.microphone import Microphone
    from voicelog.checks.protocol import Protocol
    from voicelog.grammar.model import Grammar
    from voicelog.live.case import LiveCase
    from voicelog.live.loop import Live
    from voicelog.live.show import Show
    from voicelog.recognisers.base import Listener
    from voicelog.speech.voices import Voice

PATIENCE_S = 1.5
"""How long after the end of an utterance its second opinion is waited for."""
_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True)
class _Made:
    """What a session needs before there is a case."""

    grammar: Grammar
    protocol: Protocol
    attention: str
    listener: Listener
    voice: Voice
    show: Show


def run(arguments: argparse.Namespace) -> int:
    """Listen until the crew or a signal ends the case; exit code 0, also after a signal, 130 after a second Ctrl-C."""
    from voicelog.audio.microphone import Microphone
    from voicelog.live.memory import share_arenas

    share_arenas()
    if arguments.case and arguments.resume:
        raise UsageError("--case makes a new case and --resume goes on with one", "give one of the two")
    if arguments.mute and arguments.voice:
        raise UsageError("--mute speaks with no voice", "leave out --mute or --voice")
    if arguments.no_audio and arguments.resume:
        raise UsageError("--no-audio is for a new case", "leave it out: a resumed case keeps its audio as it began")
    sign = stated_signer(arguments.sign)
    case = _resumed(arguments.resume) if arguments.resume else None
    try:
        made = _make(arguments, case)
        # A sound that comes between this moment and the first sample would be a hole at the start of the case.
        started = datetime.now(UTC).astimezone()
        try:
            with Microphone(arguments.device) as microphone:
                path = arguments.case or new_case_path(Path("live"))
                case = case or _new(path, made, microphone, started, NOT_KEPT if arguments.no_audio else {})
                case.sign = sign
                return _session(arguments, made, microphone, case)
        finally:
            made.listener.close()
            made.show.close()
    except VoicelogError:
        if case is not None:
            # What went wrong before says more than that the file cannot be closed either.
            with suppress(CaseFileError):
                case.close()
        raise
    finally:
        if case is not None:
            case.close()


def _make(arguments: argparse.Namespace, case: LiveCase | None) -> _Made:
    from voicelog.dialogue.attention import with_attention
    from voicelog.grammar.loader import load_grammar
    from voicelog.live.show import open_show
    from voicelog.recognisers.registry import preferred
    from voicelog.speech.voices import MUTE, SilentVoice, open_voice

    grammar = load_grammar(*arguments.grammars)
    opened = case.state.opened if case else {}
    attention = arguments.attention or str(opened.get("attention", ""))
    if attention:
        grammar = with_attention(grammar, attention)
    show = open_show(as_json=arguments.json, with_board=not arguments.no_board)
    try:
        voice = open_voice(MUTE if arguments.mute else arguments.voice)
    except AudioError as error:
        if arguments.voice:
            raise
        voice = SilentVoice()
        show.happened("no_voice", datetime.now(UTC).astimezone(), f"{error.message}: only tones are heard")
    return _Made(
        grammar,
        told_protocol(arguments.grammars),
        attention,
        _listener(arguments.listener or preferred(), grammar),
        voice,
        show,
    )


def _listener(name: str, grammar: Grammar) -> Listener:
    """The recogniser; a second listener that falls behind is not waited for: the crew hears the first at once."""
    from voicelog.recognisers import pair, trio
    from voicelog.recognisers.registry import recogniser

    if name == "trio":
        return trio.open(grammar, PATIENCE_S)
    return pair.open(grammar, PATIENCE_S) if name == "pair" else recogniser(name).open(grammar)


def _resumed(path: Path) -> LiveCase:
    from voicelog.live.case import go_on

    return go_on(path)


def _means(made: _Made, microphone: Microphone) -> dict[str, object]:
    """What the session hears and speaks with, for the record."""
    return {
        "version": __version__,
        "listener": made.listener.options,
        "grammar_hash": made.grammar.digest,
        "protocol_hash": made.protocol.digest,
        "attention": made.attention,
        "microphone": microphone.device_name,
        "voice": made.voice.name,
    }


def _new(path: Path, made: _Made, microphone: Microphone, started: datetime, kept: dict[str, str]) -> LiveCase:
    from voicelog.live.case import LiveCase

    opened = {**_means(made, microphone), "source": "microphone", "clock": "stated", **kept}
    case = LiveCase.create(path, opened, started)
    assert isinstance(case, LiveCase)
    case.kept = list(case.entries())
    return case


def _session(arguments: argparse.Namespace, made: _Made, microphone: Microphone, case: LiveCase) -> int:
    from voicelog.audio.clock import SampleClock
    from voicelog.dialogue.restore import restore
    from voicelog.live.case import sound_end, unheard
    from voicelog.live.clock import CaseTime
    from voicelog.live.hearing import HearingThread
    from voicelog.live.loop import Live
    from voicelog.live.mouth import Mouth
    from voicelog.live.parts import Parts
    from voicelog.live.recorder import Recorder
    from voicelog.session import Session
    from voicelog.speech.speaker import Speaker

    clock = SampleClock(case.kept[0].at)
    session = Session(
        made.grammar,
        case,
        made.listener.name,
        made.attention,
        restore(case.kept),
        case.utterances,
        protocol=made.protocol,
    )
    if arguments.pace:
        session.state = replace(session.state, pacing=True)
    hearing = HearingThread(made.listener, clock)
    resumed_at = 0
    told = CaseTime(max(entry.at for entry in case.kept))
    if arguments.resume:
        resumed_at = sound_end(case, clock)
        for start, samples in unheard(case, clock):
            hearing.catch_up(samples, start)
        case.append([EntryDraft("resumed", {**_means(made, microphone)}, told.now().astimezone())])
    mouth = Mouth(Speaker(made.voice, arguments.output), made.voice.name)
    parts = Parts(
        case,
        session,
        clock,
        microphone,
        hearing,
        Recorder(case, clock),
        mouth,
        made.show,
        full_duplex=arguments.full_duplex,
        resumed_at=resumed_at,
        time=told,
    )
    live = Live(parts)
    text = f"{made.listener.name} hears {microphone.device_name}, {made.voice.name} speaks, into {case.path}"
    parts.happened("listening", text)
    failure: VoicelogError | None = None
    with _ended_by_signals(live):
        try:
            live.run()
        except VoicelogError as error:
            failure = error
        finally:
            parts.recorder.write(at_once=True)
            mouth.close()
    made.show.close()
    _summary(case.state, case.path, case.head(), as_json=arguments.json)
    if failure:
        if isinstance(failure, CaseFileError):
            hint = f"The case is not closed. Free some space and go on: voicelog listen --resume {case.path}"
            raise CaseFileError(failure.message, hint) from failure
        raise failure
    return 0


@contextmanager
def _ended_by_signals(live: Live) -> Iterator[None]:
    """The first signal ends the session in good order; a second Ctrl-C ends it at once."""

    def stop(number: int, frame: FrameType | None) -> None:
        if live.stopping and number == signal.SIGINT:
            raise KeyboardInterrupt
        live.stopping = True

    before = {number: signal.signal(number, stop) for number in _SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _summary(state: CaseState, path: Path, head: str, *, as_json: bool) -> None:
    """Where the case is, and what nobody confirmed."""
    if as_json:
        from voicelog.commands.show import case_line, event_line
        from voicelog.views.plain import json_line

        lines = [json_line(event_line(one)) for one in state.events] + [
            json_line({**case_line(state, str(path)), "head": head})
        ]
    else:
        lines = [f"open  {item}" for item in open_items(state)]
        lines += [f"case file {printable(str(path))}", f"head {head}", CAUTION]
    sys.stdout.writelines(f"{line}\n" for line in lines)
    sys.stdout.flush()
