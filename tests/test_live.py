"""The real program in real time, over a virtual microphone and loudspeaker: a crew works it by ear alone."""

from __future__ import annotations

import itertools
import random
import re
import signal
import subprocess
import time
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import soundfile
from dialogue_talk import START
from live_run import PROGRAM, SPHINX, running, spoken, stored
from numpy.typing import NDArray
from pulse import RATE, Pulse, why_not
from pulse import pulse_server as pulse_server

from voicelog.audio.clock import SampleClock
from voicelog.audio.endpoint import Endpointer
from voicelog.casefile.state import CaseState
from voicelog.casefile.store import CaseFile
from voicelog.dialogue.echo import OWN_VOICE
from voicelog.grammar.loader import load_grammar
from voicelog.live.case import sound_end
from voicelog.recognisers import whisper
from voicelog.session import listen_to
from voicelog.views.labels import written

pytestmark = [pytest.mark.realtime, pytest.mark.skipif(bool(why_not()), reason=why_not())]

SAMPLE = Path(__file__).parent.parent / "samples" / "asthma.flac"
EPI = "epinephrine zero point three milligrams intramuscular left thigh"
NALOXONE = "naloxone two milligrams intranasal"
LOST_MOST_S = 2.0
"""Of sound, by a crash; the promise of the program."""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    return tmp_path / "case.voicelog"


def record(state: CaseState) -> list[str]:
    return [f"{written(one.event)}: {one.status}" for one in state.events]


def heard_again(samples: NDArray[np.int16]) -> str:
    """What a recogniser that was told no grammar writes of the read-backs recorded from the loudspeaker."""
    listener = whisper.open(load_grammar())
    try:
        blocks = (samples[place : place + 1600] for place in range(0, len(samples), 1600))
        heard = listen_to(blocks, Endpointer(), listener, SampleClock(START))
        text = ". ".join(utterance.best.text for utterance, _, _ in heard)
        # It writes what it hears now "2 mg" and now "2 milligrams", digits said one by one now "118" and now "1 1 8".
        return re.sub(r"(?<=\d)[ -](?=\d\b)", "", text.replace(" mg", " milligrams"))
    finally:
        listener.close()


def test_a_case_by_ear_alone(pulse: Pulse, case: Path) -> None:
    with running(pulse, "--case", str(case), *SPHINX) as run:
        with pulse.recording() as loudspeaker:
            run.answered("heart rate ninety six")
            run.answered(NALOXONE)
            run.answered("confirm")
            run.answered("correction heart rate ninety four")
            run.answered("take back the last entry")
            run.say(EPI)
            run.say("blood pressure one eighteen over seventy six")
            run.until(lambda line: line["type"] == "spoken" and "while I spoke" in line["text"])
        assert run.end() == 0
        assert [line["closed"] for line in run.lines if line["type"] == "case"] == [True]
        (kept_up,) = [line["text"] for line in run.lines if line["type"] == "kept_up"]
        assert re.fullmatch(r"the recogniser was at most \d+\.\d s behind", kept_up)
    _, state = stored(case)
    assert record(state) == [
        "heart rate 96/min: confirmed",
        "naloxone 2 mg intranasal: confirmed",
        "heart rate 94/min: rejected",
        "epinephrine 0.3 mg intramuscular left thigh: unconfirmed",
        "blood pressure 118/76 mmHg: unconfirmed",
    ]
    assert state.events[-1].flags == ("during_read_back",)
    assert state.closed
    said = heard_again(loudspeaker.samples)
    values = (
        "heart rate 96",
        "confirmed naloxone 2 milligrams intranasal",
        "heart rate 94",
        "0.3 milligrams intramuscular left thigh",
        "pressure 118 over 76",
    )
    assert [value for value in values if value not in said] == [], said


def test_its_own_voice_in_the_microphone_confirms_nothing(pulse: Pulse, case: Path) -> None:
    pulse.pactl("load-module", "module-loopback", "source=out.monitor", "sink=mic", "latency_msec=60")
    with running(pulse, "--case", str(case), *SPHINX) as run:
        run.answered(NALOXONE)
        run.until(lambda line: line["type"] == "not_understood" and line["reason"] in OWN_VOICE)
        assert not any(line["type"] == "command" for line in run.lines)
        time.sleep(1)
        run.answered("confirm")
        assert run.end() == 0
    entries, state = stored(case)
    assert record(state) == ["naloxone 2 mg intranasal: confirmed"]
    assert [entry.body["command"] for entry in entries if entry.type == "command"] == ["confirm"]


def test_killed_at_random_moments_it_loses_two_seconds_at_most_and_goes_on(pulse: Pulse, case: Path) -> None:
    sound, _ = soundfile.read(SAMPLE, dtype="int16")
    before: list[object] = []
    for number in range(2):
        with running(pulse, "--resume" if number else "--case", str(case), *SPHINX) as run:
            run.play(sound[number * 10 * RATE : (number * 10 + 25) * RATE])
            run.until(lambda line: line["type"] == "utterance")
            time.sleep(random.uniform(0, 3))
            run.kill()
            killed = run.now()
        for player in pulse.playing:
            player.kill()
        entries, _ = stored(case)
        assert [entry.hash for entry in entries[: len(before)]] == before
        before = [entry.hash for entry in entries]
        told = [line["id"] for line in run.lines if line["type"] == "utterance"]
        assert set(told) <= {entry.body["id"] for entry in entries if entry.type == "utterance"}
        with CaseFile.open(case) as file:
            clock = SampleClock(entries[0].at)
            lost = killed - clock.at(sound_end(file, clock))
        assert lost < timedelta(seconds=LOST_MOST_S), f"{lost} lost"
    with running(pulse, "--resume", str(case), *SPHINX) as run:
        run.play(spoken("heart rate ninety two"))
        # What was left undecoded by the kill may be told first.
        run.until(lambda line: line["type"] == "utterance" and "ninety two" in str(line["words"]))
        assert run.end(signal.SIGINT) == 0
    entries, state = stored(case)
    assert state.closed
    assert "heart rate 92/min" in record(state)[-1]
    gaps = [entry.body for entry in entries if entry.type == "gap"]
    assert [gap["reason"] for gap in gaps] == ["voicelog was not running"] * 2
    assert covered(case) == []


