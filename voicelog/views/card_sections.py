"""What stands on the callout card: the grammar's callouts by task, each with its best sayings that are understood."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain

from voicelog.events import Event, event_fields
from voicelog.grammar.loader import TIME_RULE
from voicelog.grammar.model import DRUG_LIST, Grammar, ValueList
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of
from voicelog.views.card_sayings import Saying, best, length, read_sayings
from voicelog.views.card_words import lists_used, number_ways, sample_sayings, spoken_values

CONTROL, NUMBERS, PATIENT, COURSE, VITALS, AIRWAY, DRUGS, FINDINGS, ACTS, NEVER = (
    "Talking to voicelog",
    "Numbers",
    "Patient",
    "Times and notes",
    "Vital signs",
    "Airway and breathing",
    "Drugs",
    "Assessment",
    "Procedures",
    "Never logged",
)
ORDER = (CONTROL, NUMBERS, PATIENT, VITALS, AIRWAY, FINDINGS, DRUGS, ACTS, COURSE, NEVER)
"""Titles in the order of the card."""
_NOTES = {
    CONTROL: "Drugs, and anything in doubt, stand only after a spoken “confirm”. Silence never confirms. The rest"
    " stands once read back, unless corrected.",
    NUMBERS: "Fifteen and fifty sound alike: say the digits, listen to the read-back.",
    COURSE: "Any callout may begin or end with a time: at fourteen oh five.",
    NEVER: "Kept as heard, never entered. Say what was done.",
}
_SECTION_OF_KIND = {
    "patient": PATIENT,
    "milestone": COURSE,
    "remark": COURSE,
    "vital_sign": VITALS,
    "medication": DRUGS,
    "assessment": FINDINGS,
    "procedure": ACTS,
}
_AIRWAY_TOPICS = frozenset({
    "airway", "breath_sounds", "bag_valve_mask_ventilation", "oropharyngeal_airway", "nasopharyngeal_airway",
    "supraglottic_airway", "endotracheal_tube", "oxygen", "suction",
})  # fmt: skip
_TOPIC_FIELDS = ("sign", "finding", "procedure", "milestone")
_PATIENT_TOPICS = {
    "age": "age, sex",
    "age_unit": "age, sex",
    "sex": "age, sex",
    "weight_kg": "weight",
    "complaint": "complaint",
    "allergy": "allergies",
    "history": "history",
    "pregnant": "pregnancy",
}
_ACTIONS = ("given", "prepared", "wasted", "kept", "not_given")
DEFAULT_ROOM = 64
_ROOM = {COURSE: 34, DRUGS: 180}
"""Letters that the sayings of one row may take, so that a card stays one page."""
MIN_VALUES = 3
"""A list shorter than this is plain from the sayings."""
LONG_TALK = 6
"""Words; a longer example of talk is printed only where there is no other."""


@dataclass(frozen=True)
class Row:
    """What is recorded, how it is said, and the listed words that may stand in it."""

    label: str
    sayings: tuple[Saying, ...] = ()
    values: tuple[tuple[str, ...], ...] = ()
    """Listed words, a group for each field."""


@dataclass(frozen=True)
class Section:
    """One task's rows."""

    title: str
    rows: tuple[Row, ...]
    note: str = ""

    @property
    def run_in(self) -> bool:
        """Whether the labels are reasons, printed in one line with what they stand for."""
        return self.title == NEVER


@dataclass
class _Topic:
    """A row in the making: sayings by phrase, and the lists of its phrases."""

    section: str
    label: str
    clear: dict[str, list[Saying]] = field(default_factory=dict)
    doubtful: dict[str, list[Saying]] = field(default_factory=dict)
    lists: dict[str, None] = field(default_factory=dict)

    @property
    def fields(self) -> frozenset[str]:
        """Fields that its sayings fill."""
        sayings = chain(*self.clear.values(), *self.doubtful.values())
        return frozenset(chain(*(saying.fields for saying in sayings)))


def sections(grammar: Grammar) -> tuple[Section, ...]:
    """What can be said in a grammar, by task, with every listed word."""
    topics = _topics(grammar)
    owners = _owners(topics, grammar)
    rows: dict[str, list[Row]] = {title: [] for title in ORDER}
    rows[CONTROL], rows[NUMBERS], rows[NEVER] = _control(grammar), _numbers(grammar), _never_logged(grammar)
    for topic in topics:
        own = [name for name, owner in owners.items() if owner is topic]
        rows[topic.section].append(Row(topic.label, _chosen(topic), _values(own, grammar)))
    by_field: dict[str, list[str]] = {}
    for name in (name for name, owner in owners.items() if owner is None):
        by_field.setdefault(grammar.lists[name].field, []).append(name)
    for label, names in by_field.items():
        found = _values(names, grammar)
        if found:
            rows[DRUGS].append(Row(_label(label), values=found))
    notes = {title: note for title, note in _NOTES.items() if title != COURSE or TIME_RULE in grammar.rules}
    return tuple(Section(title, tuple(found), notes.get(title, "")) for title, found in rows.items() if found)


