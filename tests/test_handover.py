"""The handover: half a minute, every drug, nothing that is not in the record, nothing smoothed over."""

from __future__ import annotations

import json
import re
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest
from checks_case import DRUGS, GRAMMAR, PROTOCOL, minute, state_of
from event_strategies import events
from hypothesis import given, settings
from hypothesis import strategies as st
from report_cases import NAMES, sample_file, state_and_end, told_file

from voicelog.casefile.state import CaseState, RecordedEvent, current
from voicelog.cli import main
from voicelog.events import Assessment, Event, Medication, Patient, VitalSign, event_fields
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.views.handover import FORMATS, MORE, MOST_WORDS, Format, Handover, handover
from voicelog.views.handover_clauses import Clause

GOLDEN = """\
Handover SBAR as of 21:30  74 words, 29.6 s

Situation
  46 year old male, complaint: seizure.

Background
  Before midazolam: oxygen saturation 84%, blood glucose 92 mg/dL.
  Midazolam 10 mg intramuscular right thigh at 21:28, lorazepam 2 mg intravenous at 21:29.

Assessment
  After midazolam: glasgow coma scale: total 8 (eye 2, verbal 2, motor 4), oxygen saturation 97%, blood pressure \
154/92 mmHg, heart rate 128/min, end tidal CO2 44 mmHg.
  Bag valve mask ventilation started.

Pending
  Unconfirmed lorazepam 2 mg (wasted).
"""
OVERDOSE = (
    (0.0, "male fifty two years old"),
    (0.2, "complaint overdose"),
    (0.5, "respiratory rate six"),
    (0.7, "saturation eighty four"),
    (1.0, "bag valve mask ventilation started"),
    (3.0, "naloxone two milligrams i n"),
    (3.2, "confirm"),
    (6.0, "respiratory rate fourteen"),
    (6.5, "saturation ninety six"),
)


def told(path: Path, form: Format = "sbar") -> tuple[Handover, CaseState]:
    state, end = state_and_end(path)
    return handover(state, PROTOCOL, DRUGS, end, form), state


def clauses_of(report: Handover) -> list[Clause]:
    return [clause for section in report.sections for clause in section.clauses]


def read_back(text: str) -> Event:
    """What our own grammar makes of a clause, with nothing doubtful about it."""
    result = parse(words_of(text), GRAMMAR)
    assert result.outcome == "events", (text, result.reason or result.questions)
    (draft,) = result.drafts
    assert draft.flags == (), text
    return draft.event


@pytest.fixture(params=[(name, form) for name in NAMES for form in FORMATS], ids="-".join)
def sample(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Handover, CaseState]:
    name, form = request.param
    return told(sample_file(tmp_path / "case.voicelog", name), form)


def entry_of(state: CaseState, clause: Clause) -> RecordedEvent | None:
    """The entry that a clause tells; None for what is pending without one."""
    return next((entry for entry in state.events if entry.id in clause.entries[-1:]), None)


def test_a_sample_is_told_in_half_a_minute(sample: tuple[Handover, CaseState]) -> None:
    report, _ = sample
    assert report.words == len(report.spoken.split()) <= MOST_WORDS
    assert report.seconds <= 30


def test_every_drug_given_is_told_with_dose_route_and_time(sample: tuple[Handover, CaseState]) -> None:
    report, state = sample
    given = [entry for entry in current(state) if isinstance(entry.event, Medication) and entry.event.action == "given"]
    assert given
    for entry in given:
        (clause,) = [one for one in clauses_of(report) if one.entries == (entry.id,)]
        assert entry.event.occurred_at
        for text in (clause.said, clause.shown):
            said = event_fields(read_back(text))
            kept = {**event_fields(entry.event), "stated_time": f"{entry.event.occurred_at:%H:%M}"}
            assert said == kept
        assert clause.unconfirmed == (entry.status == "unconfirmed")
        assert clause.spoken in report.spoken or clause.spoken.capitalize() in report.spoken


def test_no_confirmed_drug_is_missing(sample: tuple[Handover, CaseState]) -> None:
    report, state = sample
    drugs = {
        one.event.drug for one in current(state) if isinstance(one.event, Medication) and one.status == "confirmed"
    }
    assert all(drug in report.spoken.lower() for drug in drugs)


