"""The fold: entries in, the state of the case out; unknown types passed over, malformed known ones named."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.casefile.state import CaseState, Status, current, fold
from voicelog.casefile.store import CaseFile, Entry, EntryDraft
from voicelog.errors import CaseFileError
from voicelog.events import Medication, Remark

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
DECISIONS = [status for status in get_args(Status) if status != "proposed"]


def entries(*said: tuple[str, dict[str, Any]]) -> list[Entry]:
    """Entries with these types and bodies; the fold looks at no hash."""
    return [Entry(seq, AT, kind, body, "", "") for seq, (kind, body) in enumerate(said, start=1)]


def event(name: str, **changed: Any) -> tuple[str, dict[str, Any]]:
    body = {"id": name, "event": {"kind": "remark", "text": name}, "flags": [], "needs_confirm": False}
    return "event", {**body, "utterance": "U1", "amends": None, **changed}


def decision(name: str, status: str, **changed: Any) -> tuple[str, dict[str, Any]]:
    return "decision", {"event": name, "status": status, "basis": "spoken confirm", "utterance": "U2", **changed}


def utterance(name: str, **changed: Any) -> tuple[str, dict[str, Any]]:
    words = [{"text": "epi", "start": "1.20", "end": "1.55", "confidence": None}]
    body = {"id": name, "start": "1.20", "end": "2.00", "clip": "c" * 64, "listener": "sphinx"}
    return "utterance", {**body, "alternatives": [{"words": words}, {"words": []}], **changed}


OPENED = ("case_opened", {"version": "1"})
CLOSED = ("case_closed", {"count": 1, "head": "h"})


def test_no_entries_are_an_empty_state() -> None:
    assert fold([]) == CaseState(opened={}, events=(), utterances=(), closed=False)


def test_the_opening_is_kept() -> None:
    assert fold(entries(OPENED)).opened == {"version": "1"}


def test_an_event_that_needs_no_confirm_is_proposed_until_a_decision() -> None:
    (recorded,) = fold(entries(event("E1"))).events
    assert (recorded.status, recorded.basis) == ("proposed", None)


def test_an_event_that_needs_a_confirm_is_unconfirmed_from_the_first() -> None:
    (recorded,) = fold(entries(event("E1", flags=["dose_above_limit"], needs_confirm=True))).events
    assert (recorded.id, recorded.status, recorded.basis, recorded.seq) == ("E1", "unconfirmed", None, 1)
    assert (recorded.flags, recorded.needs_confirm, recorded.utterance) == (("dose_above_limit",), True, "U1")
    assert recorded.event == Remark(text="E1")


def test_a_decision_sets_status_basis_and_utterance() -> None:
    (recorded,) = fold(entries(event("E1"), decision("E1", "confirmed"))).events
    assert (recorded.status, recorded.basis, recorded.decided_in) == ("confirmed", "spoken confirm", "U2")


def test_a_correction_leaves_both_events_and_one_that_stands() -> None:
    state = fold(
        entries(
            event("E1"), event("E2", amends="E1"), decision("E1", "amended", basis="corrected by E2", utterance=None)
        )
    )
    assert [recorded.status for recorded in state.events] == ["amended", "proposed"]
    assert [recorded.id for recorded in current(state)] == ["E2"]
    assert state.events[1].amends == "E1"


@pytest.mark.parametrize(
    ("status", "stands"), [("confirmed", True), ("unconfirmed", True), ("rejected", False), ("amended", False)]
)
def test_what_is_neither_rejected_nor_amended_stands(status: str, stands: bool) -> None:
    assert bool(current(fold(entries(event("E1"), decision("E1", status))))) is stands


def test_an_utterance_keeps_words_times_and_every_reading() -> None:
    (heard,) = fold(entries(OPENED, utterance("U1"))).utterances
    assert (heard.id, heard.start, heard.end, heard.listener) == ("U1", Decimal("1.20"), Decimal("2.00"), "sphinx")
    assert (heard.clip, heard.seq) == ("c" * 64, 2)
    (best, other) = heard.alternatives
    assert [(word.text, word.start, word.end, word.confidence) for word in best] == [
        ("epi", Decimal("1.20"), Decimal("1.55"), None)
    ]
    assert other == ()


def test_typed_words_have_no_times_and_no_clip() -> None:
    typed = {"text": "epi", "start": None, "end": None, "confidence": "0.5"}
    state = fold(entries(utterance("U1", start=None, end=None, clip=None, alternatives=[{"words": [typed]}])))
    assert (state.utterances[0].start, state.utterances[0].clip) == (None, None)
    assert state.utterances[0].alternatives[0][0].confidence == Decimal("0.5")


def test_the_closing_entry_closes() -> None:
    assert fold(entries(OPENED, CLOSED)).closed


def test_entries_that_change_no_state_pass() -> None:
    said = [
        event("E1"),
        ("read_back", {"text": "epi", "events": ["E1"]}),
        ("question", {"text": "say again", "about": "E1", "utterance": "U1"}),
        ("command", {"command": "confirm", "utterance": "U1"}),
        ("not_understood", {"reason": "no reading", "words": "hm", "utterance": "U1"}),
        ("gap", {"start": "1.0", "end": "2.0", "reason": "overload"}),
    ]
    assert fold(entries(*said)) == fold(entries(event("E1")))


@pytest.mark.parametrize(
    "bad",
    [
        OPENED,
        ("utterance", {}),
        utterance("U1"),
        utterance("U9", start=None, end="soon"),
        utterance("U9", start=1.5),
        utterance("U9", start="NaN"),
        utterance("U9", clip=7),
        utterance("U9", listener=None),
        utterance("U9", alternatives=None),
        utterance("U9", alternatives=["words"]),
        utterance("U9", alternatives=[{"words": ["epi"]}]),
        utterance("U9", alternatives=[{"words": [{"text": "epi", "start": None, "end": None}]}]),
        ("event", {}),
        event("E1"),
        event("E9", event={"kind": "dance"}),
        event("E9", event={"kind": "remark", "text": "a", "tone": "b"}),
        event("E9", event={"kind": "medication", "drug": "x", "dose": "lots"}),
        event("E9", event={"kind": "vital_sign", "sign": "heart_rate"}),
        event("E9", event="remark"),
        event("E9", flags=None),
        event("E9", flags=[1]),
        event("E9", needs_confirm="no"),
        event("E9", amends="E8"),
        event("E9", id=9),
        decision("E8", "confirmed"),
        decision("E1", "proposed"),
        decision("E1", "maybe"),
        decision("E1", "confirmed", basis=None),
        ("read_back", {"text": "epi", "events": ["E8"]}),
        ("read_back", {"events": []}),
        ("question", {}),
        ("command", {"command": 1}),
        ("not_understood", {}),
        ("gap", {"start": "1"}),
        ("case_closed", {"count": True, "head": "h"}),
        ("case_closed", {"count": 1}),
    ],
)
def test_a_malformed_entry_is_named_in_one_line(bad: tuple[str, dict[str, Any]]) -> None:
    with pytest.raises(CaseFileError, match=r"^Entry 4 \(") as caught:
        fold(entries(OPENED, utterance("U1"), event("E1"), bad))
    assert len(caught.value.message.splitlines()) == 1
    assert caught.value.hint


def test_an_event_comes_back_from_a_real_file_as_it_went_in(tmp_path: Path) -> None:
    given_drug = Medication(drug="epinephrine", dose=Decimal("0.30"), unit="mg", route="intramuscular", heard_at=AT)
    body = {**event("E1")[1], "event": given_drug.model_dump()}
    with CaseFile.create(tmp_path / "case.vlog", {}, AT) as case:
        returned = case.append([EntryDraft("event", body, AT)])
        state = fold(case.entries())
    assert state.events[0].event == given_drug
    assert str(state.events[0].event.model_dump()["dose"]) == "0.30"
    assert fold(returned).events[0].event == given_drug


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[str, dict[str, Any]]]:
    """Events, each before the decisions on it, with foreign entries among them."""
    said: list[tuple[str, dict[str, Any]]] = [OPENED]
    known: list[str] = []
    for _ in range(draw(st.integers(0, 12))):
        choice = draw(st.sampled_from(["event", "decision", "foreign"]))
        if choice == "event":
            known.append(f"E{len(known) + 1}")
            said.append(event(known[-1]))
        elif choice == "decision" and known:
            said.append(decision(draw(st.sampled_from(known)), draw(st.sampled_from(DECISIONS))))
        else:
            said.append(("from_the_future", {"number": draw(st.integers())}))
    return said


@given(histories())
def test_events_keep_the_order_of_entry(said: list[tuple[str, dict[str, Any]]]) -> None:
    state = fold(entries(*said))
    assert [recorded.id for recorded in state.events] == [body["id"] for kind, body in said if kind == "event"]
    assert [recorded.seq for recorded in state.events] == sorted(recorded.seq for recorded in state.events)


@given(histories())
def test_the_last_decision_gives_the_status(said: list[tuple[str, dict[str, Any]]]) -> None:
    last = {body["event"]: body["status"] for kind, body in said if kind == "decision"}
    for recorded in fold(entries(*said)).events:
        assert recorded.status == last.get(recorded.id, "unconfirmed" if recorded.needs_confirm else "proposed")


@given(histories())
def test_unknown_entries_change_nothing(said: list[tuple[str, dict[str, Any]]]) -> None:
    numbered = entries(*said)
    assert fold(numbered) == fold(entry for entry in numbered if entry.type != "from_the_future")


@given(histories())
def test_current_is_the_events_that_stand_in_order(said: list[tuple[str, dict[str, Any]]]) -> None:
    state = fold(entries(*said))
    standing = [recorded for recorded in state.events if recorded.status in ("proposed", "confirmed", "unconfirmed")]
    assert list(current(state)) == standing
