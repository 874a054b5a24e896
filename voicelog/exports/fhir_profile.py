"""What a bundle must keep that a library of FHIR types does not check: value sets, invariants, units, references.

Names in brackets are those of the standard's own invariants. Value sets and invariants are from memory of
hl7.org/fhir/R4B; the units of each code stand in ``codes.py`` with their sources.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from voicelog.exports.codes import LOINC, UCUM, UNITS, UNITS_OF_CODE

_EVENT = {"preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown"}
STATUS = {
    "Observation": {
        "registered",
        "preliminary",
        "final",
        "amended",
        "corrected",
        "cancelled",
        "entered-in-error",
        "unknown",
    },
    "MedicationAdministration": _EVENT - {"preparation"},
    "Procedure": _EVENT,
    "Encounter": {
        "planned",
        "arrived",
        "triaged",
        "in-progress",
        "onleave",
        "finished",
        "cancelled",
        "entered-in-error",
        "unknown",
    },
}
"""Resource to the codes its status may have."""
REQUIRED = {
    "Bundle": ("type",),
    "Observation": ("status", "code"),
    "MedicationAdministration": ("status", "medicationCodeableConcept", "subject", "effectiveDateTime"),
    "Procedure": ("status", "subject"),
    "Provenance": ("target", "recorded", "agent"),
    "Encounter": ("status", "class"),
    "AllergyIntolerance": ("patient",),
    "Condition": ("subject",),
}
"""Resource to the elements it must have."""
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)")
_TIMES = ("effectiveDateTime", "issued", "recorded", "timestamp", "performedDateTime", "recordedDate", "valueDateTime")
_NUMBERS = ("value", "valueDecimal", "valueInteger", "valuePositiveInt")
_UCUM_CODES = {unit.ucum for unit in UNITS.values() if unit.ucum}
_CONTROLS = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")

Json = dict[str, Any]


def profile_problems(bundle: Json) -> list[str]:
    """Everything a bundle does against the rules, a phrase each with the place; empty when it may be written."""
    found = [*_required("Bundle", bundle)]
    if bundle.get("type") != "collection":
        found.append("Bundle.type: not collection")
    names = Counter(entry.get("fullUrl") for entry in bundle.get("entry", []))
    found += [f"Bundle.entry.fullUrl: {name} stands twice [bdl-7]" for name, times in names.items() if times > 1]
    for entry in bundle.get("entry", []):
        resource = entry.get("resource", {})
        kind = str(resource.get("resourceType"))
        rules = {"Observation": _observation, "MedicationAdministration": _administration}
        rules |= {"AllergyIntolerance": _allergy, "Provenance": _provenance}
        found += [f"{kind}.{line}" for line in _required("", resource, kind)]
        found += [f"{kind}.{line}" for line in rules.get(kind, _no_rule)(resource)]
    found += [f"{where}: {line}" for where, line in _everywhere("Bundle", bundle, set(names))]
    return found


def _no_rule(resource: Json) -> Iterator[str]:
    yield from ()


def _required(prefix: str, resource: Json, kind: str = "Bundle") -> Iterator[str]:
    for name in REQUIRED.get(kind, ()):
        if name not in resource:
            yield f"{prefix}{name}: missing"
    statuses = STATUS.get(kind)
    if statuses and resource.get("status") not in statuses:
        yield f"status: {resource.get('status')!r} is not of its value set"


def _observation(resource: Json) -> Iterator[str]:
    values = _values(resource)
    components = resource.get("component", [])
    if len(values) > 1:
        yield "value[x]: more than one"
    if values and "dataAbsentReason" in resource:
        yield "dataAbsentReason: stands beside a value [obs-6]"
    codes = _loinc(resource)
    for part in components:
        if _values(part) and "dataAbsentReason" in part:
            yield "component.dataAbsentReason: stands beside a value [obs-6]"
        if codes & _loinc(part) and values:
            yield "component.code: is the code of the Observation, which has a value [obs-7]"
        yield from (f"component.{line}" for line in _unit(part))
    yield from _unit(resource)
    if "vital-signs" not in _categories(resource):
        return
    if not _TIME.fullmatch(str(resource.get("effectiveDateTime", ""))):
        yield "effective[x]: a vital sign needs at least a day [vs-1]"
    if not values and "dataAbsentReason" not in resource and not components:
        yield "value[x]: a vital sign needs a value or a reason for its absence [vs-2]"
    for part in components:
        if not _values(part) and "dataAbsentReason" not in part:
            yield "component.value[x]: needs a value or a reason for its absence [vs-3]"
    if "85354-9" in codes:
        said = {code for part in components for code in _loinc(part)}
        for needed in sorted({"8480-6", "8462-4"} - said):
            yield f"component: a blood pressure needs {needed} [blood pressure profile]"
    if "59408-5" in codes and "2708-6" not in codes:
        yield "code: an oxygen saturation needs 2708-6 [oxygen saturation profile]"


def _administration(resource: Json) -> Iterator[str]:
    dosage = resource.get("dosage")
    if dosage is not None and not {"dose", "rateQuantity", "rateRatio"} & set(dosage):
        yield "dosage: has neither dose nor rate[x] [mad-1]"


def _allergy(resource: Json) -> Iterator[str]:
    states = {coding.get("code") for coding in resource.get("verificationStatus", {}).get("coding", [])}
    if "entered-in-error" in states and "clinicalStatus" in resource:
        yield "clinicalStatus: stands on an error [ait-2]"
    if "entered-in-error" not in states and "clinicalStatus" not in resource:
        yield "clinicalStatus: missing [ait-1]"


def _provenance(resource: Json) -> Iterator[str]:
    if not resource.get("target"):
        yield "target: empty"
    for agent in resource.get("agent", []):
        if "who" not in agent:
            yield "agent.who: missing"
    for entity in resource.get("entity", []):
        if entity.get("role") not in {"derivation", "revision", "quotation", "source", "removal"}:
            yield f"entity.role: {entity.get('role')!r} is not of its value set"


def _everywhere(where: str, value: Any, names: set[Any]) -> Iterator[tuple[str, str]]:
    """Rules that hold for every element."""
    if isinstance(value, dict):
        if not value:
            yield where, "empty object [ele-1]"
        yield from ((where, line) for line in _element(value, names))
        for name, item in value.items():
            yield from _everywhere(f"{where}.{name}", item, names)
    elif isinstance(value, list):
        if not value:
            yield where, "empty array"
        for item in value:
            yield from _everywhere(where, item, names)
    elif isinstance(value, float) or (isinstance(value, Decimal) and not value.is_finite()):
        yield where, f"{value!r} is not an exact number"
    elif isinstance(value, str) and (not value.strip() or _CONTROLS.search(value)):
        yield where, "blank text, or control characters in it"


def _element(element: Json, names: set[Any]) -> Iterator[str]:
    if "url" in element and len(_values(element)) + ("extension" in element) != 1:
        yield "an extension has one value or extensions of its own [ext-1]"
    reference = element.get("reference")
    if reference is not None and reference not in names:
        yield f"reference {reference} leads nowhere"
    for name in _TIMES:
        if name in element and not _TIME.fullmatch(str(element[name])):
            yield f"{name}: {element[name]!r} is no time with seconds and offset"
    if "unit" in element or ("code" in element and "value" in element):
        for name in _NUMBERS:
            if name in element and not _is_number(element[name]):
                yield f"{name}: {element[name]!r} is not a number"
        if "code" in element and (element.get("system") != UCUM or element["code"] not in _UCUM_CODES):
            yield f"unit: {element['code']!r} is not a UCUM code of the record"
    for name in ("valueDecimal", "valueInteger", "valuePositiveInt"):
        if name in element and not _is_number(element[name]):
            yield f"{name}: {element[name]!r} is not a number"


def _unit(element: Json) -> Iterator[str]:
    """A quantity has a unit that its LOINC code allows."""
    quantity = element.get("valueQuantity")
    if quantity is None:
        return
    if not _is_number(quantity.get("value")):
        yield f"valueQuantity.value: {quantity.get('value')!r} is not a number"
    for code in sorted(_loinc(element) & UNITS_OF_CODE.keys()):
        if quantity.get("code") not in UNITS_OF_CODE[code]:
            yield f"valueQuantity.code: {quantity.get('code')!r} is no unit of {code}"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool)


def _values(element: Json) -> list[str]:
    return [name for name in element if re.fullmatch("value[A-Z][A-Za-z]*", name)]


def _loinc(element: Json) -> set[str]:
    return {coding["code"] for coding in element.get("code", {}).get("coding", []) if coding.get("system") == LOINC}


def _categories(resource: Json) -> set[str]:
    return {coding.get("code", "") for item in resource.get("category", []) for coding in item.get("coding", [])}
