"""Rules of NEMSIS v3.5.1 that its schemas cannot hold, restated from ``EMSDataSet.sch`` (3.5.1.250403CP1).

The names, such as ``e126``, are those of that file without ``nemSch_``. Errors keep a document from being written;
warnings are told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from voicelog.exports.nemsis_codes import RXNORM_TYPE, YES
from voicelog.exports.nemsis_xml import Node

_TIMES = ("01", "02", "03", "05", "06", "07", "09", "11", "12", "13")
_WITH_VALUE = ("eMedications.03", "eProcedures.03")
_ALONE = {
    "eVitals.22": ("3322003", "e135"),
    "eMedications.08": ("3708031", "e149"),
    "eProcedures.07": ("3907033", "e158"),
}
_SECTIONS = {
    "eVitals.VitalGroup": ("eVitals", "a vital sign", ("e125", "e126", "e127", "e128", "e129", "e130")),
    "eMedications.MedicationGroup": ("eMedications", "a drug", ("e136", "e137", "e138", "e139", "e140", "e141")),
    "eProcedures.ProcedureGroup": ("eProcedures", "a procedure", ("e151", "e152", "e153", "e154", "e155", "e156")),
}
_DRUG_ELEMENTS = (("04", "e146"), ("05", "e147"), ("06", "e148"), ("10", "e150"))
# nemSch_e131 and e132: EtCO2 as a percentage and in kPa; e133: in mmHg.
_CO2_MMHG, _CO2_TYPES = "3340001", {"3340003": "e131", "3340005": "e132"}


@dataclass(frozen=True)
class Finding:
    """One rule that a document does not keep."""

    rule: str
    """Its name; ``own`` for a rule of voicelog's."""
    error: bool
    """Whether it forbids the document."""
    text: str
    """What is wrong, without a full stop."""

    def __str__(self) -> str:
        return f"{self.text} [{self.rule}]"


def rule_findings(document: Node, now: datetime) -> list[Finding]:
    """Every rule the document does not keep, each text once.

    Args:
        document: the root element.
        now: the present, for times that must not lie in the future.
    """
    found = [*_empty(document), *_alone(document), *_order(document, now)]
    for name, (section, what, rules) in _SECTIONS.items():
        for group in document.all(name):
            if not _is_blank(group):
                found += _group_times(document, group, section, what, rules)
    for group in document.all("eMedications.MedicationGroup"):
        if not _is_blank(group):
            found += _drug(group)
    found += _gas(document)
    return list(dict.fromkeys(found))


def _empty(node: Node) -> Iterator[Finding]:
    """e001, e002, e006, e007, e008: values, Not Values and Pertinent Negatives."""
    not_value, negative = node.attribute("NV"), node.attribute("PN")
    filled = bool(node.text or node.children)
    if not filled and not_value is None and negative is None:
        yield Finding("e001", True, f"{node.name} is empty without a Not Value or a Pertinent Negative")
    if filled and not_value is not None:
        yield Finding("e002", True, f"{node.name} has a value and a Not Value")
    if negative is not None and node.name in _WITH_VALUE:
        if not filled or not_value is not None:
            rule = "e006" if node.name == "eMedications.03" else "e007"
            yield Finding(rule, True, f"{node.name} has a Pertinent Negative without a value")
    elif negative is not None and (filled or not_value is not None):
        yield Finding("e008", True, f"{node.name} has a Pertinent Negative beside a value or a Not Value")
    for child in node.children:
        yield from _empty(child)


def _alone(document: Node) -> Iterator[Finding]:
    """e135, e149, e158: a value that excludes others."""
    for group in (node for name in _SECTIONS for node in document.all(name)):
        for name, (code, rule) in _ALONE.items():
            codes = [node.text for node in group.all(name)]
            if code in codes and len(codes) > 1:
                yield Finding(rule, False, f"{name} has {code}, which stands alone, beside others")


