"""What a replay keeps: no audio where none is wanted, a signed end with a key, nothing readable if encrypted."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from voicelog.casefile.closing import signature_problems
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.signing import make_key, public_pem, verifier
from voicelog.casefile.store import CaseFile
from voicelog.cli import main

SAMPLE = Path(__file__).parent.parent / "samples" / "anaphylaxis.flac"
EXCERPT_S = 12


def test_a_replay_without_audio_signed_and_encrypted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("sqlcipher3", reason="pip install 'voicelog[encrypt]'")
    samples, rate = soundfile.read(SAMPLE, dtype="int16")
    excerpt, path, key, secret = (tmp_path / name for name in ("excerpt.wav", "case.voicelog", "key", "secret"))
    soundfile.write(excerpt, samples[: EXCERPT_S * rate], rate)
    make_key(key)
    secret.write_text("correct horse\n")
    secret.chmod(0o600)
    kept = ["--no-audio", "--sign", str(key), "--passphrase-file", str(secret)]
    assert main(["replay", str(excerpt), "--case", str(path), "--listener", "sphinx", "--json", *kept]) == 0
    monkeypatch.setenv(PASSPHRASE_FILE, str(secret))
    (tmp_path / "pub").write_text(public_pem(key))
    with CaseFile.open(path) as case:
        entries = list(case.entries())
        assert case.problems() == []
        assert case.clip_names() == []
    assert [entry for entry in entries if entry.type == "utterance" and entry.body["clip"]]
    assert signature_problems(entries, dict([verifier(tmp_path / "pub")])) == []
    assert not path.read_bytes().startswith(b"SQLite")


@pytest.mark.parametrize("option", ["--sign", "--passphrase-file"])
def test_a_bad_key_is_told_before_a_case_is_made(
    tmp_path: Path, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    bad, path = tmp_path / "bad", tmp_path / "case.voicelog"
    bad.write_text("words\n")
    bad.chmod(0o644)
    assert main(["replay", str(SAMPLE), "--case", str(path), "--listener", "sphinx", option, str(bad)]) == 2
    assert "can be read by others" in capsys.readouterr().err
    assert not path.exists()