def test_every_value_reads_back_to_the_record(sample: tuple[Handover, CaseState]) -> None:
    report, state = sample
    checked = 0
    for clause in clauses_of(report):
        entry = entry_of(state, clause)
        if entry and isinstance(entry.event, VitalSign | Assessment | Medication):
            said = event_fields(read_back(clause.said))
            said.pop("stated_time", None)
            kept = event_fields(entry.event)
            kept.pop("stated_time", None)
            if said.get("finding") == "glasgow_coma_scale":
                # Aloud the total stands for its parts; the page has them all.
                kept = {name: value for name, value in kept.items() if name not in ("eye", "verbal", "motor")}
            assert said == kept
            checked += 1
    assert checked >= 6


def test_no_value_that_is_not_in_the_record(sample: tuple[Handover, CaseState]) -> None:
    report, state = sample
    words = "zero|one|two|three|four|five|six|seven|eight|nine|point"
    recorded = Counter[str]()
    for entry in current(state):
        for value in event_fields(entry.event).values():
            recorded.update(re.findall(r"\d+(?:\.\d+)?", str(value)))
        assert entry.event.occurred_at
        recorded[f"{entry.event.occurred_at:%H%M}"] += 1
    digits = dict(zip(words.split("|"), [*"0123456789", "."], strict=True))
    runs = re.findall(rf"\b(?:{words})(?: (?:{words}))*\b", report.spoken.lower())
    numbers = ["".join(digits[word] for word in run.split()) for run in runs]
    assert numbers
    # Pupils are said one beside the other with a word between, pressures with "over": no two numbers run together.
    assert [number for number in numbers if number not in recorded] == []


def test_the_page_of_a_sample(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["handover", str(sample_file(tmp_path / "case.voicelog", "seizure"))]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(GOLDEN)
    assert "not told: pupils: equal left 4 mm right 4 mm reactive" in printed
    assert "not a medical device" in printed


def test_a_told_case_aloud(tmp_path: Path) -> None:
    report, _ = told(told_file(tmp_path / "case.voicelog", *OVERDOSE))
    assert report.spoken == (
        "Five two year old male, complaint overdose. Before naloxone: saturation eight four, respirations six. "
        "Naloxone two milligrams intranasal at one zero three three. "
        "After naloxone: saturation nine six, respirations one four. Ventilation started."
    )


def test_the_same_case_in_the_other_order(tmp_path: Path) -> None:
    report, _ = told(told_file(tmp_path / "case.voicelog", *OVERDOSE), "mist")
    assert [section.name for section in report.sections] == ["complaint", "signs", "treatment"]
    assert report.spoken.endswith("Naloxone two milligrams intranasal at one zero three three, ventilation started.")


def test_what_was_not_confirmed_is_named_so(tmp_path: Path) -> None:
    lines = [line for line in OVERDOSE if line[1] != "confirm"]
    report, _ = told(told_file(tmp_path / "case.voicelog", *lines))
    assert "unconfirmed naloxone two milligrams intranasal at one zero three three" in report.spoken.lower()
    # What may not have been given divides nothing into before and after.
    assert "First: saturation eight four, respirations six." in report.spoken


def test_an_unconfirmed_value_does_not_hide_the_confirmed_one(tmp_path: Path) -> None:
    lines = ((0.0, "heart rate one thirty two"), (1.0, "heart rate thirty two"))
    report, _ = told(told_file(tmp_path / "case.voicelog", *lines))
    assert "pulse one three two" in report.spoken.lower()
    assert "unconfirmed pulse three two" in report.spoken.lower()


def test_an_old_value_is_told_with_its_time(tmp_path: Path) -> None:
    lines = ((0.0, "heart rate ninety"), (30.0, "saturation ninety seven"))
    report, _ = told(told_file(tmp_path / "case.voicelog", *lines))
    # Fifteen minutes: the protocol file's interval for the stable, common practice.
    assert "pulse nine zero at one zero three zero" in report.spoken
    assert "vital signs due" in report.spoken


def test_a_dose_without_a_route_says_so(tmp_path: Path) -> None:
    lines = ((0.0, "midazolam five milligrams"), (0.2, "confirm"))
    report, _ = told(told_file(tmp_path / "case.voicelog", *lines))
    assert report.spoken.startswith("Midazolam five milligrams at one zero three zero, route not recorded.")


def test_a_remainder_is_pending_without_a_computed_number(tmp_path: Path) -> None:
    texts = ("midazolam five milligrams prepared", "confirm", "midazolam three milligrams i m", "confirm")
    report, _ = told(told_file(tmp_path / "case.voicelog", *((number / 2, text) for number, text in enumerate(texts))))
    assert "Pending: rest of midazolam not accounted for" in report.spoken


def test_no_drug_is_left_out_however_many(tmp_path: Path) -> None:
    lines: list[tuple[float, str]] = [(0.0, "pulse ninety")]
    for number in range(12):
        lines += [(1 + 4 * number, "epinephrine one milligram i v"), (1.2 + 4 * number, "confirm")]
    report, _ = told(told_file(tmp_path / "case.voicelog", *lines))
    assert report.spoken.lower().count("epinephrine one milligram intravenous at") == 12
    assert report.words > MOST_WORDS
    assert report.spoken.endswith(MORE)


def test_what_happened_later_is_not_told(tmp_path: Path) -> None:
    state, end = state_and_end(told_file(tmp_path / "case.voicelog", *OVERDOSE))
    report = handover(state, PROTOCOL, DRUGS, end - timedelta(minutes=5))
    assert "naloxone" not in report.spoken.lower()


def test_an_empty_case_tells_nothing(tmp_path: Path) -> None:
    path = told_file(tmp_path / "case.voicelog", (0.0, "good morning"))
    assert told(path)[0].spoken == ""
    assert main(["handover", str(path)]) == 0


def test_the_age_and_the_sex_said_last_count(tmp_path: Path) -> None:
    lines = ((0.0, "male fifty two years old"), (1.0, "patient is fifty four years old"))
    report, state = told(told_file(tmp_path / "case.voicelog", *lines))
    ages = [entry.event.age for entry in current(state) if isinstance(entry.event, Patient)]
    assert ages[-1] == 54
    assert "five four year old male" in report.spoken.lower()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), events()), max_size=25), st.sampled_from(FORMATS))
