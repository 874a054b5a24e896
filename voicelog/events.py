"""The typed events a record is made of: frozen, closed, Decimal values, UCUM units, aware datetimes."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, model_validator

Sign = Literal[
    "blood_pressure",
    "heart_rate",
    "respiratory_rate",
    "oxygen_saturation",
    "end_tidal_co2",
    "blood_glucose",
    "temperature",
    "pain_score",
]
Route = Literal[
    "oral",
    "sublingual",
    "intranasal",
    "intramuscular",
    "intravenous",
    "intraosseous",
    "subcutaneous",
    "nebulized",
    "inhaled",
    "rectal",
    "transdermal",
]
DrugAction = Literal["given", "prepared", "wasted", "kept", "not_given"]
Appearance = Literal["clear", "not_clear", "cloudy", "discolored", "particles"]
Finding = Literal[
    "responsiveness",
    "glasgow_coma_scale",
    "pupils",
    "breath_sounds",
    "skin",
    "cardiac_rhythm",
    "airway",
    "general",
]
ProcedureName = Literal[
    "bag_valve_mask_ventilation",
    "oropharyngeal_airway",
    "nasopharyngeal_airway",
    "supraglottic_airway",
    "endotracheal_tube",
    "oxygen",
    "suction",
    "cardiopulmonary_resuscitation",
    "defibrillation",
    "intravenous_access",
    "intraosseous_access",
    "twelve_lead_ecg",
    "immobilization",
    "tourniquet",
]
MilestoneName = Literal[
    "dispatched",
    "en_route",
    "on_scene",
    "patient_contact",
    "departed_scene",
    "at_destination",
    "transferred",
]


class _Closed(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Evidence(_Closed):
    """The words one field came from. Times are seconds on the recording's sample clock, null for typed words."""

    words: str
    """The words as heard, in order."""
    start: Decimal | None = None
    """Start of the first word, seconds."""
    end: Decimal | None = None
    """End of the last word, seconds."""
    repair: str | None = None
    """What the parser mended, such as ``hart -> heart``; null when the words matched exactly."""


class _Event(_Closed):
    stated_time: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] | None = None
    """Clock time as spoken, HH:MM, 24-hour."""
    occurred_at: AwareDatetime | None = None
    """When it happened: the stated time if one was spoken, else when it was heard."""
    heard_at: AwareDatetime | None = None
    """When the callout was heard."""
    evidence: dict[str, Evidence] = Field(default_factory=dict)
    """Field name to the words it came from."""


class VitalSign(_Event):
    """One measurement. Blood pressure uses systolic and diastolic (mm[Hg]); every other sign uses value."""

    kind: Literal["vital_sign"] = "vital_sign"
    sign: Sign
    value: Decimal | None = None
    systolic: int | None = None
    diastolic: int | None = None
    palpated: bool | None = None
    """True when the pressure was taken by palpation; diastolic is then null."""
    unit: str | None = None
    """UCUM: mm[Hg], /min, %, mg/dL, mmol/L, Cel, [degF], kPa, {score}."""
    rhythm: str | None = None
    quality: str | None = None
    oxygen: Literal["room_air", "supplemental"] | None = None

    @model_validator(mode="after")
    def _value_fits_sign(self) -> VitalSign:
        if self.sign == "blood_pressure" and (self.systolic is None or self.value is not None):
            raise ValueError("a blood pressure has systolic and no value")
        if self.sign != "blood_pressure" and (self.value is None or self.systolic is not None):
            raise ValueError(f"{self.sign} has a value and no systolic")
        return self


class Medication(_Event):
    """One act with a drug. Dose and volume are what was drawn, given or wasted, per action."""

    kind: Literal["medication"] = "medication"
    drug: str
    """Generic name, as in the formulary."""
    dose: Decimal | None = None
    unit: str | None = None
    """UCUM: mg, ug, g, mL, meq, [U], L/min, mg/kg, ug/kg, {puff}, {spray}, {tablet}."""
    volume_ml: Decimal | None = None
    concentration: str | None = None
    """As said, normalised: ``1 mg/mL``, ``10 %``."""
    route: Route | None = None
    site: str | None = None
    action: DrugAction = "given"
    """``wasted`` and ``kept`` tell what became of the rest of a vial."""
    lot: str | None = None
    """Lot number as on the label, capitals and figures."""
    expiry: str | None = None
    """As on the label: ``2027-03``, or ``2027-03-31`` where a day was said."""
    appearance: Appearance | None = None
    """What the solution looked like."""
    checked_by: str | None = None
    """Role, never a name, of the second person who checked it, as said: ``partner``."""
    witness: str | None = None
    """Role, never a name, of who saw the rest wasted or kept, as said."""


class Assessment(_Event):
    """One finding on examination; only the fields of its kind are set."""

    kind: Literal["assessment"] = "assessment"
    finding: Finding
    level: Literal["alert", "verbal", "pain", "unresponsive"] | None = None
    total: int | None = None
    eye: int | None = None
    verbal: int | None = None
    motor: int | None = None
    left_mm: Decimal | None = None
    right_mm: Decimal | None = None
    equal: bool | None = None
    reactive: bool | None = None
    appearance: str | None = None
    sound: str | None = None
    side: Literal["left", "right", "both"] | None = None
    description: str | None = None
    """The finding in listed terms, for skin, cardiac rhythm, airway and general."""


class Procedure(_Event):
    """One act on the patient that is not a drug."""

    kind: Literal["procedure"] = "procedure"
    procedure: ProcedureName
    action: Literal["started", "stopped", "resumed", "done"] = "done"
    flow_lpm: Decimal | None = None
    device: str | None = None
    energy_j: int | None = None
    gauge: int | None = None
    site: str | None = None


class Patient(_Event):
    """Something about the patient; only what was said is set."""

    kind: Literal["patient"] = "patient"
    age: int | None = None
    age_unit: Literal["year", "month", "day"] | None = None
    sex: Literal["female", "male"] | None = None
    weight_kg: Decimal | None = None
    complaint: str | None = None
    allergy: str | None = None
    history: str | None = None
    pregnant: bool | None = None


class Milestone(_Event):
    """A point in the course of the call."""

    kind: Literal["milestone"] = "milestone"
    milestone: MilestoneName


class Remark(_Event):
    """A free note, kept as words and marked as unparsed."""

    kind: Literal["remark"] = "remark"
    text: str


Event = Annotated[
    VitalSign | Medication | Assessment | Procedure | Patient | Milestone | Remark, Field(discriminator="kind")
]

_ADAPTER: TypeAdapter[Event] = TypeAdapter(Event)
_BOOKKEEPING = {"evidence", "heard_at", "occurred_at"}


def event_from(fields: dict[str, Any]) -> Event:
    """Build the event that ``fields["kind"]`` names.

    Raises:
        pydantic.ValidationError: for unknown fields, values outside the closed sets or a missing value.
    """
    return _ADAPTER.validate_python(fields)


def event_fields(event: Event) -> dict[str, Any]:
    """What the event says: its set fields without evidence and clock bookkeeping, for comparison and display."""
    dumped = event.model_dump(exclude=_BOOKKEEPING)
    return {name: value for name, value in dumped.items() if value is not None}


def placed_in_time(event: Event, heard_at: datetime, occurred_at: datetime) -> Event:
    """The same event with its clock times set."""
    return event.model_copy(update={"heard_at": heard_at, "occurred_at": occurred_at})