def covered(case: Path) -> list[str]:
    """Where neither sound nor a gap is entered, between the first sample and the last."""
    entries, _ = stored(case)
    parts = [entry.body for entry in entries if entry.type in {"audio", "gap"}]
    spans = sorted((Decimal(part["start"]), Decimal(part["end"])) for part in parts)
    pairs = itertools.pairwise(spans)
    return [f"{end} to {start}" for (_, end), (start, _) in pairs if abs(start - end) > Decimal("0.001")]


def test_the_sound_server_gone_and_back(pulse: Pulse, case: Path) -> None:
    with running(pulse, "--case", str(case), *SPHINX) as run:
        run.say("heart rate ninety two")
        pulse.kill()
        run.until(lambda line: line["type"] == "deaf")
        time.sleep(2)
        pulse.start()
        with pulse.recording() as loudspeaker:
            told = run.until(lambda line: line["type"] == "recovered")
            run.until(lambda line: line["type"] == "spoken" and "I was deaf" in line["text"])
            time.sleep(0.5)
        run.say("heart rate ninety four")
        assert run.end() == 0
    entries, state = stored(case)
    assert [one.split(":")[0] for one in record(state)] == ["heart rate 92/min", "heart rate 94/min"]
    (gap,) = [entry.body for entry in entries if entry.type == "gap"]
    length = Decimal(gap["end"]) - Decimal(gap["start"])
    assert f"I was deaf for {round(length)} second" in told["text"]
    assert np.abs(loudspeaker.samples).max() > 3000
    assert covered(case) == []


def test_a_full_disk_is_loud_and_nothing_heard_meanwhile_is_lost(pulse: Pulse, case: Path) -> None:
    with running(pulse, "--case", str(case), *SPHINX, before=("prlimit", "--fsize=150000:unlimited")) as run:
        run.until(lambda line: line["type"] == "spoken" and "Cannot record" in line["text"])
        time.sleep(0.5)
        run.say_unrecorded("heart rate ninety two")
        assert not any(line["type"] == "event" for line in run.lines)
        run.limit(10_000_000)
        run.until(lambda line: line["type"] == "recording")
        run.until(lambda line: line["type"] == "event")
        time.sleep(1)
        run.limit(1)
        run.until(lambda line: line["type"] == "not_recording", after=len(run.lines))
        assert run.end() == 2
        assert "--resume" in run.complaint()
    _, state = stored(case)
    assert record(state) == ["heart rate 92/min: proposed"]
    assert not state.closed
    assert covered(case) == []


def test_without_a_loudspeaker_it_goes_on_and_the_crew_ends_the_case(pulse: Pulse, case: Path) -> None:
    with running(pulse, "--case", str(case), *SPHINX, "--output", "nowhere") as run:
        told = run.until(lambda line: line["type"] == "no_sound")
        assert "nowhere" in told["text"]
        run.say("heart rate ninety two")
        run.say("end of case")
        run.say("confirm")
        assert run.process.wait(30) == 0
    assert record(stored(case)[1]) == ["heart rate 92/min: confirmed"]
    assert stored(case)[1].closed


def test_a_second_interrupt_ends_at_once_and_the_case_goes_on(pulse: Pulse, case: Path) -> None:
    with running(pulse, "--case", str(case), *SPHINX) as run:
        run.process.send_signal(signal.SIGINT)
        time.sleep(0.2)
        assert run.end(signal.SIGINT) == 130
    assert not stored(case)[1].closed


def refused(*options: str) -> tuple[int, list[str]]:
    """Exit code and complaint of a session that cannot begin."""
    done = subprocess.run([PROGRAM, "listen", *SPHINX, *options], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stderr.splitlines()


def test_no_microphone_is_told_in_one_line(pulse: Pulse, case: Path) -> None:
    code, lines = refused("--case", str(case), "--device", "nowhere")
    assert code == 2
    assert lines[0].startswith('voicelog: there is no sound input "nowhere"')
    assert lines[1].startswith("hint: ")
    assert len(lines) == 2
    assert not case.exists()


def test_a_folder_that_refuses_is_told_in_one_line(pulse: Pulse) -> None:
    code, lines = refused("--case", "/proc/case.voicelog")
    assert code == 2
    assert len(lines) == 2
    assert "Cannot" in lines[0]


def test_a_closed_case_does_not_go_on(tmp_path: Path) -> None:
    path = tmp_path / "closed.voicelog"
    with CaseFile.create(path, {"version": "test"}, START) as file:
        file.close_case(START)
    code, lines = refused("--resume", str(path))
    assert (code, len(lines)) == (2, 2)
    assert "closed" in lines[0]


def test_a_case_that_is_none_does_not_go_on(tmp_path: Path) -> None:
    code, lines = refused("--resume", str(tmp_path / "missing.voicelog"))
    assert (code, len(lines)) == (2, 2)
