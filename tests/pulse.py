"""A private PulseAudio server with a virtual microphone and a virtual loudspeaker, for tests in real time."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

RATE = 16_000
_NEEDED = ("pulseaudio", "pactl", "paplay", "parec")
_BRIDGES = ("usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so", "usr/lib*/alsa-lib/libasound_module_pcm_pulse.so")
# Debian's own ALSA files make the devices "pulse" and "default"; this one gives tests a name of their own to choose.
_BRIDGE = 'pcm.headset { type pulse device "mic.monitor" }\n'


def why_not() -> str:
    """Why these tests cannot run here, or ''."""
    missing = [program for program in _NEEDED if shutil.which(program) is None]
    if missing:
        return f"not installed: {', '.join(missing)} (Debian: pulseaudio pulseaudio-utils)"
    if not any(list(Path("/").glob(place)) for place in _BRIDGES):
        return "ALSA's bridge to PulseAudio is not installed (Debian: libasound2-plugins)"
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        return f"no sound library: {error}"
    return ""


@dataclass
class Pulse:
    """One server: what is played into the sink "mic" is heard by the microphone; the program speaks into "out"."""

    folder: Path
    """Its sockets, its cookie, and the ALSA file that leads PortAudio to it."""
    server: subprocess.Popen[bytes] | None = None
    playing: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def environment(self) -> dict[str, str]:
        """What programs need to find this server, beside the usual environment."""
        return {
            "PULSE_RUNTIME_PATH": str(self.folder),
            "PULSE_STATE_PATH": str(self.folder),
            "PULSE_COOKIE": str(self.folder / "cookie"),
            "PULSE_SERVER": f"unix:{self.folder}/native",
            "PULSE_CLIENTCONFIG": str(self.folder / "client.conf"),
            "ALSA_CONFIG_PATH": f"/usr/share/alsa/alsa.conf:{self.folder}/asound.conf",
        }

    def start(self) -> None:
        """Start the server and wait until it answers."""
        (self.folder / "client.conf").write_text("autospawn = no\n")
        (self.folder / "asound.conf").write_text(_BRIDGE)
        (self.folder / "native").unlink(missing_ok=True)
        (self.folder / "pid").unlink(missing_ok=True)
        modules = [
            f"module-native-protocol-unix socket={self.folder}/native auth-anonymous=1 auth-cookie-enabled=0",
            "module-null-sink sink_name=mic rate=48000 channels=2 norewinds=1",
            "module-null-sink sink_name=out rate=48000 channels=2 norewinds=1",
        ]
        options = "-n --daemonize=no --exit-idle-time=-1 --disallow-exit --use-pid-file=no --high-priority=no".split()
        self.server = subprocess.Popen(
            ["pulseaudio", *options, *(word for module in modules for word in ("-L", module))],
            env={**os.environ, **self.environment},
            stdout=subprocess.DEVNULL,
            stderr=(self.folder / "server.log").open("ab"),
        )
        until = time.monotonic() + 10
        while subprocess.run(["pactl", "info"], env=self._env, capture_output=True).returncode:
            if time.monotonic() > until:
                raise RuntimeError((self.folder / "server.log").read_text()[-2000:])
            time.sleep(0.05)
        self.pactl("set-default-sink", "out")
        self.pactl("set-default-source", "mic.monitor")

    @property
    def _env(self) -> dict[str, str]:
        return {**os.environ, **self.environment}

    def pactl(self, *words: str) -> str:
        """Run pactl on this server; returns what it prints."""
        return subprocess.run(["pactl", *words], env=self._env, check=True, capture_output=True, text=True).stdout

    def kill(self) -> None:
        """End the server as a crash does."""
        if self.server is not None:
            self.server.send_signal(signal.SIGKILL)
            self.server.wait()
            self.server = None

    def play(self, samples: NDArray[np.int16], *, rate: int = RATE, latency_ms: int = 50) -> subprocess.Popen[bytes]:
        """Start playing into the virtual microphone; on a busy machine a shallow buffer tears words apart."""
        path = self.folder / f"play{len(self.playing)}.wav"
        soundfile.write(path, samples, rate, subtype="PCM_16")
        command = ["paplay", "--device=mic", f"--latency-msec={latency_ms}", str(path)]
        player = subprocess.Popen(command, env=self._env)
        self.playing.append(player)
        return player

    @contextmanager
    def recording(self) -> Iterator[Recording]:
        """Record what the program says; the samples are there when the block ends."""
        command = "parec --device=out.monitor --channels=1 --format=s16le --raw --latency-msec=20".split()
        path = self.folder / "heard.raw"
        with path.open("wb") as file:
            recorder = subprocess.Popen([*command, f"--rate={RATE}"], env=self._env, stdout=file)
            until = time.monotonic() + 5
            while path.stat().st_size == 0 and time.monotonic() < until:
                time.sleep(0.02)
            heard = Recording(started=time.monotonic() - path.stat().st_size / 2 / RATE)
            try:
                yield heard
            finally:
                time.sleep(0.2)
                recorder.terminate()
                recorder.wait()
        heard.samples = np.fromfile(path, dtype="<i2")

    def close(self) -> None:
        """End everything that was started here."""
        for player in self.playing:
            player.kill()
            player.wait()
        self.kill()


@dataclass
class Recording:
    """What came out of the virtual loudspeaker."""

    started: float
    """``time.monotonic()`` of the first sample, to about 50 ms."""
    samples: NDArray[np.int16] = field(default_factory=lambda: np.zeros(0, dtype=np.int16))
    """16 kHz mono."""


@pytest.fixture(name="pulse")
def pulse_server(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pulse]:
    """A fresh server for one test; the test's environment leads to it."""
    if reason := why_not():
        pytest.skip(reason)
    # A short path: a socket's may have no more than 107 characters.
    server = Pulse(tmp_path_factory.mktemp("p"))
    try:
        server.start()
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        yield server
    finally:
        server.close()
