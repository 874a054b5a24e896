"""``voicelog drill import``: recordings with a transcript become drills, or are refused with the line named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicelog.cli import main
from voicelog.drill.importing import Said, read_transcript
from voicelog.drill.script import DrillError
from voicelog.drill.truth import Truth, read_truth
from voicelog.drill.voices import speak


@pytest.fixture(scope="module", name="audio")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three stretches of speech, at 22 kHz as a recorder might keep them."""
    says = ("pulse ninety", "bring the blue bag", "confirm")
    pause = np.zeros(round(1.5 * 16_000))
    whole = np.concatenate([pause, *(part for say in says for part in (speak(say, "flite-slt") * 0.06, pause))])
    noise = np.random.default_rng(1).standard_normal(whole.size) * 0.0005
    path = tmp_path_factory.mktemp("audio") / "shift.wav"
    soundfile.write(path, whole + noise, 16_000)
    return path


def imported(audio: Path, text: str, out: Path, code: int = 0) -> Truth:
    transcript = out / "transcript.txt"
    out.mkdir(exist_ok=True)
    transcript.write_text(text)
    arguments = ["drill", "import", str(audio), str(transcript), "--out", str(out), "--who", "blue"]
    assert main([*arguments, "--consent", "agreed"]) == code
    return read_truth(out / "shift.truth.json")


def test_a_line_for_each_stretch_of_speech(audio: Path, tmp_path: Path) -> None:
    truth = imported(audio, "Pulse ninety\n# a comment\n- bring the blue bag\nred: confirm\n", tmp_path / "out")
    assert [(line.who, line.kind, line.say) for line in truth.lines] == [
        ("blue", "callout", "pulse ninety"),
        ("blue", "talk", "bring the blue bag"),
        ("red", "confirm", "confirm"),
    ]
    assert truth.lines[0].events[0]["value"] == 90
    start = 1.5
    for line in truth.lines:
        length = speak(line.say, "flite-slt").size / 16_000
        assert (line.start, line.end) == pytest.approx((start, start + length), abs=0.45)
        start += length + 1.5
    assert (truth.origin, truth.consent) == ("imported", "agreed")
    assert truth.snr_db is not None
    assert truth.snr_db > 20


def test_seconds_in_the_transcript_place_the_lines(audio: Path, tmp_path: Path) -> None:
    truth = imported(audio, "1.5-2.4 pulse ninety\n3.9 - bring the blue bag\n6.4 confirm\n", tmp_path / "out")
    assert [line.start for line in truth.lines] == [1.5, 3.9, 6.4]
    assert truth.lines[0].end == 2.4
    assert truth.lines[1].end < 6.4


def test_words_of_ones_own_say_what_they_mean(audio: Path, tmp_path: Path) -> None:
    text = "keta fifty milligrams i v => ketamine fifty milligrams i v\n- bring the blue bag\nconfirm\n"
    line = imported(audio, text, tmp_path / "out").lines[0]
    assert (line.say, line.events[0]["drug"]) == ("keta fifty milligrams i v", "ketamine")


def test_what_the_grammar_does_not_understand_is_told(
    audio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    truth = imported(audio, "keta fifty i v\n- bring the blue bag\nconfirm\n", tmp_path / "out", code=1)
    assert truth.lines[0].events == ()
    assert "does not understand “keta fifty i v”" in capsys.readouterr().out


def test_a_second_recording_of_the_same_name_takes_another(audio: Path, tmp_path: Path) -> None:
    for _ in range(2):
        imported(audio, "pulse ninety\n- bring the blue bag\nconfirm\n", tmp_path / "out")
    assert sorted(path.name for path in (tmp_path / "out").glob("*.flac")) == ["shift-2.flac", "shift.flac"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pulse ninety\nconfirm\n", "2 lines, but 3 stretches of speech (1."),
        ("1.5 pulse ninety\nconfirm\n", ":2: it has no second, but others have"),
        ("4 pulse ninety\n2 confirm\n", ":2: 2 s is before the line above"),
        ("99 pulse ninety\n", ":1: 99 s is behind the end"),
        ("3-2 pulse ninety\n", ":1: it ends before it begins"),
        ("pulse 90\n", ":1: 'pulse 90' is no line of a transcript"),
        ("# nothing\n", "the transcript is empty"),
    ],
)
def test_a_transcript_that_does_not_fit_is_refused(
    text: str, message: str, audio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    transcript = tmp_path / "transcript.txt"
    transcript.write_text(text)
    out = tmp_path / "out"
    arguments = ["drill", "import", str(audio), str(transcript), "--out", str(out), "--who", "blue"]
    assert main([*arguments, "--consent", "agreed"]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert "hint:" in told
    assert not out.exists()


def test_a_transcript_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "t.txt"
    path.write_text("12.5-14 anna b: heart rate ninety\n- talk of nothing\n")
    assert read_transcript(path) == (
        Said(1, "heart rate ninety", "anna b", False, 12.5, 14.0, ""),
        Said(2, "talk of nothing", "", True, None, None, ""),
    )
    with pytest.raises(DrillError, match="cannot be read"):
        read_transcript(tmp_path / "none.txt")
