"""NEMSIS v3.5.1 export, element by element, against the official schemas where they are here."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from dialogue_talk import START
from event_strategies import events
from export_cases import SAMPLES, STATUSES, case_of, rxnorm, sample, schemas, talked
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.events import Assessment, Event, Medication, Patient, Procedure, VitalSign
from voicelog.exports.nemsis import NemsisDocument, nemsis_document
from voicelog.exports.nemsis_details import ALSO, PLACEHOLDERS, read_details
from voicelog.exports.nemsis_rules import rule_findings
from voicelog.exports.nemsis_schema import check_schema, load_schema
from voicelog.exports.nemsis_xml import Node, absent, laid_out, pertinent
from voicelog.exports.source import CaseRecord, ExportError, told

NOW = START + timedelta(days=1)


@cache
def schema(folder: Path) -> Any:
    return load_schema(folder)


def document(record: CaseRecord, **details: str) -> NemsisDocument:
    """The document, checked against the schemas if they are here."""
    made = nemsis_document(record, rxnorm(), details, now=NOW)
    try:
        folder = schemas()
    except pytest.skip.Exception:
        return made
    check_schema(made.text, schema(folder))
    return made


def texts(made: NemsisDocument, name: str) -> list[str]:
    return [node.text for node in made.root.all(name) if node.text]


def one(event: Event, status: str = "confirmed") -> NemsisDocument:
    return document(case_of((event, status, ())))


def sign(name: str, value: str, unit: str, **more: Any) -> VitalSign:
    return VitalSign.model_validate({"sign": name, "value": value, "unit": unit, **more})


def test_the_official_sample_keeps_the_schemas_used_here() -> None:
    folder = schemas()
    check_schema((folder.parent / "official-sample.xml").read_text(encoding="utf-8").strip(), schema(folder))


# Limits and codes of eVitals: eVitals_v3.xsd and commonTypes_v3.xsd, build 250403 Critical Patch 1.
@pytest.mark.parametrize(
    ("event", "element", "text"),
    [
        (sign("heart_rate", "90", "/min"), "eVitals.10", "90"),
        (sign("heart_rate", "90", "/min", rhythm="regular"), "eVitals.13", "3313003"),
        (sign("oxygen_saturation", "92", "%"), "eVitals.12", "92"),
        (sign("respiratory_rate", "24", "/min"), "eVitals.14", "24"),
        (sign("respiratory_rate", "24", "/min", quality="labored"), "eVitals.15", "3315003"),
        (sign("end_tidal_co2", "45", "mm[Hg]"), "eVitals.16", "45"),
        (sign("end_tidal_co2", "5.25", "kPa"), "eVitals.16", "5.3"),  # one decimal, half up
        (sign("blood_glucose", "104", "mg/dL"), "eVitals.18", "104"),
        (sign("blood_glucose", "5.6", "mmol/L"), "eVitals.18", "101"),  # 5.6 * 18.0156 = 100.887
        (sign("temperature", "37.4", "Cel"), "eVitals.24", "37.4"),
        (sign("temperature", "36.65", "Cel"), "eVitals.24", "36.7"),
        (sign("temperature", "98.6", "[degF]"), "eVitals.24", "37"),
        (sign("temperature", "102.4", "[degF]"), "eVitals.24", "39.1"),  # 39.111
        (sign("pain_score", "4", "{score}"), "eVitals.27", "4"),
        (sign("pain_score", "4", "{score}"), "eVitals.28", "3328003"),
        (Assessment(finding="responsiveness", level="pain"), "eVitals.26", "3326005"),
        (Assessment(finding="glasgow_coma_scale", total=14, eye=4), "eVitals.19", "4"),
        (Assessment(finding="glasgow_coma_scale", total=14, verbal=4), "eVitals.20", "4"),
        (Assessment(finding="glasgow_coma_scale", total=14, motor=6), "eVitals.21", "6"),
        (Assessment(finding="glasgow_coma_scale", total=14), "eVitals.23", "14"),
        (Assessment(finding="cardiac_rhythm", description="ventricular fibrillation"), "eVitals.03", "9901067"),
    ],
)
def test_evitals_element_and_value(event: Event, element: str, text: str) -> None:
    assert texts(one(event), element) == [text]


def test_evitals_06_07_08_a_pressure_with_its_lower_number_or_p() -> None:
    made = document(talked("blood pressure one eighteen over seventy six", "b p ninety by palp"))
    assert texts(made, "eVitals.06") == ["118", "90"]
    assert texts(made, "eVitals.07") == ["76", "P"]
    assert texts(made, "eVitals.08") == ["3308009"]


@pytest.mark.parametrize(("unit", "code"), [("mm[Hg]", "3340001"), ("kPa", "3340005")])
def test_evitals_16_says_its_etco2type(unit: str, code: str) -> None:
    node = one(sign("end_tidal_co2", "6", unit)).root.first("eVitals.16")
    assert node is not None
    assert node.attribute("ETCO2Type") == code


def test_evitals_01_has_a_numeric_offset() -> None:
    assert texts(document(talked("pulse ninety")), "eVitals.01") == ["2026-03-04T10:00:20+00:00"]


def test_evitals_group_what_was_not_said_is_not_recorded() -> None:
    node = document(talked("pulse ninety")).root.first("eVitals.06")
    assert node == absent("eVitals.06", "7701003")


def test_signs_of_one_moment_share_a_group_and_a_second_value_does_not() -> None:
    made = document(talked("pulse ninety and sats ninety two", "pulse ninety four"))
    assert [len([n for n in g.all("eVitals.10") if n.text]) for g in made.root.all("eVitals.VitalGroup")] == [1, 1]
    first, _ = made.root.all("eVitals.VitalGroup")
    assert [node.text for node in first.all("eVitals.12")] == ["92"]


@pytest.mark.parametrize(
    "event",
    [
        sign("heart_rate", "501", "/min"),
        sign("oxygen_saturation", "101", "%"),
        sign("temperature", "51", "Cel"),
        sign("heart_rate", "1E+40", "/min"),
        Assessment(finding="glasgow_coma_scale", total=2),
        Assessment(finding="cardiac_rhythm", description="ventricular tachycardia"),
    ],
)
def test_what_an_element_cannot_hold_is_listed_and_never_bent(event: Event) -> None:
    made = one(event)
    assert not any(texts(made, f"eVitals.{number:02}") for number in range(1, 35))
    assert any(line.startswith("E1 ") for line in made.remarks)


def test_rounding_is_listed() -> None:
    made = one(sign("heart_rate", "90.5", "/min"))
    assert texts(made, "eVitals.10") == ["91"]
    assert any("90.5 stands as 91 in eVitals.10" in line for line in made.remarks)


# eMedications: eMedications_v3.xsd; RxCUI 7242: DefinedLists/Medication/Medication.csv.
def test_emedications_of_a_confirmed_drug() -> None:
    made = document(talked("naloxone two milligrams intranasal", "confirm"))
    assert {name: texts(made, f"eMedications.{name}") for name in ("01", "02", "03", "04", "05", "06")} == {
        "01": ["2026-03-04T10:00:20+00:00"],
        "02": ["9923001"],
        "03": ["7242"],
        "04": ["9927017"],
        "05": ["2"],
        "06": ["3706021"],
    }
    node = made.root.first("eMedications.03")
    assert node is not None
    assert node.attribute("CodeType") == "9924003"  # CodeType RxNorm


@pytest.mark.parametrize(
    ("unit", "code"),
    [("mg", "3706021"), ("ug", "3706015"), ("g", "3706001"), ("mL", "3706025"), ("meq", "3706019"), ("[U]", "3706049"),
     ("L/min", "3706035"), ("ug/kg/min", "3706017"), ("{puff}", "3706043"), ("{tablet}", "3706029")],
)  # fmt: skip
def test_emedications_06_unit(unit: str, code: str) -> None:
    made = one(Medication(drug="naloxone", dose=Decimal("0.5"), unit=unit))
    assert (texts(made, "eMedications.05"), texts(made, "eMedications.06")) == (["0.5"], [code])


def test_emedications_05_takes_three_decimals_and_no_dose_of_nothing() -> None:
    made = one(Medication(drug="naloxone", dose=Decimal("0.0125"), unit="mg"))
    assert texts(made, "eMedications.05") == ["0.013"]
    for dose in ("0", "-1", "0.0004"):
        made = one(Medication(drug="naloxone", dose=Decimal(dose), unit="mg"))
        assert texts(made, "eMedications.05") == []
        assert any("eMedications.05" in line and line.startswith("E1 ") for line in made.remarks)


# Strength and blood codes: DefinedLists/Medication/Medication.csv.
@pytest.mark.parametrize(
    ("drug", "concentration", "code", "kind"),
    [
        ("epinephrine", "1 mg/mL", "328316", "9924003"),
        ("epinephrine", "0.1 mg/mL", "317361", "9924003"),
        ("dextrose", "10 %", "1795477", "9924003"),
        ("dextrose", "50 %", "237653", "9924003"),
        ("whole blood", None, "33389009", "9924005"),
    ],
)
def test_emedications_03_code(drug: str, concentration: str | None, code: str, kind: str) -> None:
    node = one(Medication(drug=drug, concentration=concentration)).root.first("eMedications.03")
    assert node is not None
    assert (node.text, node.attribute("CodeType")) == (code, kind)


@pytest.mark.parametrize("action", ["prepared", "wasted", "not_given"])
def test_a_drug_that_nobody_got_is_listed_and_not_in_emedications(action: str) -> None:
    made = one(Medication.model_validate({"drug": "naloxone", "dose": 2, "unit": "mg", "action": action}))
    assert texts(made, "eMedications.03") == []
    assert any(line.startswith("E1 naloxone") for line in made.remarks)


def test_a_drug_without_a_code_is_listed_and_not_written_without_its_name() -> None:
    made = one(Medication(drug="metoprolol", dose=Decimal(5), unit="mg"))
    assert texts(made, "eMedications.05") == []
    assert any("no code is known for the drug" in line for line in made.remarks)
    assert "metoprolol 5 mg" in texts(made, "eNarrative.01")[0]


# eProcedures: DefinedLists/Procedure/Procedure.csv; eProcedures.13: eProcedures_v3.xsd.
def test_eprocedures_of_a_line() -> None:
    made = document(talked("twenty two gauge i v left hand"))
    assert texts(made, "eProcedures.03") == ["392230005"]
    assert texts(made, "eProcedures.04") == ["22 gauge"]
    assert texts(made, "eProcedures.13") == ["3913021"]
    assert texts(made, "eProcedures.01") == ["2026-03-04T10:00:20+00:00"]


def test_oxygen_is_a_procedure_by_its_device_and_a_drug_by_its_flow() -> None:
    made = document(talked("oxygen fifteen liters by non rebreather"))
    assert texts(made, "eProcedures.03") == ["371908008"]
    assert [texts(made, f"eMedications.{name}") for name in ("03", "04", "05", "06")] == [
        ["7806"], ["9927031"], ["15"], ["3706035"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    "event",
    [
        Procedure(procedure="defibrillation", energy_j=200),
        Procedure(procedure="supraglottic_airway"),
        Procedure(procedure="suction", action="stopped"),
    ],
)
def test_a_procedure_that_no_code_says_exactly_is_listed(event: Procedure) -> None:
    made = one(event)
    assert texts(made, "eProcedures.03") == []
    assert any(line.startswith("E1 ") for line in made.remarks)


# eTimes: eTimes_v3.xsd.
def test_etimes_of_the_milestones() -> None:
    made = document(talked("on scene at ten thirty eight", "patient contact"))
    assert texts(made, "eTimes.06") == ["2026-03-04T10:38:00+00:00"]
    assert texts(made, "eTimes.07") == ["2026-03-04T10:00:40+00:00"]


def test_etimes_03_and_13_are_placeholders_that_are_told() -> None:
    made = document(talked("pulse ninety"))
    assert texts(made, "eTimes.03") == ["2026-03-04T10:00:00+00:00"]
    told = [line for line in made.remarks if line.startswith("placeholder")]
    assert len(told) == len(PLACEHOLDERS) + 2


def test_details_take_the_place_of_placeholders() -> None:
    made = document(talked("pulse ninety"), **{"eResponse.14": "Medic 1", "eResponse.03": "I-1234"})
    assert (texts(made, "eResponse.14"), texts(made, "eResponse.03")) == (["Medic 1"], ["I-1234"])
    assert not any("eResponse.14" in line for line in made.remarks)


# eExam: eExam_v3.xsd.
@pytest.mark.parametrize(
    ("event", "element", "found"),
    [
        (Assessment(finding="skin", description="pale, cool, diaphoretic"), "eExam.04", ["3504025", "3504007"]),
        (Assessment(finding="breath_sounds", sound="clear", side="left"), "eExam.23", ["3523007"]),
        (Assessment(finding="breath_sounds", sound="clear", side="left"), "eExam.22", ["3522001"]),
        (Assessment(finding="pupils", left_mm=Decimal(3), right_mm=Decimal(9)), "eExam.18", ["3518005", "3518015"]),
        (Assessment(finding="pupils", reactive=True), "eExam.18", ["3518051"]),
        (Assessment(finding="pupils", appearance="left dilated"), "eExam.17", ["3517003"]),
        (Assessment(finding="general", description="retractions"), "eExam.25", ["3525039"]),
        (Assessment(finding="general", description="left facial droop"), "eExam.20", ["3520039"]),
        (Patient(weight_kg=Decimal("70.25")), "eExam.01", ["70.3"]),
        (Patient(age=34, age_unit="year"), "ePatient.15", ["34"]),
        (Patient(age=34, age_unit="year"), "ePatient.16", ["2516009"]),
        (Patient(sex="female"), "ePatient.25", ["9919001"]),
        (Patient(complaint="chest pain"), "eSituation.04", ["chest pain"]),
    ],
)
def test_exam_and_patient_elements(event: Event, element: str, found: list[str]) -> None:
    assert texts(one(event), element) == found


def test_a_wheeze_of_no_said_phase_has_no_code_and_is_listed() -> None:
    made = one(Assessment(finding="breath_sounds", sound="wheezes", side="both"))
    assert texts(made, "eExam.23") == []
    assert any("wheezes" in line for line in made.remarks)


def test_ehistory_06_no_known_allergies_is_a_pertinent_negative() -> None:
    assert one(Patient(allergy="no known allergies")).root.first("eHistory.06") == pertinent("eHistory.06", "8801013")


def statuses(made: NemsisDocument) -> dict[str, str]:
    """Correlation ID to standing, as eCustomResults say it."""
    groups = [group for group in made.root.all("eCustomResults.ResultsGroup") if group.first("eCustomResults.03")]
    return {group.children[2].text: group.children[0].text for group in groups}


@pytest.mark.parametrize("status", ["unconfirmed", "proposed", "confirmed"])
def test_a_group_carries_where_its_entry_stands(status: str) -> None:
    made = one(Medication(drug="naloxone", dose=Decimal(2), unit="mg"), status)
    assert statuses(made) == {"drug E1": status}
    group = made.root.first("eMedications.MedicationGroup")
    assert group is not None
    assert group.attribute("CorrelationID") == "drug E1"
    assert any("not confirmed" in line for line in made.remarks) == (status != "confirmed")


@pytest.mark.parametrize("status", ["rejected", "amended"])
def test_what_was_taken_back_is_listed_and_in_no_group(status: str) -> None:
    made = one(sign("heart_rate", "90", "/min"), status)
    assert texts(made, "eVitals.10") == []
    assert any(line.startswith("E1 heart rate") and "taken back" in line for line in made.remarks)


def test_the_document_says_which_case_heads_and_versions_made_it() -> None:
    record = talked("pulse ninety")
    made = document(record)
    (origin,) = [node.text for node in made.root.all("eCustomResults.01") if node.text.startswith("case ")]
    for part in (record.origin.head, "ab12", "talk.voicelog", "recorded with voicelog 0.1.0"):
        assert part in origin
        assert part in made.text.split("<EMSDataSet")[0]


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_is_valid_and_every_event_is_in_it_or_listed(name: str) -> None:
    record = sample(name)
    _each_is_told(record, document(record))


@settings(max_examples=80, deadline=None)
@given(events(), st.sampled_from(STATUSES))
def test_every_event_in_every_standing_is_valid_and_in_it_or_listed(event: Event, status: str) -> None:
    record = case_of((event, status, ("out_of_range",)))
    _each_is_told(record, document(record))


def placed(made: NemsisDocument) -> set[str]:
    """The events that stand in a group or an element, as voicelog.Status says."""
    groups = [group.children for group in made.root.all("eCustomResults.ResultsGroup")]
    said = [" ".join(node.text for node in nodes) for nodes in groups if nodes[1].text == "voicelog.Status"]
    return {word for line in said for word in line.replace(":", " ").split()}


def said_apart_from_words(event: Event) -> tuple[Any, ...]:
    """What a document says of one event outside the words that hold all of it."""
    record = case_of((event, "confirmed", ()))
    made = nemsis_document(record, rxnorm(), now=NOW)
    (recorded,) = record.state.events
    listed = {line.removeprefix(told(recorded)) for line in made.remarks}
    groups = ("eTimes", "ePatient", "eSituation", "eHistory", "eVitals", "eExam", "eMedications", "eProcedures")
    return listed, [made.root.first(name) for name in groups]


OPTIONAL = (
    *("unit", "diastolic", "palpated", "rhythm", "quality", "oxygen", "dose", "volume_ml", "concentration", "route"),
    *("site", "level", "total", "eye", "verbal", "motor", "left_mm", "right_mm", "equal", "reactive", "appearance"),
    *("sound", "side", "description", "flow_lpm", "device", "energy_j", "gauge"),
    *("age", "sex", "weight_kg", "complaint", "allergy", "history"),
)


@settings(max_examples=150, deadline=None)
@given(events())
def test_no_part_of_an_event_is_dropped_silently(event: Event) -> None:
    """Without any one of its fields, an event that has a place in the document would read differently."""
    record = case_of((event, "confirmed", ()))
    made = nemsis_document(record, rxnorm(), now=NOW)
    if "E1" not in placed(made):
        return
    whole = said_apart_from_words(event)
    # Oxygen without a device is a drug by its flow, and its procedure is listed as a whole.
    if any("no code of the defined list" in why for why in whole[0]):
        return
    for name in OPTIONAL:
        if getattr(event, name, None) is not None and name != "unit":
            assert said_apart_from_words(event.model_copy(update={name: None})) != whole, name


def _each_is_told(record: CaseRecord, made: NemsisDocument) -> None:
    (narrative,) = texts(made, "eNarrative.01")
    told_of = placed(made) | {line.split()[0] for line in made.remarks}
    for recorded in record.state.events:
        assert f" {recorded.id} " in narrative
        assert recorded.id in told_of


def test_text_that_xml_or_a_comment_cannot_hold_is_made_safe() -> None:
    hostile = Patient(complaint="a --> b & <c> \x0b")
    record = case_of((hostile, "confirmed", ()), (Patient(history="x--y-"), "confirmed", ()))
    made = document(record)
    assert texts(made, "eSituation.04")
    assert "a --> b" not in made.text.split("<EMSDataSet")[0].replace(" -->\n", "")


def section(name: str, text: str = "", **attributes: str) -> Node:
    return Node(name, text, tuple(attributes.items()))


def times(**moments: str) -> Node:
    day = "2026-03-04T"
    return Node("eTimes", children=tuple(Node(f"eTimes.{n[1:]}", f"{day}{t}+00:00") for n, t in moments.items()))


def group(kind: str, **elements: str) -> Node:
    names = {"vital": ("eVitals", "VitalGroup"), "drug": ("eMedications", "MedicationGroup")}
    prefix, name = names[kind]
    children = tuple(Node(f"{prefix}.{number[1:]}", text) for number, text in elements.items())
    return Node(f"{prefix}.{name}", children=children)


AT = "2026-03-04T10:30:00+00:00"


# Rules of EMSDataSet.sch, 3.5.1.250403CP1.
@pytest.mark.parametrize(
    ("nodes", "rule"),
    [
        ([section("eVitals.10")], "e001"),
        ([section("eVitals.10", "90", NV="7701003")], "e002"),
        ([section("eMedications.03", "", PN="8801019")], "e006"),
        ([section("eProcedures.03", "", PN="8801019")], "e007"),
        ([section("eVitals.10", "90", PN="8801019")], "e008"),
        ([times(_05="10:10:00", _06="10:05:00")], "e017-e055"),
        ([times(_13="23:59:00")], "e056"),
        ([group("vital", _10="90")], "e125"),
        ([times(_03="10:31:00"), group("vital", _01=AT)], "e126"),
        ([times(_07="10:31:00"), group("vital", _01=AT)], "e127"),
        ([times(_12="10:29:00"), group("vital", _01=AT)], "e128"),
        ([times(_13="10:29:00"), group("vital", _01=AT)], "e129"),
        ([times(_07="10:29:00"), group("vital", _01=AT, _02="9923003")], "e130"),
        ([times(_03="10:31:00"), group("drug", _01=AT)], "e137"),
        ([section("eVitals.16", "45")], "e134"),
        ([section("eVitals.16", "45.5", ETCO2Type="3340001")], "e133"),
        ([section("eVitals.16", "101", ETCO2Type="3340005")], "e132"),
        ([section("eVitals.16", "101", ETCO2Type="3340003")], "e131"),
        ([Node("eVitals.VitalGroup", children=(Node("eVitals.22", "3322003"), Node("eVitals.22", "3322009")))], "e135"),
        ([group("drug", _01=AT, _05="2")], "e142"),
        ([group("drug", _01=AT, _03="7242")], "e146"),
        ([group("drug", _01=AT, _03="7242")], "e147"),
        ([group("drug", _01=AT, _03="7242")], "e148"),
        ([group("drug", _01=AT, _03="7242")], "e150"),
        ([group("drug", _01=AT, _03="epi")], "e143"),
        (
            [
                Node(
                    "eMedications.MedicationGroup",
                    children=(section("eMedications.03", "12345678", CodeType="9924003"),),
                )
            ],
            "e143",
        ),
        ([group("drug", _01=AT, _03="7242", _05="0")], "own"),
        ([group("drug", _01=AT, _03="7242", _05="-1")], "own"),
    ],
)
def test_the_rules_find(nodes: list[Node], rule: str) -> None:
    root = Node("EMSDataSet", children=tuple(nodes))
    now = datetime(2026, 3, 4, 12, tzinfo=UTC)
    assert rule in {finding.rule for finding in rule_findings(root, now)}


def test_the_rules_let_a_sound_document_pass() -> None:
    sound = [
        times(_03="10:00:00", _05="10:01:00", _07="10:10:00", _13="11:00:00"),
        group("vital", _01=AT, _02="9923001", _10="90"),
        group("drug", _01=AT, _02="9923001", _03="7242", _04="9927017", _05="2", _06="3706021", _10="9905007"),
        pertinent("eHistory.06", "8801013"),
        absent("eVitals.12"),
    ]
    assert rule_findings(Node("EMSDataSet", children=tuple(sound)), NOW) == []


def test_a_broken_rule_of_the_error_kind_stops_the_document() -> None:
    record = talked("pulse ninety")
    spoiled = replace(record, origin=replace(record.origin, exported_with=""))
    with pytest.raises(ExportError, match=r"eRecord\.04 is empty"):
        nemsis_document(spoiled, {}, now=NOW)


def test_a_layout_gives_its_order_its_groups_and_leaves_out_what_may_be() -> None:
    (made,) = laid_out("eX(01-02 G(03) 04? H?(05?))", {"eX.02": [Node("eX.02", "v")]})
    assert [child.name for child in made.children] == ["eX.01", "eX.02", "eX.G"]
    assert made.children[0] == absent("eX.01")


def test_a_document_that_breaks_the_schema_is_refused_with_its_place() -> None:
    made = nemsis_document(talked("pulse ninety"), {}, {"eResponse.05": "nonsense"}, now=NOW)
    with pytest.raises(ExportError, match=r"line \d+: .*eResponse.05"):
        check_schema(made.text, schema(schemas()))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("<eVitals.10>90<", "<eVitals.10>JOHN<", "Element 'eVitals.10' breaks the type of its value"),
        ("<eVitals.10>90<", "<eVitals.10>9000<", "Element 'eVitals.10' breaks the facet maxInclusive"),
        ("<eVitals.10>90</eVitals.10>", "<JOHN/>", "This element is not expected"),
    ],
)
def test_what_the_schema_refuses_is_told_without_the_value(old: str, new: str, said: str) -> None:
    text = nemsis_document(talked("pulse ninety"), {}, {}, now=NOW).text
    assert old in text
    with pytest.raises(ExportError, match=said) as refused:
        check_schema(text.replace(old, new), schema(schemas()))
    assert new == "<JOHN/>" or "JOHN" not in refused.value.message
    assert "9000" not in refused.value.message


def test_a_folder_without_the_schemas_is_told(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"no EMSDataSet_v3.xsd"):
        load_schema(tmp_path)
    (tmp_path / "EMSDataSet_v3.xsd").write_text("<not-a-schema/>")
    with pytest.raises(ExportError, match="Cannot use"):
        load_schema(tmp_path)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("= 3", "Cannot read"),
        ('"eVitals.10" = "90"', "not an element that details give"),
        ('"eResponse.14" = 7', "not a text"),
        ('"eTimes.03" = " "', "not a text"),
    ],
)
def test_details_that_cannot_be_used_are_told(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "details.toml"
    path.write_text(text)
    with pytest.raises(ExportError, match=named):
        read_details(path)


def test_details_are_read(tmp_path: Path) -> None:
    path = tmp_path / "details.toml"
    path.write_text("\n".join(f'"{name}" = "x"' for name in (*PLACEHOLDERS, *ALSO)))
    assert set(read_details(path)) == {*PLACEHOLDERS, *ALSO}
    assert read_details(None) == {}
