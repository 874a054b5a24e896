"""What voicelog says aloud: short, numbers digit by digit, units in full, never an abbreviation that can be misheard.

Wording rules: ISMP and Joint Commission lists of error-prone designations (no trailing zero on a dose, always a leading
zero, "micrograms" in full); digit by digit so that fifteen and fifty cannot be confused (ISMP verbal-order guidance and
WHO Patient Safety Solutions 3, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal

from voicelog.events import Assessment, Event, Medication, Milestone, Patient, Procedure, Remark, VitalSign
from voicelog.grammar.numbers import MONTHS, ORDINALS, TENS
from voicelog.parse.result import Draft, Question

_DIGIT = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
# The spelling alphabet of ICAO Annex 10 Vol. II 5.2.1.3, from memory: single letters sound alike.
_ALPHABET = (
    "alfa bravo charlie delta echo foxtrot golf hotel india juliett kilo lima mike november oscar papa quebec romeo "
    "sierra tango uniform victor whiskey x-ray yankee zulu"
)
_LETTERS = {word[0]: word for word in _ALPHABET.split()}
_SPOKEN = frozenset(_LETTERS) | frozenset("0123456789")
_UNITS = {
    "mg": ("milligram", "milligrams"),
    "ug": ("microgram", "micrograms"),
    "g": ("gram", "grams"),
    "mL": ("milliliter", "milliliters"),
    "L": ("liter", "liters"),
    "meq": ("milliequivalent", "milliequivalents"),
    "mmol": ("millimole", "millimoles"),
    "[U]": ("unit", "units"),
    "{puff}": ("puff", "puffs"),
    "{spray}": ("spray", "sprays"),
    "{tablet}": ("tablet", "tablets"),
    "{drop}": ("drop", "drops"),
    "kg": ("kilogram", "kilograms"),
    "min": ("minute", "minutes"),
    "h": ("hour", "hours"),
    "%": ("percent", "percent"),
    "mm[Hg]": ("", ""),
    "/min": ("", ""),
    "{score}": ("", ""),
    "mg/dL": ("milligrams per deciliter", "milligrams per deciliter"),
    "mmol/L": ("millimoles per liter", "millimoles per liter"),
    "Cel": ("degrees celsius", "degrees celsius"),
    "[degF]": ("degrees fahrenheit", "degrees fahrenheit"),
    "kPa": ("kilopascals", "kilopascals"),
}
_SIGNS = {
    "heart_rate": "heart rate",
    "respiratory_rate": "respiratory rate",
    "oxygen_saturation": "saturation",
    "end_tidal_co2": "end tidal",
    "blood_glucose": "glucose",
    "temperature": "temperature",
    "pain_score": "pain",
}
_FLAGS = {
    "implausible": "an unusual value",
    "unit_assumed": "unit assumed",
    "unit_unusual": "unusual unit",
    "route_missing": "route not said",
    "route_unusual": "unusual route",
    "dose_above_limit": "above the limit in the formulary",
    "drug_assumed": "drug assumed",
    "words_left_over": "not all words understood",
    "label_repaired": "heard unclearly",
    "cut_off": "cut off",
    "hard_to_hear": "hard to hear",
    "heard_unclearly": "heard unclearly",
    "heard_by_one_listener": "heard by one listener only",
    "second_listener_late": "not checked yet",
    "during_read_back": "heard while I spoke",
    "incomplete": "not all of it is known",
    "no_target": "nothing to correct was found, entered as new",
}
_ACTIONS = {"given": "", "prepared": "prepared", "wasted": "wasted", "kept": "kept", "not_given": "not given"}


def spoken_number(value: Decimal | int) -> str:
    """A number digit by digit: 118 is "one one eight", 0.3 "zero point three", 50 "five zero"."""
    text = format(Decimal(value).normalize(), "f")
    return " ".join("point" if sign == "." else "minus" if sign == "-" else _DIGIT[int(sign)] for sign in text)


def spoken_unit(unit: str | None, value: Decimal | int) -> str:
    """A UCUM unit in words, singular for one; a unit that is clear from the sign is left unsaid."""
    if unit is None:
        return ""
    if unit in _UNITS:
        return _UNITS[unit][0 if value == 1 else 1]
    first, *rest = unit.split("/")
    return " per ".join([_UNITS[first][0 if value == 1 else 1], *(_UNITS[part][0] for part in rest)])


def spoken_time(clock: str) -> str:
    """HH:MM digit by digit: "one four zero five"."""
    return " ".join(_DIGIT[int(sign)] for sign in clock if sign.isdigit())


def _joined(*parts: str | None) -> str:
    return " ".join(part for part in parts if part)


def _plain(term: str | None) -> str | None:
    return term.replace("_", " ") if term else None


def _quantity(value: Decimal | int | None, unit: str | None) -> str | None:
    return None if value is None else _joined(spoken_number(value), spoken_unit(unit, value))


def _vital_sign(event: VitalSign) -> str:
    if event.systolic is not None:
        return _joined(
            "pressure",
            spoken_number(event.systolic),
            None if event.diastolic is None else f"over {spoken_number(event.diastolic)}",
            "by palpation" if event.palpated else None,
        )
    oxygen = {"room_air": "on room air", "supplemental": "on oxygen"}.get(event.oxygen or "")
    return _joined(_SIGNS[event.sign], _quantity(event.value, event.unit), event.quality, event.rhythm, oxygen)


def _medication(event: Medication) -> str:
    volume = _quantity(event.volume_ml, "mL")
    strength = event.concentration and _strength(event.concentration)
    return _joined(
        event.drug,
        strength,
        _quantity(event.dose, event.unit),
        volume if event.dose is None else (f"in {volume}" if volume else None),
        event.route,
        event.site,
        _ACTIONS[event.action],
        f"lot {_spelled(event.lot)}" if event.lot else None,
        f"expires {spoken_expiry(event.expiry)}" if event.expiry else None,
        _plain(event.appearance),
        f"checked by {event.checked_by}" if event.checked_by else None,
        f"witnessed by {event.witness}" if event.witness else None,
    )


def spoken_expiry(expiry: str) -> str:
    """An expiry date as spoken, month by name, other numbers digit by digit: ``march two zero two seven``."""
    year, _, rest = expiry.partition("-")
    month, _, day = rest.partition("-")
    name = next((word for word, number in MONTHS.items() if month.isdigit() and number == int(month)), "")
    return _joined(name or _spelled(month), _ordinal(day) if day.isdigit() else None, _spelled(year))


def _ordinal(day: str) -> str:
    """A day of the month: ``thirty first``."""
    number = int(day)
    tens = next((word for word, value in TENS.items() if value == number - number % 10), "")
    names = {value: word for word, value in ORDINALS.items()}
    return names.get(number) or _joined(tens, names.get(number % 10))


def _spelled(text: str) -> str:
    """Letters by the spelling alphabet, figures one by one; other signs are left unsaid."""
    signs = text.lower()
    return " ".join(_DIGIT[int(sign)] if sign in "0123456789" else _LETTERS[sign] for sign in signs if sign in _SPOKEN)


def _strength(concentration: str) -> str:
    number, unit = concentration.split(" ", 1)
    value = Decimal(number)
    return _joined(spoken_number(value), spoken_unit(unit, value))


def _assessment(event: Assessment) -> str:
    match event.finding:
        case "responsiveness":
            level = event.level or ""
            return {"alert": "alert", "unresponsive": "unresponsive", "verbal": "responds to voice"}.get(
                level, f"responds to {level}"
            )
        case "glasgow_coma_scale":
            parts = [
                f"{name} {spoken_number(value)}"
                for name, value in (("eye", event.eye), ("verbal", event.verbal), ("motor", event.motor))
                if value is not None
            ]
            total = f"total {spoken_number(event.total)}" if event.total is not None else None
            return _joined("coma scale", *parts, total)
        case "pupils":
            sizes = [
                f"{side} {spoken_number(size)}"
                for side, size in (("left", event.left_mm), ("right", event.right_mm))
                if size is not None
            ]
            equal = {True: "equal", False: "unequal", None: None}[event.equal]
            reactive = {True: "reactive", False: "not reactive", None: None}[event.reactive]
            return _joined("pupils", equal, *sizes, event.appearance, reactive)
        case "breath_sounds":
            side = {"both": "on both sides", None: None}.get(event.side, f"on the {event.side}")
            return _joined("breath sounds", event.sound, side)
        case "general":
            return event.description or ""
        case "cardiac_rhythm":
            return _joined("rhythm", event.description)
        case _:
            return _joined(event.finding, event.description)


def _procedure(event: Procedure) -> str:
    flow = _quantity(event.flow_lpm, "L")
    return _joined(
        _plain(event.procedure),
        f"{flow} per minute" if flow else None,
        _plain(event.device),
        f"{spoken_number(event.energy_j)} joules" if event.energy_j is not None else None,
        f"{spoken_number(event.gauge)} gauge" if event.gauge is not None else None,
        event.site,
        event.action,
    )


def _patient(event: Patient) -> str:
    age = None
    if event.age is not None:
        plural = "" if event.age == 1 else "s"
        age = f"{spoken_number(event.age)} {event.age_unit or 'year'}{plural}"
    allergy = event.allergy if event.allergy == "no known allergies" else event.allergy and f"allergy {event.allergy}"
    return _joined(
        "patient",
        age,
        event.sex,
        _quantity(event.weight_kg, "kg"),
        event.complaint and f"complaint {event.complaint}",
        allergy,
        event.history and f"history {event.history}",
        {True: "pregnant", False: "not pregnant", None: None}[event.pregnant],
    )


def spoken(event: Event) -> str:
    """One event as it is read back, without a closing stop."""
    match event:
        case VitalSign():
            said = _vital_sign(event)
        case Medication():
            said = _medication(event)
        case Assessment():
            said = _assessment(event)
        case Procedure():
            said = _procedure(event)
        case Patient():
            said = _patient(event)
        case Milestone():
            said = event.milestone.replace("_", " ")
        case Remark():
            said = f"note {event.text}"
    return _joined(said, f"at {spoken_time(event.stated_time)}" if event.stated_time else None)


def read_back(drafts: Sequence[Draft], replaced: Sequence[Event | None] = (), notes: Sequence[str] = ()) -> str:
    """What is said after a callout: each event, what is doubtful about it, and whether a confirm is waited for.

    Args:
        drafts: what was entered.
        replaced: for each draft the event it corrects, or None; empty when nothing was corrected.
        notes: what else is to be told, without a stop each.
    """
    said = []
    for draft, old in zip(drafts, replaced or [None] * len(drafts), strict=True):
        doubts = [draft.doubts.get(flag) or _FLAGS.get(flag, flag.replace("_", " ")) for flag in draft.flags]
        gone = f"in place of {spoken(old)}" if old and _is_another(old, draft.event) else ""
        apart = f"not {spoken_number(draft.not_dose)}" if draft.not_dose is not None else ""
        text = ", ".join(part for part in [_with_spelling(draft), apart, gone, *doubts] if part)
        said.append(f"Corrected: {text}." if old else f"{text[:1].upper()}{text[1:]}.")
    said += [f"{note[:1].upper()}{note[1:]}." for note in notes]
    if any(needs_confirm(draft) for draft in drafts):
        said.append("Confirm?")
    return " ".join(said)


def _with_spelling(draft: Draft) -> str:
    """The event in words, with the letters that set its drug apart after the name."""
    said = spoken(draft.event)
    if not draft.spelled or not isinstance(draft.event, Medication):
        return said
    name = draft.event.drug
    letters = " ".join(_LETTERS[letter] for letter in draft.spelled)
    return said.replace(name, f"{name}, {letters},", 1).rstrip(",")


def _is_another(old: Event, new: Event) -> bool:
    """Whether a corrected event does not tell by itself what it replaced."""
    if isinstance(old, Medication) and isinstance(new, Medication):
        return old.drug != new.drug or old.action != new.action
    return isinstance(old, Patient | Remark) or (isinstance(old, Assessment) and old.finding == "general")


def needs_confirm(draft: Draft) -> bool:
    """Drugs and flagged entries stand only after a spoken confirm."""
    return isinstance(draft.event, Medication) or bool(draft.flags)


def question_text(question: Question) -> str:
    """A question as asked aloud, its numbers digit by digit."""
    if question.about != "which_reading":
        text = re.sub(r"\d+(?:\.\d+)?", lambda found: spoken_number(Decimal(found.group())), question.text)
        return text[:1].upper() + text[1:]
    readings = [" and ".join(spoken(draft.event) for draft in reading) for reading in question.readings if reading]
    options = list(dict.fromkeys(readings))
    return f"Which one: {', or '.join(options)}? Say it again." if len(options) > 1 else "Not clear. Say it again."
