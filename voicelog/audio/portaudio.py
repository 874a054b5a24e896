"""Sound devices through PortAudio: finding one by name or number, and the processes that alone may touch the library.

PortAudio lists devices once a process, may hang on a dead sound server and needs Python's lock in time for every block,
so capture and playback each run in a small process of their own that can be ended and started again at any moment.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from voicelog.errors import AudioError

_DOCTOR = "See: voicelog doctor --audio"
_START_TIMEOUT_S = 15
_PACKAGE_ROOT = Path(__file__).resolve().parents[2]
# A sound server's own choice may be two seconds, too late for a read-back; only used where it reads this variable.
_SERVER_LATENCY_MS = 40

Direction = Literal["input", "output"]


@dataclass(frozen=True)
class Device:
    """One sound device of this machine."""

    number: int
    """What to give as the device; numbers may change when a device is plugged in."""
    name: str
    """Its name; any part of it, in any case, chooses it when no other device for that direction has that part."""
    inputs: int
    """Input channels; 0 for an output only."""
    outputs: int
    """Output channels; 0 for an input only."""
    default_rate: int
    """Its own sample rate in Hz."""
    default_input: bool = False
    """Used when no input is named."""
    default_output: bool = False
    """Used when no output is named."""


def choose(found: Sequence[Device], direction: Direction, wanted: str | int | None) -> Device:
    """The device meant: by number, whole name, a part of the name that only one has, or the default.

    Raises:
        AudioError: none is meant, or several are.
    """
    usable = [device for device in found if (device.inputs if direction == "input" else device.outputs) > 0]
    if not usable:
        raise AudioError(f"there is no sound {direction} on this machine", f"Plug one in. {_DOCTOR}")
    if wanted is None or wanted == "":
        default = [one for one in usable if (one.default_input if direction == "input" else one.default_output)]
        return (default or usable)[0]
    text = str(wanted).strip()
    if text.isdecimal():
        matches = [device for device in usable if device.number == int(text)]
    else:
        matches = [device for device in usable if device.name.casefold() == text.casefold()]
        matches = matches or [device for device in usable if text.casefold() in device.name.casefold()]
    if len(matches) == 1:
        return matches[0]
    names = ", ".join(f"{device.number} {device.name}" for device in matches or usable)
    if matches:
        raise AudioError(f'several sound {direction}s are called "{text}"', f"Give the number: {names}.")
    raise AudioError(f'there is no sound {direction} "{text}"', f"Use one of: {names}. {_DOCTOR}")


def devices() -> list[Device]:
    """The sound devices as they are now.

    Raises:
        AudioError: no sound library.
    """
    try:
        done = subprocess.run(
            command("voicelog.audio.capture", "--list"),
            capture_output=True,
            timeout=_START_TIMEOUT_S,
            env=environment(),
        )
    except subprocess.TimeoutExpired as error:
        raise AudioError("the sound system does not answer", "Restart it, or unplug and plug the device.") from error
    try:
        answer = json.loads(done.stdout)
    except ValueError as error:
        raise AudioError("the sound library failed to start", _DOCTOR) from error
    if "error" in answer:
        raise AudioError(answer["error"], answer["hint"])
    return [Device(**one) for one in answer["devices"]]


def command(module: str, *arguments: str) -> list[str]:
    """How to run a module of this package as a process."""
    return [sys.executable, "-m", module, *arguments]


def environment() -> dict[str, str]:
    """The environment of a sound process: it finds this package, and asks a sound server for little delay."""
    paths = [str(_PACKAGE_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {"PULSE_LATENCY_MSEC": str(_SERVER_LATENCY_MS), **os.environ, "PYTHONPATH": os.pathsep.join(paths)}


def start(module: str, *arguments: str) -> subprocess.Popen[bytes]:
    """Start a sound process; it ends by itself when its standard input is closed.

    It stands in a session of its own, so that Ctrl-C in the terminal stops the program in order, not the sound first.

    Raises:
        AudioError: the machine cannot start one.
    """
    try:
        return subprocess.Popen(
            command(module, *arguments),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            env=environment(),
            start_new_session=True,
        )
    except OSError as error:
        raise AudioError(f"no sound process can be started: {error}", "Close other programs.") from error


def end(process: subprocess.Popen[bytes]) -> None:
    """End a sound process at once, however stuck it is."""
    process.kill()
    for pipe in (process.stdin, process.stdout):
        _close(pipe)
    try:
        process.wait(timeout=1)
    except subprocess.TimeoutExpired:
        # Stuck in the kernel, in the driver of a device that went away; it ends when the driver lets go.
        return


def _close(pipe: IO[bytes] | None) -> None:
    try:
        if pipe is not None:
            pipe.close()
    except OSError:
        # What was not yet written has no reader any more.
        return


def load() -> Any:
    """The library, in a sound process.

    Raises:
        AudioError: the package or PortAudio is missing, or it does not start.
    """
    try:
        import sounddevice
    except ImportError as error:
        raise AudioError(
            "the package sounddevice is not installed", "Install the extra: pip install 'voicelog[live]'."
        ) from error
    except OSError as error:
        raise AudioError(
            "the sound library PortAudio is not installed", f"On Debian: apt install libportaudio2. {_DOCTOR}"
        ) from error
    except Exception as error:  # its own PortAudioError, whose class cannot be had when the import fails
        raise AudioError(f"the sound library does not start: {error}", _DOCTOR) from error
    return sounddevice


def listing(library: Any) -> list[Device]:
    """The devices, in a sound process."""
    default_input, default_output = library.default.device
    return [
        Device(
            number=one["index"],
            name=one["name"],
            inputs=one["max_input_channels"],
            outputs=one["max_output_channels"],
            default_rate=round(one["default_samplerate"]),
            default_input=one["index"] == default_input,
            default_output=one["index"] == default_output,
        )
        for one in library.query_devices()
    ]


def first_found(found: Sequence[Device], direction: Direction, wanted: Sequence[str | None]) -> Device:
    """The first device meant by any of the wishes, in their order.

    Raises:
        AudioError: the one for the last wish.
    """
    for wish in wanted[:-1]:
        try:
            return choose(found, direction, wish)
        except AudioError:
            continue
    return choose(found, direction, wanted[-1])