def _order(document: Node, now: datetime) -> Iterator[Finding]:
    """e017 to e055: each time of the call is not before an earlier one; e056: nothing ends in the future."""
    times = [(f"eTimes.{number}", _time(document, f"eTimes.{number}")) for number in _TIMES]
    known = [(name, moment) for name, moment in times if moment is not None]
    for place, (later, moment) in enumerate(known):
        for earlier, before in known[:place]:
            if moment < before:
                yield Finding("e017-e055", False, f"{later} is before {earlier}")
    back = _time(document, "eTimes.13")
    if back is not None and back > now + timedelta(hours=1):
        yield Finding("e056", False, "eTimes.13 is in the future")


def _group_times(document: Node, group: Node, section: str, what: str, rules: tuple[str, ...]) -> Iterator[Finding]:
    """e125 to e130 and their like: when a vital sign, a drug or a procedure may have been."""
    unsaid, notified, arrived, handed, back, prior_late = rules
    prior = _text(group, f"{section}.02") == YES
    moment = _time(group, f"{section}.01")
    if moment is None:
        if not prior:
            yield Finding(unsaid, False, f"the time of {what} should be recorded in {section}.01")
        return
    said = f"{what} of {moment.isoformat()}"
    if prior:
        reached = _time(document, "eTimes.07")
        if reached is not None and moment > reached:
            yield Finding(prior_late, False, f"{said} is prior to this unit's care, but after eTimes.07")
        return
    for element, rule, after in (
        ("eTimes.03", notified, False),
        ("eTimes.07", arrived, False),
        ("eTimes.12", handed, True),
        ("eTimes.13", back, True),
    ):
        limit = _time(document, element)
        if limit is not None and (moment > limit if after else moment < limit):
            yield Finding(rule, False, f"{said} is {'after' if after else 'before'} {element}")


def _drug(group: Node) -> Iterator[Finding]:
    """e142, e146 to e148, e150: what a drug group says; and our own rule of a dose above nothing."""
    drug = group.first("eMedications.03") or Node("eMedications.03")
    if drug.attribute("PN") is None:
        if not drug.text:
            yield Finding("e142", False, "eMedications.03 should name the drug")
        if _text(group, "eMedications.02") != YES:
            for number, rule in _DRUG_ELEMENTS:
                if not _text(group, f"eMedications.{number}"):
                    yield Finding(rule, False, f"eMedications.{number} should be recorded for every drug")
        # An RxNorm code has 2 to 7 digits; the element takes up to 9.
        longest = 7 if drug.attribute("CodeType") == RXNORM_TYPE else 9
        if drug.text and not (drug.text.isdigit() and 2 <= len(drug.text) <= longest):
            yield Finding("e143", True, f"eMedications.03 {drug.text!r} is no code")
    dose = _text(group, "eMedications.05")
    if dose and Decimal(dose) <= 0:
        yield Finding("own", True, f"eMedications.05 {dose} is not a dose above nothing")


def _gas(document: Node) -> Iterator[Finding]:
    """e131 to e134: the unit of end-tidal carbon dioxide and its limits."""
    for node in document.all("eVitals.16"):
        if not node.text:
            continue
        kind = node.attribute("ETCO2Type")
        if kind is None:
            yield Finding("e134", False, "eVitals.16 should say its ETCO2Type")
        elif kind in _CO2_TYPES and Decimal(node.text) > 100:
            yield Finding(_CO2_TYPES[kind], False, f"eVitals.16 {node.text} is above 100")
        elif kind == _CO2_MMHG and Decimal(node.text) % 1:
            yield Finding("e133", False, f"eVitals.16 {node.text} mmHg should be a whole number")


def _is_blank(group: Node) -> bool:
    """Whether a group only stands because the standard demands one."""
    return not group.text and all(_is_blank(child) for child in group.children)


def _text(node: Node, name: str) -> str:
    found = node.first(name)
    return found.text if found else ""


def _time(node: Node, name: str) -> datetime | None:
    text = _text(node, name)
    return datetime.fromisoformat(text) if text else None
