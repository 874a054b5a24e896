"""The small pieces that FHIR resources are made of: concepts, quantities, references, notes, extensions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from voicelog.casefile.state import RecordedEvent
from voicelog.exports.codes import UCUM, UNITS, Code
from voicelog.exports.source import CaseRecord, entry_of, happened, plain_text, portable, told

Json = dict[str, Any]
"""One JSON object; numbers are int or Decimal, never float."""

OURS = "urn:x-voicelog:"
"""What the names of our own extensions and identifiers begin with."""
DATA_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
OBSERVATION_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
_ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"

OBSERVATION_STATUS = {
    "confirmed": "final",
    "unconfirmed": "preliminary",
    "proposed": "preliminary",
    "rejected": "entered-in-error",
    "amended": "entered-in-error",
}
"""Where an event stands to Observation.status: what nobody confirmed may be unverified, which is ``preliminary``."""


@dataclass(frozen=True)
class Place:
    """What every resource of one bundle shares."""

    record: CaseRecord
    """The case."""
    rxnorm: Mapping[str, str]
    """Generic drug name to the RxNorm code of the ingredient."""

    def uri(self, part: str) -> str:
        """The name of a resource: the same in every export of this case."""
        return uuid5(NAMESPACE_URL, f"{OURS}{self.record.origin.case_id}/{part}").urn

    def reference(self, part: str) -> Json:
        """A reference to a resource of this bundle."""
        return {"reference": self.uri(part)}

    def frame(self, kind: str, recorded: RecordedEvent, part: str = "") -> Json:
        """A resource that holds an event or a part of it: its name, where it came from and where it stands."""
        name = f"{recorded.id}/{part}" if part else recorded.id
        return {
            "resourceType": kind,
            "id": self.uri(name).removeprefix("urn:uuid:"),
            "extension": standing(recorded),
            "identifier": [{"system": f"{OURS}event", "value": plain_text(f"{self.record.origin.case_id}/{name}")}],
        }

    def time(self, recorded: RecordedEvent) -> str:
        """When the event happened, as a FHIR dateTime."""
        return fhir_time(happened(self.record, recorded))

    def entered(self, recorded: RecordedEvent) -> str:
        """When the event was entered, as a FHIR instant."""
        return fhir_time(portable(entry_of(self.record, recorded).at))


def fhir_time(moment: datetime) -> str:
    """A FHIR dateTime or instant, with seconds and offset."""
    return moment.isoformat()


def standing(recorded: RecordedEvent) -> list[Json]:
    """Where an event stands, in the words of the record, and what the checks found."""
    flags = [extension("flag", "String", plain_text(flag)) for flag in recorded.flags]
    return [extension("record-status", "Code", recorded.status), *flags]


def extension(name: str, kind: str, value: Any) -> Json:
    """One of our own extensions; ``kind`` is the type of its value, such as ``String``."""
    return {"url": f"{OURS}{name}", f"value{kind}": value}


def concept(text: str, *codes: Code) -> Json:
    """A CodeableConcept; without codes, words only."""
    coding = [{"system": code.system, "code": code.code} for code in codes]
    return {**({"coding": coding} if coding else {}), "text": plain_text(text)}


def quantity(value: Decimal | int, unit: str | None) -> Json:
    """A Quantity with the value's own digits; coded where UCUM has a code for the unit."""
    if unit is None:
        return {"value": value}
    known = UNITS.get(unit)
    if known is None or known.ucum is None:
        return {"value": value, "unit": known.printed if known else plain_text(unit)}
    return {"value": value, "unit": known.printed, "system": UCUM, "code": known.ucum}


def notes(recorded: RecordedEvent) -> list[Json]:
    """The whole event in words, for what no element holds and for people."""
    return [{"text": told(recorded)}]


def absent(reason: str = "unknown") -> Json:
    """A dataAbsentReason."""
    return {"coding": [{"system": DATA_ABSENT, "code": reason}]}


def absent_quantity() -> Json:
    """A quantity that must stand but was not said."""
    return {"extension": [{"url": _ABSENT_EXTENSION, "valueCode": "unknown"}]}


def observation_status(recorded: RecordedEvent) -> str:
    """Observation.status; a confirmed correction is ``amended``, what it replaces ``entered-in-error``."""
    if recorded.status == "confirmed" and recorded.amends:
        return "amended"
    return OBSERVATION_STATUS[recorded.status]