def test_any_record_is_told_with_all_its_doses_and_the_rest_in_half_a_minute(
    said: list[tuple[float, Event]], form: Format
) -> None:
    state = state_of(*sorted(said, key=lambda one: one[0]))
    # Past midnight and back: stated times of any hour have happened by then.
    report = handover(state, PROTOCOL, DRUGS, minute(2000), form)
    wanted = [
        entry.id
        for entry in state.events
        if isinstance(entry.event, Medication) and entry.event.action in ("given", "not_given")
    ]
    doses = [clause for clause in clauses_of(report) if (entry := entry_of(state, clause)) and entry.id in wanted]
    assert sorted(clause.entries[0] for clause in doses) == sorted(wanted)
    # Nothing in such a case is confirmed, and each entry is named so.
    assert all(clause.unconfirmed for clause in clauses_of(report) if clause.entries)
    forced = sum(len(clause.spoken.split()) for clause in doses) + len(MORE.split())
    assert report.words <= max(MOST_WORDS, forced)


def test_json_holds_the_clauses_and_their_entries(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told_file(tmp_path / "case.voicelog", *OVERDOSE)
    assert main(["handover", str(path), "--format", "mist", "--json"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    said = json.loads(line)
    assert (said["type"], said["format"], said["words"], said["problems"]) == ("handover", "mist", 33, [])
    clauses = [clause for section in said["sections"] for clause in section["clauses"]]
    (dose,) = [clause for clause in clauses if "naloxone" in clause["text"]]
    assert dose["confirmed"] is True
    assert dose["text"] == "naloxone 2 mg intranasal at 10:33"
    assert dose["at"] == "2026-11-25T10:33:00+00:00"


def test_a_file_that_is_no_case_is_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "notes.txt").write_text("no case")
    assert main(["handover", str(tmp_path / "notes.txt")]) == 2
    assert main(["handover", str(tmp_path / "notes.txt"), "--format", "other"]) == 2
    assert "Traceback" not in capsys.readouterr().err
