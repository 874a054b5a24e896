"""The dialogue: what stands, what waits, and that nothing is confirmed that was not read back and confirmed."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from typing import NamedTuple

import pytest
from dialogue_talk import GAP, START, Talk
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from voicelog.dialogue.times import moment_of
from voicelog.dialogue.wording import spoken
from voicelog.events import Medication

EPI = "epi one milligram i v push"
FENTANYL = "fentanyl fifty micrograms i v"
LORAZEPAM = "lorazepam two milligrams i v"


class Row(NamedTuple):
    said: str
    """Utterances, separated by ``;``."""
    record: list[str]
    """Every event ever entered, with its status."""
    answer: str
    """What voicelog says to the last utterance."""


def rows(table: list[Row]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("row", table, ids=[row.said for row in table])


def check(row: Row) -> None:
    talk = Talk()
    answer = [talk.say(text) for text in row.said.split("; ")][-1]
    assert (talk.record, answer) == (row.record, row.answer)


# The rule for drugs is the project's own: silence is never consent (design section 2, point 3).
@rows(
    [
        Row(
            EPI,
            ["E1 epinephrine 1 mg intravenous: unconfirmed"],
            "Epinephrine, echo papa india, one milligram intravenous. Confirm?",
        ),
        Row(
            f"{EPI}; pulse ninety",
            ["E1 epinephrine 1 mg intravenous: unconfirmed", "E2 heart rate 90/min: proposed"],
            "Heart rate nine zero.",
        ),
        Row(
            f"{EPI}; confirm",
            ["E1 epinephrine 1 mg intravenous: confirmed"],
            "Confirmed: epinephrine one milligram intravenous.",
        ),
        Row(
            f"{EPI}; pulse ninety; confirm",
            ["E1 epinephrine 1 mg intravenous: confirmed", "E2 heart rate 90/min: confirmed"],
            "Confirmed: epinephrine one milligram intravenous.",
        ),
        Row(
            f"{FENTANYL}; {EPI}; confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed", "E2 epinephrine 1 mg intravenous: confirmed"],
            "Confirmed: epinephrine one milligram intravenous. "
            "Still waiting: fentanyl five zero micrograms intravenous.",
        ),
        Row(
            f"{FENTANYL}; {EPI}; confirm; confirm",
            ["E1 fentanyl 50 mcg intravenous: confirmed", "E2 epinephrine 1 mg intravenous: confirmed"],
            "Confirmed: fentanyl five zero micrograms intravenous.",
        ),
        Row(
            f"{FENTANYL}; {EPI}; confirm fentanyl",
            ["E1 fentanyl 50 mcg intravenous: confirmed", "E2 epinephrine 1 mg intravenous: unconfirmed"],
            "Confirmed: fentanyl five zero micrograms intravenous. "
            "Still waiting: epinephrine one milligram intravenous.",
        ),
        Row(
            f"{EPI}; confirm fentanyl",
            ["E1 epinephrine 1 mg intravenous: unconfirmed"],
            "No fentanyl waits for confirm.",
        ),
        Row("confirm", [], "Nothing waits for confirm."),
        Row(
            f"{EPI}; confirm; confirm",
            ["E1 epinephrine 1 mg intravenous: confirmed"],
            "Nothing waits for confirm.",
        ),
        Row(
            "hart rate ninety",
            ["E1 heart rate 90/min: unconfirmed"],
            "Heart rate nine zero, heard unclearly. Confirm?",
        ),
        Row(
            "hart rate ninety; sats ninety four",
            ["E1 heart rate 90/min: unconfirmed", "E2 oxygen saturation 94%: proposed"],
            "Saturation nine four percent.",
        ),
        Row(
            "pulse ninety; resps fourteen",
            ["E1 heart rate 90/min: confirmed", "E2 respiratory rate 14/min: proposed"],
            "Respiratory rate one four.",
        ),
    ]
)
def test_what_waits_and_what_stands(row: Row) -> None:
    check(row)


# Each of these could have confirmed a drug that was not meant, or not read back.
@rows(
    [
        Row(
            f"{LORAZEPAM}; confirm pulse ninety",
            ["E1 lorazepam 2 mg intravenous: confirmed", "E2 heart rate 90/min: proposed"],
            "Confirmed: lorazepam two milligrams intravenous. Heart rate nine zero.",
        ),
        Row(
            f"{FENTANYL}; {EPI}; confirm confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed", "E2 epinephrine 1 mg intravenous: confirmed"],
            "Confirmed: epinephrine one milligram intravenous. "
            "Still waiting: fentanyl five zero micrograms intravenous.",
        ),
        Row(
            f"{FENTANYL}; {EPI}; scratch that confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed", "E2 epinephrine 1 mg intravenous: unconfirmed"],
            "One at a time. Confirm, correction or take back?",
        ),
        Row(
            f"{EPI}; correction two milligrams confirm",
            ["E1 epinephrine 1 mg intravenous: unconfirmed"],
            "One at a time. Confirm, correction or take back?",
        ),
        Row(
            f"{FENTANYL}; {EPI}; scratch that; confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed", "E2 epinephrine 1 mg intravenous: rejected"],
            "Waiting for confirm: fentanyl five zero micrograms intravenous. Confirm?",
        ),
        Row(
            f"{FENTANYL}; {EPI}; scratch that; confirm; confirm",
            ["E1 fentanyl 50 mcg intravenous: confirmed", "E2 epinephrine 1 mg intravenous: rejected"],
            "Confirmed: fentanyl five zero micrograms intravenous.",
        ),
        Row(
            f"{FENTANYL}; correction; confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed"],
            "Waiting for confirm: fentanyl five zero micrograms intravenous. Confirm?",
        ),
        Row(
            f"{FENTANYL}; correction; confirm; pulse ninety",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed", "E2 heart rate 90/min: proposed"],
            "Heart rate nine zero.",
        ),
        Row(
            f"{FENTANYL}; naloxone i n; confirm",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed"],
            "Waiting for confirm: fentanyl five zero micrograms intravenous. Confirm?",
        ),
        Row(
            "dextrose ten percent two hundred and fifty milliliters i v; confirm d fifty",
            ["E1 dextrose 10 % 250 mL intravenous: unconfirmed"],
            "No dextrose waits for confirm.",
        ),
        Row(f"{EPI}; do not confirm", ["E1 epinephrine 1 mg intravenous: unconfirmed"], ""),
        Row(f"{EPI}; not confirmed", ["E1 epinephrine 1 mg intravenous: unconfirmed"], ""),
        Row(f"{EPI}; can you confirm", ["E1 epinephrine 1 mg intravenous: unconfirmed"], ""),
        Row(f"{EPI}; confirmed cardiac arrest", ["E1 epinephrine 1 mg intravenous: unconfirmed"], "Say again."),
    ]
)
def test_a_confirm_binds_only_to_what_was_read_back_last(row: Row) -> None:
    check(row)


@pytest.mark.parametrize(
    "restated", ["confirm epinephrine two milligrams", f"confirm {EPI}", "confirm naloxone two mg"]
)
def test_a_confirm_with_a_drug_callout_in_the_same_breath_confirms_and_enters_nothing(restated: str) -> None:
    talk = Talk(EPI)
    assert talk.say(restated).endswith(("again.", "alone."))
    assert talk.record == ["E1 epinephrine 1 mg intravenous: unconfirmed"]


def test_drugs_of_one_breath_are_confirmed_together() -> None:
    talk = Talk("epi one milligram i v and fentanyl fifty micrograms i v", "confirm")
    assert [recorded.status for recorded in talk.case.events] == ["confirmed", "confirmed"]


@rows(
    [
        Row("pulse ninety; scratch that", ["E1 heart rate 90/min: rejected"], "Taken back: heart rate nine zero."),
        Row("scratch that", [], "Nothing to take back."),
        Row(
            f"{EPI}; confirm; take back the last entry",
            ["E1 epinephrine 1 mg intravenous: rejected"],
            "Taken back: epinephrine one milligram intravenous.",
        ),
        Row(
            "pulse ninety; scratch that pulse eighty",
            ["E1 heart rate 90/min: rejected", "E2 heart rate 80/min: proposed"],
            "Taken back: heart rate nine zero. Heart rate eight zero.",
        ),
        Row(
            f"{FENTANYL}; naloxone i n; cancel that",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed"],
            "Question dropped. Nothing is changed.",
        ),
        Row(
            f"{FENTANYL}; correction; cancel that",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed"],
            "Correction dropped. Nothing is changed.",
        ),
        Row(
            f"{FENTANYL}; naloxone i n; cancel that; two milligrams",
            ["E1 fentanyl 50 mcg intravenous: unconfirmed"],
            "Which drug?",
        ),
    ]
)
def test_taking_back(row: Row) -> None:
    check(row)


@rows(
    [
        Row("naloxone i n; two milligrams", ["E1 naloxone 2 mg intranasal: unconfirmed"],
            "Naloxone two milligrams intranasal. Confirm?"),
        Row("two milligrams i n; naloxone", ["E1 naloxone 2 mg intranasal: unconfirmed"],
            "Naloxone two milligrams intranasal. Confirm?"),
        Row("prepared naloxone; two milligrams", ["E1 naloxone 2 mg (prepared): unconfirmed"],
            "Naloxone two milligrams prepared. Confirm?"),
        Row("glucose five point six; millimoles", ["E1 blood glucose 5.6 mmol/L: proposed"],
            "Glucose five point six millimoles per liter."),
        Row("pressure one twenty; over eighty", ["E1 blood pressure 120/80 mmHg: proposed"],
            "Pressure one two zero over eight zero."),
        Row("pressure one twenty; eighty", ["E1 blood pressure 120/80 mmHg: proposed"],
            "Pressure one two zero over eight zero."),
        Row("pressure one twenty; hand me the bag; eighty", ["E1 blood pressure 120/80 mmHg: proposed"],
            "Pressure one two zero over eight zero."),
        Row("pressure one twenty; pulse ninety; eighty", ["E1 heart rate 90/min: unconfirmed"],
            "Heart rate nine zero, and then a number. Confirm, or correct it."),
        Row("pressure eighty over one twenty; sixty", [], "Say again."),
        Row("pressure one twenty; two over eighty", [],
            "Pressure two over eight zero: the lower is not below. Say again."),
        Row("naloxone i n; milligrams", [], ""),
        Row("ketamine fifty; milligrams i v", ["E1 ketamine 50 mg intravenous: unconfirmed"],
            "Ketamine, kilo echo tango alfa, five zero milligrams intravenous, not one five. Confirm?"),
        Row("an amp of naloxone; two milligrams i m", ["E1 naloxone 2 mg intramuscular: unconfirmed"],
            "Naloxone two milligrams intramuscular. Confirm?"),
        Row("heart rate nine hundred; ninety", ["E1 heart rate 90/min: proposed"], "Heart rate nine zero."),
        Row("naloxone i n; pulse ninety; two milligrams", ["E1 heart rate 90/min: confirmed"], "Which drug?"),
        Row(
            "naloxone i n; pulse ninety and two milligrams",
            ["E1 heart rate 90/min: proposed", "E2 naloxone 2 mg intranasal: unconfirmed"],
            "Heart rate nine zero. Naloxone two milligrams intranasal. Confirm?",
        ),
        Row("naloxone i n; fentanyl; fifty micrograms", ["E1 fentanyl 50 mcg: unconfirmed"],
            "Fentanyl, foxtrot, five zero micrograms, not one five, route not said. Confirm?"),
        Row("heart rate four hundred", [],
            "Heart rate four hundred: four zero zero is out of range for heart rate. Say again."),
    ]
)  # fmt: skip
def test_what_is_asked_is_entered_only_when_answered(row: Row) -> None:
    check(row)


@rows(
    [
        Row("say again", [], "Nothing to say again."),
        Row("pulse ninety; say again", ["E1 heart rate 90/min: proposed"], "Heart rate nine zero."),
        Row(f"{EPI}; say again; confirm", ["E1 epinephrine 1 mg intravenous: confirmed"],
            "Confirmed: epinephrine one milligram intravenous."),
        Row("what is due", [], "Nothing is due."),
        Row(
            f"{EPI}; pulse ninety; what is due",
            ["E1 epinephrine 1 mg intravenous: unconfirmed", "E2 heart rate 90/min: proposed"],
            "Waiting for confirm: epinephrine one milligram intravenous.",
        ),
    ]
)  # fmt: skip
def test_commands_that_only_ask(row: Row) -> None:
    check(row)


def test_talk_is_silent_enters_no_event_and_stays_in_the_file() -> None:
    talk = Talk()
    assert talk.say("should we give epinephrine") == ""
    (entry,) = talk.entries
    assert (entry.type, entry.body["words"]) == ("not_understood", "should we give epinephrine")
    assert entry.body["reason"] == "a question or a request"


def test_the_end_of_a_case_confirms_no_drug_and_names_it() -> None:
    talk = Talk(EPI, "pulse ninety")
    assert talk.close() == "Not confirmed: epinephrine one milligram intravenous."
    assert talk.record == ["E1 epinephrine 1 mg intravenous: unconfirmed", "E2 heart rate 90/min: confirmed"]
    assert [recorded.basis for recorded in talk.case.events] == ["never confirmed", "stood after read-back"]


def test_the_basis_of_a_spoken_confirm_is_kept_with_its_utterance() -> None:
    recorded = Talk(EPI, "confirm").event("E1")
    assert (recorded.basis, recorded.decided_in) == ("spoken confirm", "U2")


def test_an_entry_happened_when_it_was_heard() -> None:
    assert Talk("pulse ninety").event("E1").event.occurred_at == START + GAP


def test_a_stated_time_says_when_it_happened() -> None:
    event = Talk("one milligram of epinephrine i o at nine fifty").event("E1").event
    assert (event.stated_time, event.occurred_at) == ("09:50", START.replace(hour=9, minute=50))
    assert event.heard_at == START + GAP


def at(day: int, hour: int, minute: int) -> datetime:
    return datetime(2026, 3, day, hour, minute, 30, tzinfo=timezone(timedelta(hours=1)))


@pytest.mark.parametrize(
    ("clock", "heard", "meant"),
    [
        ("10:42", at(4, 10, 45), (4, 10, 42)),
        ("23:58", at(5, 0, 3), (4, 23, 58)),
        ("00:02", at(4, 23, 59), (5, 0, 2)),
        ("10:45", at(4, 22, 50), (4, 22, 45)),
        ("11:58", at(5, 0, 4), (4, 23, 58)),
        ("12:05", at(5, 0, 10), (5, 0, 5)),
        ("12:05", at(4, 12, 10), (4, 12, 5)),
        ("01:10", at(4, 13, 15), (4, 13, 10)),
        ("22:45", at(4, 10, 50), (3, 22, 45)),
        ("14:00", at(4, 12, 30), (4, 14, 0)),
        ("00:30", at(4, 12, 35), (4, 0, 30)),
        ("08:00", at(4, 13, 0), (4, 8, 0)),
    ],
)
def test_a_clock_time_means_the_moment_nearest_to_when_it_was_heard(
    clock: str, heard: datetime, meant: tuple[int, int, int]
) -> None:
    found = moment_of(clock, heard)
    assert (found.day, found.hour, found.minute, found.second, found.tzinfo) == (*meant, 0, heard.tzinfo)


CALLOUTS = [
    "pulse ninety", "pulse one hundred", "hart rate eighty", "sats ninety four", "b p one twenty over eighty",
    "sugar five point six millimoles", EPI, FENTANYL, LORAZEPAM, "epi one i m", "naloxone i n", "two milligrams",
    "epi one milligram i v and fentanyl fifty micrograms i v", "wasted one milliliter", "allergic to penicillin",
    "patient is a twelve year old male", "seizure stopped", "on scene", "pulse ninety and naloxone two milligrams i n",
]  # fmt: skip
CORRECTIONS = [
    "correction", "correction one hundred and five", "correction one ten over seventy", "correction two milligrams",
    "correction intravenous", "correction midazolam", "correction pulse seventy", "correction pulse seventy resps ten",
    "make that fifty", "correction two hundred milliliters", "correction one milligram i v", "correction five hundred",
]  # fmt: skip
COMMANDS = ["scratch that", "say again", "what is due", "scratch that confirm", "pulse ninety scratch that"]
CONFIRMS = ["confirm", "confirm epinephrine", "confirm fentanyl", "confirm confirm", "confirm pulse eighty"]
TALK = [
    "should we give epinephrine",
    "the bag is in the truck",
    "<garbage>",
    "seventy what",
    "confirmed cardiac arrest",
]


def _in_order(words: str, text: str) -> bool:
    """Whether all words are in a text in their order; a sound-alike drug has letters between its name and its dose."""
    left = iter(re.findall(r"[\w'-]+", text.lower()))
    return all(word in left for word in re.findall(r"[\w'-]+", words.lower()))


class Conversation(RuleBasedStateMachine):
    """Any sequence of callouts, commands and talk."""

    def __init__(self) -> None:
        super().__init__()
        self.talk = Talk()
        self.before: list[str] = []

    @rule(text=st.sampled_from(CALLOUTS + CORRECTIONS + COMMANDS + TALK))
    def said(self, text: str) -> None:
        self.talk.say(text)
        for entry in self.talk.steps[-1].enter:
            assert (entry.type, entry.body.get("basis")) != ("decision", "spoken confirm"), (
                "confirmed without a confirm"
            )

    @rule(text=st.sampled_from(CONFIRMS))
    def confirmed(self, text: str) -> None:
        """What a confirm confirms was read back, with its values, in an earlier utterance, and is named again."""
        read = [entry.body for entry in self.talk.entries if entry.type == "read_back"]
        answer = self.talk.say(text)
        for entry in self.talk.steps[-1].enter:
            if entry.type == "decision" and entry.body["basis"] == "spoken confirm":
                event = self.talk.event(entry.body["event"]).event
                assert any(
                    entry.body["event"] in body["events"] and _in_order(spoken(event), body["text"]) for body in read
                )
                assert spoken(event) in answer

    @invariant()
    def no_entry_disappears_or_changes(self) -> None:
        now = [f"{recorded.id} {recorded.event.model_dump_json()}" for recorded in self.talk.case.events]
        assert now[: len(self.before)] == self.before
        self.before = now

    @invariant()
    def the_file_and_the_dialogue_agree(self) -> None:
        standing = {entry.id: entry for entry in self.talk.state.standing}
        for recorded in self.talk.case.events:
            entry = standing.pop(recorded.id, None)
            assert (entry is None) == (recorded.status in {"rejected", "amended"})
            if entry:
                assert entry.waits == (recorded.status == "unconfirmed")
        assert not standing

    @invariant()
    def a_drug_is_confirmed_only_in_an_utterance_with_a_confirm(self) -> None:
        confirms = {entry.body["utterance"] for entry in self.talk.entries if entry.body.get("command") == "confirm"}
        for recorded in self.talk.case.events:
            if isinstance(recorded.event, Medication) and recorded.status == "confirmed":
                decided = [
                    entry.body["utterance"]
                    for entry in self.talk.entries
                    if entry.type == "decision" and entry.body["event"] == recorded.id
                    and entry.body["basis"] == "spoken confirm"
                ]  # fmt: skip
                assert decided
                assert set(decided) <= confirms

    @invariant()
    def new_events_are_read_back_with_their_values(self) -> None:
        if not self.talk.steps:
            return
        step = self.talk.steps[-1]
        for entry in step.enter:
            if entry.type == "event":
                event = self.talk.event(entry.body["id"]).event
                assert any(_in_order(spoken(event), said) for said in step.say)

    def teardown(self) -> None:
        waiting = [recorded.id for recorded in self.talk.case.events if recorded.status == "unconfirmed"]
        self.talk.close()
        assert [recorded.id for recorded in self.talk.case.events if recorded.status == "unconfirmed"] == waiting
        assert all(recorded.status != "proposed" for recorded in self.talk.case.events)


TestConversation = Conversation.TestCase
TestConversation.settings = settings(max_examples=120, stateful_step_count=15, deadline=None)


def test_a_number_alone_after_a_callout_puts_it_in_doubt() -> None:
    """A number cut by a pause, "one hundred ... twenty", must not stand as its first half."""
    talk = Talk("heart rate one hundred")
    assert talk.say("twenty") == "Heart rate one zero zero, and then a number. Confirm, or correct it."
    talk.close()
    assert talk.record == ["E1 heart rate 100/min: unconfirmed"]


def test_a_doubted_entry_can_be_corrected_or_confirmed() -> None:
    corrected = Talk("heart rate one hundred", "twenty", "correction one twenty", "confirm")
    corrected.close()
    assert corrected.record[-1] == "E2 heart rate 120/min: confirmed"
    kept = Talk("heart rate one hundred", "twenty", "confirm")
    assert kept.record == ["E1 heart rate 100/min: confirmed"]


def test_a_number_alone_later_doubts_nothing() -> None:
    talk = Talk("heart rate one hundred", "on scene")
    assert talk.say("hello there") == ""
    assert talk.say("twenty") == "Say again."
    assert talk.record[0] == "E1 heart rate 100/min: confirmed"
