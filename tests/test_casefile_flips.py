"""Any single byte of a closed case file that changes is found, or changes nothing that anybody can read."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from campaigns import share
from case_files import AT

from voicelog.casefile.chain import Entry, EntryDraft, clip_hash
from voicelog.casefile.secret import PASSPHRASE_FILE
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError


def closed_case(path: Path) -> Path:
    chance = random.Random(3)
    with CaseFile.create(path, {"version": "test"}, AT) as case:
        for number in range(40):
            flac = chance.randbytes(700 if number % 4 else 9000)
            body = {"number": number, "text": "words " * chance.randrange(30), "clip": clip_hash(flac)}
            case.append([EntryDraft("remark", body, AT)], [flac])
        case.close_case(AT)
    return path


def everything(case: CaseFile) -> tuple[list[Entry], list[bytes]]:
    """All that a case file holds for anybody."""
    return list(case.entries()), [case.clip(name) for name in case.clip_names()]


def outcome(path: Path, whole: tuple[list[Entry], list[bytes]]) -> str:
    """What becomes of a changed file: refused, found, or harmless; an undetected change of what it says fails."""
    try:
        case = CaseFile.open(path)
    except CaseFileError:
        return "refused"
    with case:
        if case.problems():
            return "found"
        assert everything(case) == whole
        return "harmless"


@pytest.mark.parametrize(("encrypted", "usual", "full"), [(False, 150, 1000), (True, 8, 1000)])
def test_a_changed_byte_is_found_or_harmless(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encrypted: bool, usual: int, full: int
) -> None:
    if encrypted:
        pytest.importorskip("sqlcipher3", reason="pip install 'voicelog[encrypt]'")
        (tmp_path / "secret").write_text("correct horse\n")
        (tmp_path / "secret").chmod(0o600)
        monkeypatch.setenv(PASSPHRASE_FILE, str(tmp_path / "secret"))
    path = closed_case(tmp_path / "case.vlog")
    with CaseFile.open(path) as case:
        whole = everything(case)
    content, chance = path.read_bytes(), random.Random(11)
    counted: Counter[str] = Counter()
    for number in range(share(usual, full)):
        # Every tenth in the first page, where each byte steers something.
        offset = chance.randrange(4096 if number % 10 == 0 else len(content))
        changed = bytearray(content)
        changed[offset] ^= chance.randrange(1, 256)
        path.write_bytes(changed)
        counted[outcome(path, whole)] += 1
    print(f"byte changes, encrypted {encrypted}: {dict(counted)} in {len(content)} bytes")  # noqa: T201
    assert counted["found"] + counted["refused"] > counted["harmless"]
