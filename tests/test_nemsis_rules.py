"""The rules of EMSDataSet.sch (3.5.1.250403CP1) that the three kinds of groups share, one by one for each kind."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from voicelog.exports.nemsis_rules import rule_findings
from voicelog.exports.nemsis_xml import Node

NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)
KINDS = {
    "eVitals": ("eVitals.VitalGroup", "eVitals.10", "90"),
    "eMedications": ("eMedications.MedicationGroup", "eMedications.03", "7242"),
    "eProcedures": ("eProcedures.ProcedureGroup", "eProcedures.03", "425447009"),
}
PRIOR = "9923003"
# nemSch names by kind: no time; before eTimes.03, before .07; after .12, after .13; prior to care but after .07.
ROWS = [
    ("eVitals", ("e125", "e126", "e127", "e128", "e129", "e130")),
    ("eMedications", ("e136", "e137", "e138", "e139", "e140", "e141")),
    ("eProcedures", ("e151", "e152", "e153", "e154", "e155", "e156")),
]
CASES = [
    (kind, rules[place], *case)
    for kind, rules in ROWS
    for place, case in enumerate(
        [
            ("", "", "", ""),
            ("10:30", "", "03", "10:31"),
            ("10:30", "", "07", "10:31"),
            ("10:30", "", "12", "10:29"),
            ("10:30", "", "13", "10:29"),
            ("10:30", PRIOR, "07", "10:29"),
        ]
    )
]


def clock(text: str) -> str:
    return f"2026-03-04T{text}:00+00:00"


def found(kind: str, at: str, prior: str, element: str, moment: str) -> set[str]:
    """Names of the rules that a document with one group and one time of the call does not keep."""
    name, value_name, value = KINDS[kind]
    children = [Node(value_name, value)]
    children += [Node(f"{kind}.01", clock(at))] if at else []
    children += [Node(f"{kind}.02", prior)] if prior else []
    nodes = [Node(name, children=tuple(children))]
    nodes += [Node(f"eTimes.{element}", clock(moment))] if element else []
    return {finding.rule for finding in rule_findings(Node("EMSDataSet", children=tuple(nodes)), NOW)}


@pytest.mark.parametrize(("kind", "rule", "at", "prior", "element", "moment"), CASES)
def test_a_time_that_cannot_be_is_found_by_its_rule(
    kind: str, rule: str, at: str, prior: str, element: str, moment: str
) -> None:
    assert rule in found(kind, at, prior, element, moment)


@pytest.mark.parametrize(("kind", "rules"), ROWS)
def test_what_was_prior_to_care_may_lack_a_time_or_be_before_arrival(kind: str, rules: tuple[str, ...]) -> None:
    assert not set(rules) & found(kind, "", PRIOR, "", "")
    assert not set(rules) & found(kind, "10:30", PRIOR, "07", "10:31")


@pytest.mark.parametrize(("kind", "rules"), ROWS)
def test_a_time_within_the_call_breaks_no_rule(kind: str, rules: tuple[str, ...]) -> None:
    for element, moment in (("03", "10:29"), ("07", "10:30"), ("12", "10:30"), ("13", "10:31")):
        assert not set(rules) & found(kind, "10:30", "", element, moment)


@pytest.mark.parametrize(
    ("group", "element", "alone", "other", "rule"),
    [
        ("eVitals.VitalGroup", "eVitals.22", "3322003", "3322009", "e135"),
        ("eMedications.MedicationGroup", "eMedications.08", "3708031", "3708003", "e149"),
        ("eProcedures.ProcedureGroup", "eProcedures.07", "3907033", "3907001", "e158"),
    ],
)
def test_a_value_that_stands_alone(group: str, element: str, alone: str, other: str, rule: str) -> None:
    def rules(*codes: str) -> set[str]:
        node = Node(group, children=tuple(Node(element, code) for code in codes))
        return {finding.rule for finding in rule_findings(Node("EMSDataSet", children=(node,)), NOW)}

    assert rule in rules(alone, other)
    assert rule not in rules(alone)
    assert rule not in rules(other, other)


def test_elements_of_a_drug_prior_to_care_may_lack() -> None:
    # e146, e147, e148, e150: route, dose, unit and role, unless the drug was given before this unit's care.
    lacking = {"e146", "e147", "e148", "e150"}
    assert lacking <= found("eMedications", "10:30", "", "", "")
    assert not lacking & found("eMedications", "10:30", PRIOR, "", "")
