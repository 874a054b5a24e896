"""JSON lines: nothing is lost on the way out and back, and no changed line comes in."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from event_strategies import events
from export_cases import CALLOUTS, SAMPLES, STATUSES, case_of, recorded_case, sample
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError
from voicelog.events import Event
from voicelog.exports.copies import copy_case, make_case
from voicelog.exports.jsonl import ImportedCase, jsonl_lines, named_clips, read_jsonl
from voicelog.exports.source import CaseRecord, ExportError


def remade(imported: ImportedCase, target: Path) -> CaseFile:
    return make_case(imported.entries, imported.clips, target)


@pytest.fixture(scope="module")
def case_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recorded_case(tmp_path_factory.mktemp("cases") / "case.voicelog", *CALLOUTS)


def lines_of(path: Path, *, audio: bool = True) -> list[bytes]:
    with CaseFile.open(path) as case:
        made = jsonl_lines(path.name, list(case.entries()), case.clip if audio else None)
        return [line.encode("utf-8") for line in made]


def out_and_back(record: CaseRecord) -> bool:
    data = "".join(jsonl_lines("case", record.entries, None)).encode("utf-8")
    return read_jsonl(data, "lines").entries == record.entries


def test_an_imported_case_is_equal_entry_by_entry_and_clip_by_clip(case_path: Path, tmp_path: Path) -> None:
    imported = read_jsonl(b"".join(lines_of(case_path)), "lines")
    remade(imported, tmp_path / "again").close()
    with CaseFile.open(case_path) as case, CaseFile.open(tmp_path / "again") as again:
        entries = list(case.entries())
        assert list(again.entries()) == entries
        assert len(named_clips(entries)) == len(CALLOUTS)
        assert [again.clip(name) for name in named_clips(entries)] == [case.clip(name) for name in named_clips(entries)]
        assert again.problems() == []
    assert (tmp_path / "again").stat().st_mode & 0o777 == 0o600


def test_the_export_of_an_imported_case_is_the_same_again(case_path: Path, tmp_path: Path) -> None:
    lines = lines_of(case_path)
    again = tmp_path / "case.voicelog"
    remade(read_jsonl(b"".join(lines), "lines"), again).close()
    assert lines_of(again) == lines


def test_an_open_case_can_go_on_after_the_import(tmp_path: Path) -> None:
    path = recorded_case(tmp_path / "open", "pulse ninety", close=False)
    with remade(read_jsonl(b"".join(lines_of(path)), "lines"), tmp_path / "again") as again:
        again.close_case(next(again.entries()).at)
        assert again.problems() == []


def test_the_first_line_says_case_head_grammar_and_version(case_path: Path) -> None:
    lines = lines_of(case_path)
    first = json.loads(lines[0])
    assert first["case"] == "case.voicelog"
    assert first["head"] == json.loads(lines[first["entries"]])["hash"]
    assert first["grammar_hash"] == "ab12"
    assert first["exported_with"] == "0.1.0"
    assert (first["entries"] + first["clips"] + 1, first["audio"]) == (len(lines), True)


def test_without_audio_the_entries_are_whole_and_the_clips_are_named(case_path: Path, tmp_path: Path) -> None:
    imported = read_jsonl(b"".join(lines_of(case_path, audio=False)), "lines")
    assert len(imported.without_audio) == len(CALLOUTS)
    with remade(imported, tmp_path / "again") as again:
        assert all("audio clip" in problem for problem in again.problems())


Change = Callable[[list[bytes]], None]


def swapped(first: int, second: int) -> Change:
    def change(lines: list[bytes]) -> None:
        lines[first], lines[second] = lines[second], lines[first]

    return change


def without(place: int) -> Change:
    def change(lines: list[bytes]) -> None:
        del lines[place]

    return change


def replaced(place: int, old: bytes, new: bytes) -> Change:
    def change(lines: list[bytes]) -> None:
        assert old in lines[place]
        lines[place] = lines[place].replace(old, new, 1)

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (replaced(3, b'"dose":"5"', b'"dose":"50"'), "line 4: entry 3 was changed"),
        (replaced(2, b'"line":"entry"', b'"line":"other"'), "line 3: not a line that voicelog wrote"),
        (replaced(2, b'"line":"entry"', b'"line": "entry"'), "line 3: JSON, but not in canonical form"),
        (replaced(2, b'"seq":2', b'"seq":3'), "line 3: entry 3 stands where entry 2 should"),
        (swapped(3, 4), "line 4: entry 4 stands where entry 3 should"),
        (without(3), "line 4: entry 4 stands where entry 3 should"),
        (without(0), "line 1: the line of the case stands first"),
        (without(-1), "ends too soon"),
        (lambda lines: lines.append(lines[-1]), "stands twice"),
        (lambda lines: lines.append(b"{}\n"), "not a line that voicelog wrote"),
        (lambda lines: lines.insert(2, b"\n"), "line 3: not canonical JSON"),
        (lambda lines: lines.insert(1, lines[0]), "line 2: the line of the case stands first"),
        (lambda lines: lines.insert(2, b"\xff\n"), "line 3: not UTF-8"),
        (replaced(-1, b'"flac":"Zkx', b'"flac":"Zky'), "was replaced"),
        (replaced(-1, b'"flac":"Zkx', b'"flac":"*kx'), "not base64"),
        (replaced(0, b'"format":1', b'"format":2'), "line 1: its format is 2"),
        (replaced(0, b'"audio":true', b'"audio":false'), ""),
        (lambda lines: lines.clear(), "holds no case"),
        (swapped(-1, -8), "an entry stands behind the audio clips"),
    ],
)
def test_a_changed_line_is_refused_with_its_number(case_path: Path, change: Change, said: str) -> None:
    lines = lines_of(case_path)
    change(lines)
    if not said:
        # That the audio is there is said by the clips themselves; the word of the first line alone changes nothing.
        read_jsonl(b"".join(lines), "lines")
        return
    with pytest.raises(ExportError, match=said):
        read_jsonl(b"".join(lines), "lines")


def test_a_shortened_export_without_its_closing_entry_is_refused(case_path: Path) -> None:
    lines = [line for line in lines_of(case_path, audio=False) if b'"type":"case_closed"' not in line]
    with pytest.raises(ExportError, match="ends too soon"):
        read_jsonl(b"".join(lines), "lines")


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_single_changed_byte_of_an_entry_comes_in(case_path: Path, data: st.DataObject) -> None:
    lines = lines_of(case_path, audio=False)
    place = data.draw(st.integers(1, len(lines) - 1))
    at = data.draw(st.integers(0, len(lines[place]) - 2))
    new = data.draw(st.integers(32, 126).filter(lambda byte: byte != lines[place][at]))
    lines[place] = lines[place][:at] + bytes([new]) + lines[place][at + 1 :]
    with pytest.raises(ExportError, match=rf"line {place + 1}: |ends too soon"):
        read_jsonl(b"".join(lines), "lines")


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_bytes_that_are_no_export_are_refused_in_one_line(data: bytes) -> None:
    with pytest.raises(ExportError) as refused:
        read_jsonl(data, "lines")
    assert "\n" not in refused.value.message


def test_nothing_is_left_of_an_import_whose_name_is_taken(case_path: Path) -> None:
    before = case_path.read_bytes()
    with pytest.raises(CaseFileError, match="exists already"):
        remade(read_jsonl(b"".join(lines_of(case_path)), "lines"), case_path)
    assert case_path.read_bytes() == before


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_goes_out_and_back(name: str) -> None:
    assert out_and_back(sample(name))


@settings(max_examples=80, deadline=None)
@given(events(), st.sampled_from(STATUSES))
def test_every_event_in_every_standing_goes_out_and_back(event: Event, status: str) -> None:
    assert out_and_back(case_of((event, status, ("out_of_range",))))


def test_a_copy_of_a_case_that_is_being_written_is_whole(tmp_path: Path) -> None:
    path = recorded_case(tmp_path / "case", "pulse ninety", close=False)
    with CaseFile.open(path, write=True) as case:
        entries = list(case.entries())
        copy_case(path, tmp_path / "copy")
        case.close_case(entries[-1].at)
    with CaseFile.open(tmp_path / "copy") as copied:
        assert list(copied.entries()) == entries
        assert [copied.clip(name) for name in named_clips(entries)]
        assert copied.problems() == []
    assert sorted(file.name for file in tmp_path.iterdir()) == ["case", "copy"]
    assert (tmp_path / "copy").stat().st_mode & 0o777 == 0o600


def test_a_copy_overwrites_nothing(case_path: Path, tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("mine")
    with pytest.raises(CaseFileError, match="exists already"):
        copy_case(case_path, taken)
    assert taken.read_text() == "mine"