def shortened(section: Section, most: int) -> Section:
    """The section with at most so many listed words for a field; how many more there are is said."""
    rows = tuple(
        replace(row, values=tuple(_capped(group, most) for group in row.values if most)) for row in section.rows
    )
    return replace(section, rows=tuple(row for row in rows if row.sayings or row.values))


def _owners(topics: Sequence[_Topic], grammar: Grammar) -> dict[str, _Topic | None]:
    """The topic under which each list is printed: the only one that uses it or shows its field, else None."""
    owners: dict[str, _Topic | None] = {}
    for name in dict.fromkeys(chain(*(topic.lists for topic in topics))):
        users = [topic for topic in topics if name in topic.lists]
        showing = [topic for topic in users if grammar.lists[name].field in topic.fields] or users
        single = showing[0] if len(showing) == 1 and showing[0].section != DRUGS else None
        owners[name] = single
    return owners


def _numbers(grammar: Grammar) -> list[Row]:
    return [Row(written, tuple(Saying(tuple(way.split())) for way in ways)) for written, ways in number_ways(grammar)]


def _never_logged(grammar: Grammar) -> list[Row]:
    """Reasons why talk makes no entry, each with a short example that is refused."""
    rows = []
    for phrase in grammar.phrases:
        if phrase.kind == "talk" and phrase.reason:
            refused = [
                Saying(tuple(word.text for word in words_of(text)))
                for text in phrase.examples
                if parse(words_of(text), grammar).outcome == "not_understood"
            ]
            short = [saying for saying in refused if length(saying) <= LONG_TALK]
            rows.append(Row(phrase.reason, tuple(short[:1] or sorted(refused, key=length)[:1])))
    return rows


def not_understood(grammar: Grammar) -> tuple[str, ...]:
    """Callouts with examples of which none is understood as written; they are left off the card."""
    return tuple(
        phrase.name
        for phrase in grammar.phrases
        if phrase.kind == "event" and phrase.examples and not any(read_sayings(phrase, grammar))
    )


def _control(grammar: Grammar) -> list[Row]:
    rows = []
    for phrase in grammar.phrases:
        if phrase.kind == "command":
            said = [
                Saying(tuple(word.text for word in words_of(text)))
                for text in phrase.examples or sample_sayings(phrase, grammar)
                if parse(words_of(text), grammar).commands == (phrase.name,)
            ]
            rows.append(Row(phrase.name.replace("_", " "), best([said], DEFAULT_ROOM)))
    answers = [
        [
            Saying(tuple(word.text for word in result.words))
            for result in (parse(words_of(text), grammar) for text in phrase.examples)
            if result.fragment
        ]
        for phrase in grammar.phrases
        if phrase.kind == "fragment"
    ]
    if any(answers):
        rows.append(Row("answer what it asks", best(answers, DEFAULT_ROOM)))
    return rows


def _topics(grammar: Grammar) -> list[_Topic]:
    topics: dict[tuple[str, str], _Topic] = {}
    for phrase in grammar.phrases:
        if phrase.kind != "event" or phrase.after:
            continue
        lists = [name for name in lists_used(phrase.say, grammar) if name != DRUG_LIST]
        for event, saying, doubtful in chain(*read_sayings(phrase, grammar)):
            section, label = _place(event)
            topic = topics.setdefault((section, label), _Topic(section, label))
            (topic.doubtful if doubtful else topic.clear).setdefault(phrase.name, []).append(saying)
            topic.lists |= dict.fromkeys(lists)
    acts = [_label(action) for action in _ACTIONS]
    return sorted(topics.values(), key=lambda topic: acts.index(topic.label) if topic.section == DRUGS else 0)


def _place(event: Event) -> tuple[str, str]:
    """Section and label of what is recorded, from the event's own fields."""
    fields = event_fields(event)
    topic = next((str(fields[name]) for name in _TOPIC_FIELDS if name in fields), "")
    if event.kind == "patient":
        topic = next((label for name, label in _PATIENT_TOPICS.items() if name in fields), event.kind)
    elif event.kind == "medication":
        topic = event.action
    section = AIRWAY if topic in _AIRWAY_TOPICS else _SECTION_OF_KIND[event.kind]
    return section, _label(topic or event.kind)


def _label(topic: str) -> str:
    return topic.replace("_", " ").replace("co2", "CO2").replace("ecg", "ECG")


def _chosen(topic: _Topic) -> tuple[Saying, ...]:
    return best(list((topic.clear or topic.doubtful).values()), _ROOM.get(topic.section, DEFAULT_ROOM))


def _values(names: Iterable[str], grammar: Grammar) -> tuple[tuple[str, ...], ...]:
    """The listed words by field, without those that are kept as evidence only."""
    by_field: dict[str, list[ValueList]] = {}
    for values in (grammar.lists[name] for name in names):
        if not values.field.startswith("said_"):
            by_field.setdefault(values.field, []).append(values)
    groups = (spoken_values(lists) for lists in by_field.values())
    return tuple(group for group in groups if len(group) >= MIN_VALUES)


def _capped(group: tuple[str, ...], most: int) -> tuple[str, ...]:
    more = len(group) - most
    return group if more <= 1 else (*group[:most], f"and {more} more")
