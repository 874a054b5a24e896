"""Drugs as eMedications groups and procedures as eProcedures groups."""

from __future__ import annotations

from decimal import Decimal

from voicelog.casefile.state import RecordedEvent
from voicelog.events import Medication, Procedure
from voicelog.exports.codes import BAG_CODES, BLOOD_CODES, OXYGEN_CODES, PROCEDURE_CODES, STRENGTH_CODES
from voicelog.exports.nemsis_codes import (
    ACCESS_SITES,
    DOSE_LIMITS,
    DOSE_UNITS,
    NO,
    OTHER_UNIT,
    OXYGEN_ROUTES,
    ROUTES,
    RXNORM_TYPE,
    SNOMED_TYPE,
)
from voicelog.exports.nemsis_parts import Mapped
from voicelog.exports.nemsis_xml import Node, laid_out

DRUGS, ACTS = "eMedications.MedicationGroup", "eProcedures.ProcedureGroup"
_DRUG = "eMedications(01-04 DosageGroup(05 06) 07 08 10)"
_ACT = "eProcedures(01-03 04? 05-08 10 13?)"
# RxCUI of oxygen. Source: NEMSIS 3.5.1 DefinedLists/Medication/Medication.csv.
_OXYGEN = "7806"


def add_medication(mapped: Mapped, recorded: RecordedEvent, event: Medication) -> None:
    """A drug that was given; all else is listed, since eMedications says what the patient got."""
    if event.action == "not_given":
        mapped.remark(recorded, "eMedications.03 takes a drug not given only with the reason, and none was said")
        return
    if event.action != "given":
        mapped.remark(recorded, f"eMedications has no element for a drug {event.action}")
        return
    drug = _drug_code(mapped, recorded, event)
    if drug is None:
        mapped.remark(recorded, "no code is known for the drug, so it stands in the narrative only")
        return
    amount, unit = event.dose, event.unit
    if amount is None:
        amount, unit = event.volume_ml, "mL"
    elif event.volume_ml is not None:
        mapped.remark(recorded, f"eMedications.05 takes one amount: the volume of {event.volume_ml:f} mL is left out")
    if event.site:
        mapped.remark(recorded, f"eMedications has no element for the site {event.site!r}")
    for name in ("lot", "expiry", "appearance", "checked_by", "witness"):
        value = getattr(event, name)
        if value:
            mapped.remark(recorded, f"no element is mapped for the {name.replace('_', ' ')} {value!r}")
    _add_drug(mapped, recorded, drug, mapped.coded(recorded, "eMedications.04", event.route, ROUTES), amount, unit)


def _add_drug(
    mapped: Mapped, recorded: RecordedEvent, drug: Node, route: Node | None, amount: Decimal | None, unit: str | None
) -> None:
    dose = None if amount is None else mapped.number(recorded, amount, DOSE_LIMITS)
    values = {
        "eMedications.01": [mapped.time(recorded, "eMedications.01")],
        "eMedications.02": [Node("eMedications.02", NO)],
        "eMedications.03": [drug],
    }
    if route:
        values["eMedications.04"] = [route]
    if dose:
        code = DOSE_UNITS.get(unit or "", OTHER_UNIT)
        if code == OTHER_UNIT:
            mapped.remark(recorded, f"eMedications.06 has no code for the unit {unit or 'that was not said'}: Other")
        values |= {dose.name: [dose], "eMedications.06": [Node("eMedications.06", code)]}
    _add_group(mapped, recorded, DRUGS, _DRUG, values)


def _drug_code(mapped: Mapped, recorded: RecordedEvent, event: Medication) -> Node | None:
    strength = (event.drug, event.concentration or "")
    code = STRENGTH_CODES.get(strength) or BAG_CODES.get(strength)
    if code:
        return Node("eMedications.03", code.code, (("CodeType", RXNORM_TYPE),))
    if event.drug in BLOOD_CODES:
        return Node("eMedications.03", BLOOD_CODES[event.drug].code, (("CodeType", SNOMED_TYPE),))
    ingredient = mapped.rxnorm.get(event.drug)
    if ingredient is None:
        return None
    if event.drug in {drug for drug, _ in STRENGTH_CODES}:
        mapped.remark(recorded, "the defined list codes this drug by concentration, and none of those was said")
    if event.concentration:
        mapped.remark(recorded, f"eMedications has no element for the concentration {event.concentration}")
    return Node("eMedications.03", ingredient, (("CodeType", RXNORM_TYPE),))


def add_procedure(mapped: Mapped, recorded: RecordedEvent, event: Procedure) -> None:
    """An act that was begun or done; its end and its resumption have no element and are listed."""
    if event.action in ("stopped", "resumed"):
        mapped.remark(recorded, f"eProcedures has no element for a procedure {event.action}")
        return
    if event.procedure == "oxygen" and event.flow_lpm is not None:
        oxygen = Node("eMedications.03", _OXYGEN, (("CodeType", RXNORM_TYPE),))
        route = mapped.coded(recorded, "eMedications.04", event.device, OXYGEN_ROUTES)
        _add_drug(mapped, recorded, oxygen, route, event.flow_lpm, "L/min")
    code = OXYGEN_CODES.get(event.device or "") if event.procedure == "oxygen" else PROCEDURE_CODES.get(event.procedure)
    if code is None:
        mapped.remark(recorded, "no code of the defined list says exactly this procedure")
        return
    values = {
        "eProcedures.01": [mapped.time(recorded, "eProcedures.01")],
        "eProcedures.02": [Node("eProcedures.02", NO)],
        "eProcedures.03": [Node("eProcedures.03", code.code)],
    }
    if event.gauge is not None:
        values["eProcedures.04"] = [Node("eProcedures.04", f"{event.gauge} gauge"[:20])]
    access = event.procedure in ("intravenous_access", "intraosseous_access")
    site = mapped.coded(recorded, "eProcedures.13", event.site, ACCESS_SITES if access else {})
    if site:
        values["eProcedures.13"] = [site]
    if event.energy_j is not None:
        mapped.remark(recorded, "eProcedures has no element for the energy")
    if event.procedure != "oxygen" and event.flow_lpm is not None:
        mapped.remark(recorded, "eProcedures has no element for a flow")
    if event.procedure != "oxygen" and event.device:
        mapped.remark(recorded, f"eProcedures has no element for the device {event.device.replace('_', ' ')!r}")
    _add_group(mapped, recorded, ACTS, _ACT, values)


def _add_group(mapped: Mapped, recorded: RecordedEvent, name: str, layout: str, values: dict[str, list[Node]]) -> None:
    kind = "drug" if name == DRUGS else "procedure"
    link = f"{kind} {recorded.id}"[:255].replace(".", "_")
    (section,) = laid_out(layout, values)
    mapped.add(name, Node(name, attributes=(("CorrelationID", link),), children=section.children))
    mapped.standings.append((link, recorded.status))


def empty_drug() -> Node:
    """A group in which nothing was recorded, for a case without drugs."""
    (section,) = laid_out(_DRUG, {})
    return Node(DRUGS, children=section.children)


def empty_act() -> Node:
    """A group in which nothing was recorded, for a case without procedures."""
    (section,) = laid_out(_ACT, {})
    return Node(ACTS, children=section.children)
