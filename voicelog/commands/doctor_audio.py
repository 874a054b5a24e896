"""``voicelog doctor --audio``: devices, level, noise, and a test sentence spoken and heard back."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Literal

from voicelog.audio.microphone import SILENCE_DBFS, Block, Deaf, Device, Microphone, devices, level_dbfs
from voicelog.commands.doctor import Check
from voicelog.errors import AudioError, VoicelogError
from voicelog.recognisers.base import SAMPLE_RATE
from voicelog.views.plain import json_line

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

METER_S = 3.0
"""How long the level is shown."""
TEST_SENTENCE = "blood pressure one eighteen over seventy six"
"""What is spoken: a callout of the shipped grammar."""
# Floors of noise in dB full scale: no standard sets them. Speech into a headset is at about -20 to -30; the recognisers
# hear well with 15 dB between the two.
_USUAL_DBFS, _NOISY_DBFS = -45.0, -35.0
_AUDIBLE_DB = 6.0
_FULL_SCALE = 32_700
_BAR_DB, _BAR_WIDTH = 60, 30
_NOISE_SHARE = 20
_SAY_WITHIN_S = 15.0
_AFTER_S = 0.7
_HOW = "voicelog doctor --audio --microphone NAME --loudspeaker NAME"

State = Literal["works", "limited", "broken"]


@dataclass
class Heard:
    """What the microphone gave so far, in order."""

    microphone: Microphone
    """Open."""
    blocks: list[NDArray[np.int16]] = field(default_factory=list)
    """From sample 0 on."""
    deaf: str = ""
    """Why it went deaf, or ''."""

    def listen(self, seconds: float, done: Callable[[], bool] = lambda: False, show: Show | None = None) -> None:
        """Read for so long, or until done."""
        until = time.monotonic() + seconds
        while time.monotonic() < until and not done():
            heard = self.microphone.read(0.1)
            if isinstance(heard, Block):
                self.blocks.append(heard.samples)
                if show is not None:
                    show(self.microphone.level_dbfs)
            elif isinstance(heard, Deaf):
                self.deaf = heard.reason

    @property
    def samples(self) -> NDArray[np.int16]:
        """All of it."""
        import numpy as np

        return np.concatenate(self.blocks) if self.blocks else np.zeros(0, dtype=np.int16)


Show = Callable[[float], None]


def audio_checks(arguments: argparse.Namespace) -> Iterator[Check]:
    """Every check, one after another; the level is shown meanwhile, and the devices are listed first."""
    try:
        found = devices()
    except AudioError as error:
        yield Check("sound", "broken", error.message, error.hint)
        return
    _list(found, arguments.json)
    try:
        with Microphone(arguments.microphone) as microphone:
            yield Check("microphone", "works", f"{microphone.device_name} is open")
            heard = Heard(microphone)
            yield from _room(heard, arguments.json)
            yield from _loop(heard, arguments)
    except AudioError as error:
        yield Check("microphone", "broken", error.message, error.hint)
        yield from _loop(None, arguments)


def noise_floor(samples: NDArray[np.int16]) -> float:
    """Level in dB full scale that a fifth of the tenths of a second stay below: talk in between does not raise it."""
    import numpy as np

    size = SAMPLE_RATE // 10
    frames = [level_dbfs(samples[place : place + size]) for place in range(0, len(samples) - size + 1, size)]
    return float(np.percentile(frames, _NOISE_SHARE)) if frames else SILENCE_DBFS


def verdict(floor: float, peak: int) -> Check:
    """What a noise floor in dB full scale and the largest sample mean for a session."""
    text = f"{floor:.0f} dBFS"
    if peak == 0:
        return Check(
            "noise floor", "limited", "not a single sound: the microphone may be muted", "switch it on and speak"
        )
    if peak >= _FULL_SCALE:
        return Check("noise floor", "limited", f"{text}, overdriven at times", "turn the microphone's level down")
    if floor > _NOISY_DBFS:
        return Check("noise floor", "limited", f"{text}: very noisy, callouts will be missed", "use a close headset")
    if floor > _USUAL_DBFS:
        return Check("noise floor", "limited", f"{text}: noisy, speak up and close", "use a close headset")
    return Check("noise floor", "works", f"{text}: quiet enough")


def bar(level: float) -> str:
    """A level in dB full scale as a bar of 30 signs, the loudest 60 dB."""
    full = round(_BAR_WIDTH * min(1.0, max(0.0, 1 + level / _BAR_DB)))
    return "#" * full + "-" * (_BAR_WIDTH - full)


def _list(found: list[Device], as_json: bool) -> None:
    for device in found:
        if as_json:
            sys.stdout.write(json_line({"type": "device", **asdict(device)}) + "\n")
            continue
        ways = [
            f"{way} (default)" if default else way
            for way, count, default in (
                ("in", device.inputs, device.default_input),
                ("out", device.outputs, device.default_output),
            )
            if count
        ]
        sys.stdout.write(f"device {device.number:>2}  {device.name}: {', '.join(ways)}\n")


def _room(heard: Heard, as_json: bool) -> Iterator[Check]:
    _measure(heard, as_json)
    if heard.deaf:
        yield Check("level", "broken", heard.deaf, "plug the microphone in again, or restart the sound system")
        return
    samples = heard.samples
    peak = int(abs(samples.astype(int)).max()) if len(samples) else 0
    floor, level = noise_floor(samples), level_dbfs(samples)
    if as_json:
        sys.stdout.write(json_line({"type": "level", "level_dbfs": level, "noise_dbfs": floor, "peak": peak}) + "\n")
    yield Check("level", "works", f"[{bar(level)}] {level:.0f} dBFS over {METER_S:.0f} s")
    yield verdict(floor, peak)


def _measure(heard: Heard, as_json: bool) -> None:
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    console = Console(highlight=False)
    if as_json or not console.is_terminal:
        heard.listen(METER_S)
        return
    with Live(console=console, transient=True, refresh_per_second=10) as live:
        heard.listen(METER_S, show=lambda level: live.update(Text(f"level  [{bar(level)}] {level:4.0f} dBFS", "bold")))


def _loop(heard: Heard | None, arguments: argparse.Namespace) -> Iterator[Check]:
    from voicelog.recognisers.registry import preferred
    from voicelog.speech.speaker import Speaker
    from voicelog.speech.voices import MUTE, open_voice

    yield _listener(arguments.listener or preferred())
    try:
        voice = open_voice(MUTE if arguments.mute else arguments.voice)
    except AudioError as error:
        yield Check("voice", "broken", error.message, error.hint)
        return
    yield Check("voice", "works", f"{voice.name} speaks the read-backs" if voice.name != MUTE else "mute")
    speaker = Speaker(voice, arguments.loudspeaker)
    try:
        floor = noise_floor(heard.samples) if heard else SILENCE_DBFS
        speaker.tone("heard")
        speaker.say(TEST_SENTENCE)

        def done() -> bool:
            return speaker.failure is not None or speaker.wait(0)

        if heard is None:
            speaker.wait(_SAY_WITHIN_S)
        else:
            heard.listen(_SAY_WITHIN_S, done)
            heard.listen(_AFTER_S)
        if speaker.failure is not None:
            yield Check("loudspeaker", "broken", speaker.failure, f"choose another: {_HOW}")
            return
        played = "a tone" if voice.name == MUTE else "a tone and the test sentence"
        yield Check("loudspeaker", "works", f"{speaker.device_name} played {played}")
        spoken = [span for span in speaker.spans() if span[2] == TEST_SENTENCE]
        if heard is not None and not heard.deaf and spoken:
            yield _heard_back(heard, spoken[-1], floor, arguments)
    finally:
        speaker.close()


def _listener(name: str) -> Check:
    from voicelog.recognisers.registry import recogniser

    found = recogniser(name).is_available()
    return Check(f"listener {name}", "works" if found.ready else "broken", found.detail, found.hint)


def _heard_back(heard: Heard, span: tuple[float, float, str], floor: float, arguments: argparse.Namespace) -> Check:
    first, last = (max(0, heard.microphone.sample_at(at)) for at in span[:2])
    samples = heard.samples
    if level_dbfs(samples[first:last]) < floor + _AUDIBLE_DB:
        return Check(
            "heard back",
            "works",
            "no, the loudspeaker does not reach the microphone: as it should be with a headset",
        )
    margin = round(_AFTER_S * SAMPLE_RATE)
    try:
        words = _recognised(samples[max(0, first - margin) : last + margin], arguments)
    except VoicelogError as error:
        return Check("heard back", "broken", error.message, error.hint)
    said = f'"{TEST_SENTENCE}" was heard as "{words}"'
    if words == TEST_SENTENCE:
        return Check("heard back", "works", said)
    return Check("heard back", "limited", said, "turn the loudspeaker up or the noise down, and try a few callouts")


def _recognised(samples: NDArray[np.int16], arguments: argparse.Namespace) -> str:
    from voicelog.grammar.loader import load_grammar
    from voicelog.recognisers.registry import preferred, recogniser

    listener = recogniser(arguments.listener or preferred()).open(load_grammar(*arguments.grammars))
    try:
        listener.feed(samples)
        words = [word.text for word in listener.finish().best.words]
    finally:
        listener.close()
    return " ".join(word for word in words if not word.startswith("<"))
