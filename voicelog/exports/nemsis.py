"""A case as a document of NEMSIS v3.5.1 (EMSDataSet), with all that it cannot say listed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import NAMESPACE_URL, uuid5

from voicelog.casefile.state import current
from voicelog.events import Assessment, Medication, Milestone, Patient, Procedure, Remark
from voicelog.exports.nemsis_acts import ACTS, DRUGS, add_medication, add_procedure, empty_act, empty_drug
from voicelog.exports.nemsis_details import PLACEHOLDERS, placeholder_remarks
from voicelog.exports.nemsis_exam import add_finding, add_milestone, add_patient
from voicelog.exports.nemsis_parts import Mapped
from voicelog.exports.nemsis_rules import rule_findings
from voicelog.exports.nemsis_vitals import GROUP, add_vitals, empty_group
from voicelog.exports.nemsis_xml import Node, document_text, laid_out
from voicelog.exports.source import CaseRecord, ExportError, happened, plain_text, portable, retracted, told

_SCORES = ("glasgow_coma_scale", "responsiveness", "cardiac_rhythm")
_LONGEST_NARRATIVE = 10_000
_HEADER = "DemographicGroup"
# Sections and elements that a report must have, in the schema's order; those with ? only when something is known.
_REPORT = """
    eRecord(01 SoftwareApplicationGroup(02-04))
    eResponse(AgencyGroup(01) 03 04 ServiceGroup(05) 07-14 23 24) eDispatch(01 02)
    eTimes(01 03 05-07 09 11-13) ePatient(07-09 14 AgeGroup(15 16) 25?) ePayment(01 50)
    eScene(01 06-09 18 19 21) eSituation(01 02 PatientComplaintGroup? 07-13 18 20) eInjury(01 03 04)
    eArrest(01-04 07 09 11 12 14 16-18 20-22) eHistory(01 06? 17) eNarrative(01)
    eVitals(VitalGroup) eExam?(01? AssessmentGroup?) eProtocols(ProtocolGroup(01))
    eMedications(MedicationGroup) eProcedures(ProcedureGroup)
    eDisposition(DestinationGroup(05-07) IncidentDispositionGroup(27-30) 16-23 HospitalTeamActivationGroup(24 25) 32)
    eOutcome(01 02 EmergencyDepartmentProceduresGroup(09 19) 10 11 HospitalProceduresGroup(12 20) 13 16 18)
    eCustomResults?(ResultsGroup?)"""
_CUSTOM = {
    "voicelog.Status": "Where the entries of the correlated group stand in the record of callouts.",
    "voicelog.Origin": "The case file, the hash of its last entry, the hash of its grammar, and the software.",
    "voicelog.Listed": "What this document does not say, or not exactly, of the record of callouts.",
}
_TEXT_TYPE, _OPTIONAL, _MANY = "9902009", "9903007", "9923003"


@dataclass(frozen=True)
class NemsisDocument:
    """A document that keeps every rule, and what a person must know of it."""

    text: str
    """The XML."""
    remarks: tuple[str, ...]
    """What it does not say or not exactly, placeholders, and rules of the warning kind, a line each."""
    root: Node
    """The same as elements."""


def nemsis_document(
    record: CaseRecord,
    rxnorm: Mapping[str, str],
    details: Mapping[str, str] | None = None,
    problems: Sequence[str] = (),
    now: datetime | None = None,
) -> NemsisDocument:
    """The document of a case.

    Args:
        record: the case.
        rxnorm: generic drug name to the RxNorm code of its ingredient.
        details: element to value, for what no callout says.
        problems: what the audit of the case file found, to be told in the document.
        now: the present, for rules about the future.

    Raises:
        ExportError: the document would break a rule of the error kind; nothing is to be written.
    """
    given = details or {}
    mapped = _mapped(record, rxnorm)
    remarks = [f"integrity: {problem}" for problem in problems] + mapped.remarks
    remarks += placeholder_remarks(given) + _fill(mapped, given)
    root = _root(mapped, remarks)
    found = rule_findings(root, now or datetime.now(UTC))
    errors = [str(finding) for finding in found if finding.error]
    if errors:
        hint = "Nothing was written; export with --to jsonl, which keeps everything, and report the line above."
        raise ExportError(f"The case cannot be written as a valid document: {errors[0]}.", hint)
    remarks = [plain_text(line) for line in (*remarks, *(f"rule: {finding}" for finding in found))]
    comments = [
        "Made by voicelog, a documentation and training aid, not a medical device; verify every entry.",
        *_origin_lines(record),
        f"What follows is not said below, or not exactly ({len(remarks)}):",
        *remarks,
    ]
    return NemsisDocument(document_text(root, [plain_text(line) for line in comments]), tuple(remarks), root)


def _mapped(record: CaseRecord, rxnorm: Mapping[str, str]) -> Mapped:
    mapped = Mapped(record, rxnorm)
    for recorded in record.state.events:
        if retracted(recorded):
            mapped.remark(recorded, "taken back or corrected, so it stands in the narrative only")
    vitals = []
    for recorded in current(record.state):
        match recorded.event:
            case Medication() as event:
                add_medication(mapped, recorded, event)
            case Procedure() as event:
                add_procedure(mapped, recorded, event)
            case Patient() as event:
                add_patient(mapped, recorded, event)
            case Milestone() as event:
                add_milestone(mapped, recorded, event)
            case Remark():
                mapped.remark(recorded, "a remark stands in the narrative only")
            case Assessment(finding=finding) as event if finding not in _SCORES:
                add_finding(mapped, recorded, event)
            case _:
                vitals.append(recorded)
    add_vitals(mapped, vitals)
    _tell_the_rest(mapped)
    return mapped


def _tell_the_rest(mapped: Mapped) -> None:
    """List what stands without a confirm, and what neither stands nor was listed."""
    placed = {name for link, _ in mapped.standings for name in link.split()}
    listed = {line.split(maxsplit=1)[0] for line in mapped.remarks}
    for recorded in current(mapped.record.state):
        if recorded.id not in placed | listed:
            mapped.remark(recorded, "says nothing that an element could hold")
        elif recorded.id in placed and recorded.status != "confirmed":
            mapped.remark(recorded, "stands in the document; that it is not confirmed, voicelog.Status alone says")


def _fill(mapped: Mapped, details: Mapping[str, str]) -> list[str]:
    """Put in what must stand there and no callout said; returns what is to be told of it."""
    record = mapped.record
    remarks = []
    for name, (value, _) in PLACEHOLDERS.items():
        mapped.values[name] = [Node(name, details.get(name, value))]
    for name in ("eResponse.03", "eResponse.04", "eTimes.03", "eTimes.13"):
        if name in details:
            mapped.values[name] = [Node(name, details[name])]
    moments = [portable(entry.at) for entry in record.entries]
    moments += [happened(record, recorded) for recorded in current(record.state)]
    for name, moment, meaning in (
        ("eTimes.03", min(moments), "when the unit was notified: the first moment of the case"),
        ("eTimes.13", max(moments), "when the unit was back in service: the last moment of the case"),
    ):
        if name not in mapped.values:
            mapped.values[name] = [Node(name, moment.isoformat())]
            remarks.append(f"placeholder {name}: {meaning}; give it with --details before the document is sent")
    origin = record.origin
    mapped.values |= {
        "eRecord.01": [Node("eRecord.01", origin.case_id[:50])],
        "eRecord.02": [Node("eRecord.02", "voicelog")],
        "eRecord.03": [Node("eRecord.03", "voicelog")],
        "eRecord.04": [Node("eRecord.04", origin.exported_with)],
        "eNarrative.01": [Node("eNarrative.01", _narrative(record))],
    }
    for name, empty in ((GROUP, empty_group()), (DRUGS, empty_drug()), (ACTS, empty_act())):
        mapped.values.setdefault(name, [empty])
    return remarks


def _narrative(record: CaseRecord) -> str:
    """Every event in words, with where it stands; cut, and said to be, where the element takes no more."""
    lines = [f"{happened(record, recorded):%H:%M:%S} {told(recorded)}" for recorded in record.state.events]
    text = "\n".join(lines) or "Nothing was recorded."
    end = "\n(cut here; the whole is in the case file)"
    return text if len(text) <= _LONGEST_NARRATIVE else text[: _LONGEST_NARRATIVE - len(end)] + end


def _origin_lines(record: CaseRecord) -> list[str]:
    origin = record.origin
    return [
        f"case {origin.case}, {origin.entries} entries, head {origin.head}",
        f"grammar {origin.grammar_hash}",
        f"recorded with voicelog {origin.recorded_with}, exported with voicelog {origin.exported_with}",
    ]


def _root(mapped: Mapped, remarks: Sequence[str]) -> Node:
    record = mapped.record
    results = [_result("voicelog.Origin", plain_text("; ".join(_origin_lines(record))))]
    results += [_standing(link, status) for link, status in mapped.standings]
    results += [_result("voicelog.Listed", plain_text(line)) for line in remarks]
    mapped.values["eCustomResults.ResultsGroup"] = results
    report = Node(
        "PatientCareReport",
        attributes=(("UUID", str(uuid5(NAMESPACE_URL, f"urn:x-voicelog:{record.origin.case_id}"))),),
        children=laid_out(_REPORT, mapped.values),
    )
    agency = tuple(mapped.values[name][0] for name in ("dAgency.01", "dAgency.02", "dAgency.04"))
    header = (Node(_HEADER, children=agency), _configuration(), report)
    return Node("EMSDataSet", children=(Node("Header", children=header),))


def _configuration() -> Node:
    """The elements of our own, as the standard wants them declared."""
    prefix = "eCustomConfiguration"
    groups = [
        Node(
            f"{prefix}.CustomGroup",
            attributes=(("CustomElementID", name),),
            children=(
                Node(f"{prefix}.01", name),
                Node(f"{prefix}.02", meaning),
                Node(f"{prefix}.03", _TEXT_TYPE),
                Node(f"{prefix}.04", _MANY),
                Node(f"{prefix}.05", _OPTIONAL),
            ),
        )
        for name, meaning in _CUSTOM.items()
    ]
    return Node(prefix, children=tuple(groups))


def _standing(link: str, status: str) -> Node:
    """Where a group stands, by its correlation ID; for a single element, which has none, by its name."""
    if "." in link:
        return _result("voicelog.Status", f"{link}: {status}")
    return _result("voicelog.Status", status, link)


def _result(name: str, value: str, link: str | None = None) -> Node:
    children = (Node("eCustomResults.01", value), Node("eCustomResults.02", name))
    linked = (Node("eCustomResults.03", link),) if link else ()
    return Node("eCustomResults.ResultsGroup", children=children + linked)
