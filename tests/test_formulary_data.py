"""The shipped formulary and sounds-alike list as data: closed sets, no shared names, sourced codes and limits."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

import pytest

from voicelog.events import Route

GRAMMARS = Path(__file__).parents[1] / "grammars"
DIMENSIONS: dict[str, str] = {
    "mg": "mass", "ug": "mass", "g": "mass", "mL": "volume", "L": "volume", "meq": "meq", "mmol": "mmol", "[U]": "[U]",
    "L/min": "flow", "mg/kg": "mass/kg", "ug/kg": "mass/kg", "mL/kg": "volume/kg", "ug/min": "mass/time",
    "mg/min": "mass/time", "mg/h": "mass/time", "ug/kg/min": "mass/kg/time", "mL/h": "volume/time", "{puff}": "{puff}",
    "{spray}": "{spray}", "{tablet}": "{tablet}", "{drop}": "{drop}",
}  # fmt: skip
CONCENTRATION = re.compile(r"\d+(\.\d+)? (%|(mg|ug|g|meq|mmol|\[U\])/(mL|\{tablet\}|\{spray\}|\{puff\}))")
SPOKEN = re.compile(r"[a-z']+( [a-z']+)*")
KEYS = {
    "name", "names", "named_concentrations", "usual_unit", "units", "routes", "concentrations", "ask_above", "rxnorm",
    "source", "date",
}  # fmt: skip

# RxCUI of the ingredient (of the product for the mixture, normal saline and lactated Ringer's).
# Source: NEMSIS DefinedLists/Medication/Medication.csv (NEM-MED); epinephrine 3992 is from memory: the list codes its
# strengths.
RXNORM = {
    "acetaminophen": "161", "adenosine": "296", "albuterol": "435", "albuterol_ipratropium": "214199",
    "amiodarone": "703", "aspirin": "1191", "atropine": "1223", "calcium_chloride": "1901",
    "calcium_gluconate": "1908", "dexamethasone": "3264", "diazepam": "3322", "diltiazem": "3443",
    "diphenhydramine": "3498", "dopamine": "3628", "epinephrine": "3992", "etomidate": "4177", "fentanyl": "4337",
    "furosemide": "4603", "glucagon": "4832", "haloperidol": "5093", "heparin": "5224", "hydromorphone": "3423",
    "ipratropium": "7213", "ketamine": "6130", "ketorolac": "35827", "labetalol": "6185", "lactated_ringers": "1008377",
    "lidocaine": "6387", "lorazepam": "6470", "magnesium_sulfate": "6585", "methylprednisolone": "6902",
    "midazolam": "6960", "morphine": "7052", "naloxone": "7242", "nitroglycerin": "4917", "norepinephrine": "7512",
    "normal_saline": "313002", "ondansetron": "26225", "oral_glucose": "4850", "phenylephrine": "8163",
    "rocuronium": "68139", "sodium_bicarbonate": "36676", "succinylcholine": "10154", "thiamine": "10454",
    "tranexamic_acid": "10691", "vecuronium": "71535",
}  # fmt: skip

# Single adult dose above which the tool asks: this project's own design values, no standard.
LIMITS = [
    ("naloxone", "intravenous", "4", "mg"), ("naloxone", "intranasal", "8", "mg"),
    ("epinephrine", "intramuscular", "0.5", "mg"), ("epinephrine", "intravenous", "1", "mg"),
    ("albuterol", "nebulized", "15", "mg"), ("ipratropium", "nebulized", "1.5", "mg"),
    ("albuterol_ipratropium", "nebulized", "9", "mL"), ("aspirin", "oral", "325", "mg"),
    ("nitroglycerin", "sublingual", "1.2", "mg"), ("oral_glucose", "oral", "50", "g"),
    ("dextrose", "intravenous", "50", "g"), ("glucagon", "intramuscular", "1", "mg"),
    ("diphenhydramine", "intravenous", "50", "mg"), ("atropine", "intravenous", "1", "mg"),
    ("adenosine", "intravenous", "12", "mg"), ("amiodarone", "intravenous", "300", "mg"),
    ("lidocaine", "intravenous", "150", "mg"), ("midazolam", "intramuscular", "10", "mg"),
    ("lorazepam", "intravenous", "4", "mg"), ("diazepam", "intravenous", "10", "mg"),
    ("fentanyl", "intranasal", "100", "ug"), ("morphine", "intravenous", "10", "mg"),
    ("ketamine", "intramuscular", "500", "mg"), ("ketamine", "intravenous", "200", "mg"),
    ("ondansetron", "oral", "8", "mg"), ("tranexamic_acid", "intravenous", "2", "g"),
    ("methylprednisolone", "intravenous", "125", "mg"), ("magnesium_sulfate", "intravenous", "2", "g"),
    ("sodium_bicarbonate", "intravenous", "100", "meq"), ("calcium_chloride", "intravenous", "1", "g"),
]  # fmt: skip


def read(name: str) -> dict[str, Any]:
    """One grammar file, its numbers as Decimal."""
    return tomllib.loads((GRAMMARS / name).read_text(encoding="utf-8"), parse_float=Decimal)


DRUGS: dict[str, dict[str, Any]] = read("formulary.toml")["drug"]
PAIRS: list[dict[str, Any]] = read("sounds_alike.toml")["pair"]
each_drug = pytest.mark.parametrize("key", DRUGS)


def recorded(key: str) -> str:
    """The generic name that an event records."""
    return str(DRUGS[key].get("name", key.replace("_", " ")))


def spoken(key: str) -> list[str]:
    """Every spoken form of a drug, those that carry a strength included."""
    return [*DRUGS[key]["names"], *DRUGS[key].get("named_concentrations", {})]


def limit(key: str, route: str, unit: str) -> Decimal | None:
    """The limit for a route: its own row, else the row without a route."""
    rows = [row for row in DRUGS[key]["ask_above"] if row["unit"] == unit and row.get("route") in (route, None)]
    rows.sort(key=lambda row: "route" not in row)
    return Decimal(rows[0]["dose"]) if rows else None


def test_at_least_sixty_five_drugs() -> None:
    assert len(DRUGS) >= 65


def test_no_spoken_form_belongs_to_two_drugs_or_stands_twice() -> None:
    counts = Counter(form for key in DRUGS for form in spoken(key))
    assert [form for form, count in counts.items() if count > 1] == []


def test_no_two_drugs_record_the_same_name() -> None:
    assert len({recorded(key) for key in DRUGS}) == len(DRUGS)


@pytest.mark.parametrize("form", ["glucose", "calcium", "saline", "dex", "ms", "m s", "fluids", "oxygen", "d five"])
def test_ambiguous_words_name_no_drug(form: str) -> None:
    assert [key for key in DRUGS if form in spoken(key)] == []


@each_drug
def test_row_has_source_date_and_known_keys(key: str) -> None:
    row = DRUGS[key]
    assert set(row) <= KEYS
    assert row["source"].strip()
    assert type(row["date"]) is datetime.date


@each_drug
def test_spoken_forms_are_lower_case_words_and_include_the_recorded_name(key: str) -> None:
    assert all(SPOKEN.fullmatch(form) for form in spoken(key))
    assert recorded(key) in DRUGS[key]["names"]


@each_drug
def test_units_and_routes_come_from_the_closed_sets(key: str) -> None:
    row = DRUGS[key]
    assert set(row["units"]) <= set(DIMENSIONS)
    assert set(row["routes"]) <= set(get_args(Route))
    for named in (row["units"], row["routes"]):
        assert named
        assert len(set(named)) == len(named)


@each_drug
def test_usual_unit_is_the_only_plain_unit(key: str) -> None:
    row = DRUGS[key]
    if "usual_unit" in row:
        assert [unit for unit in row["units"] if "/" not in unit] == [row["usual_unit"]]


@each_drug
def test_concentrations_are_normalised_and_the_named_ones_are_among_them(key: str) -> None:
    listed = DRUGS[key].get("concentrations", [])
    assert all(CONCENTRATION.fullmatch(strength) for strength in listed)
    assert set(DRUGS[key].get("named_concentrations", {}).values()) <= set(listed)


@each_drug
def test_limits_are_positive_and_in_listed_units_and_routes(key: str) -> None:
    for row in DRUGS[key]["ask_above"]:
        assert row["dose"] > 0
        assert row["unit"] in DRUGS[key]["units"]
        assert row.get("route") in (None, *DRUGS[key]["routes"])


@each_drug
def test_every_unit_has_a_limit_for_every_route(key: str) -> None:
    covered = {DIMENSIONS[row["unit"]] for row in DRUGS[key]["ask_above"] if "route" not in row}
    assert {DIMENSIONS[unit] for unit in DRUGS[key]["units"]} <= covered


@pytest.mark.parametrize(("key", "route", "dose", "unit"), LIMITS)
def test_limit_is_the_design_value(key: str, route: str, dose: str, unit: str) -> None:
    assert limit(key, route, unit) == Decimal(dose)


def test_fentanyl_has_no_milligrams() -> None:
    assert "mg" not in DRUGS["fentanyl"]["units"]


def test_codes_are_exactly_those_of_the_code_list() -> None:
    assert {key: row["rxnorm"] for key, row in DRUGS.items() if "rxnorm" in row} == RXNORM


def test_pairs_name_two_drugs_of_the_formulary_and_a_source() -> None:
    names = {recorded(key) for key in DRUGS}
    for pair in PAIRS:
        assert pair["source"].strip()
        assert set(pair) == {"drugs", "source"}
        assert len(set(pair["drugs"])) == len(pair["drugs"]) == 2
        assert set(pair["drugs"]) <= names


def test_no_pair_stands_twice() -> None:
    counts = Counter(frozenset(pair["drugs"]) for pair in PAIRS)
    assert [pair for pair, count in counts.items() if count > 1] == []


# ISMP/FDA tall-man letters list: the first two from the 2023 list, the rest from a 2008 copy.
@pytest.mark.parametrize(
    "pair",
    [
        ("dopamine", "dobutamine"),
        ("diphenhydramine", "dimenhydrinate"),
        ("epinephrine", "ephedrine"),
        ("fentanyl", "sufentanil"),
        ("morphine", "hydromorphone"),
        ("cefazolin", "ceftriaxone"),
    ],
)
def test_published_pair_is_declared(pair: tuple[str, str]) -> None:
    assert set(pair) in [set(row["drugs"]) for row in PAIRS]


# Label strengths: openFDA and DailyMed labels, a regional drug-kit list of 2019 and NEMSIS names; * from memory.
@pytest.mark.parametrize(
    ("key", "strengths"),
    [
        ("naloxone", {"0.4 mg/mL", "1 mg/mL", "4 mg/{spray}"}),
        ("epinephrine", {"0.1 mg/mL", "1 mg/mL"}),
        ("albuterol", {"0.83 mg/mL"}),
        ("dextrose", {"10 %", "25 %", "50 %"}),
        ("glucagon", {"1 mg/mL"}),
        ("diphenhydramine", {"50 mg/mL"}),  # *
        ("atropine", {"0.1 mg/mL"}),
        ("adenosine", {"3 mg/mL"}),
        ("amiodarone", {"50 mg/mL"}),
        ("midazolam", {"1 mg/mL", "5 mg/mL"}),  # *
        ("lorazepam", {"2 mg/mL", "4 mg/mL"}),
        ("diazepam", {"5 mg/mL"}),  # *
        ("fentanyl", {"50 ug/mL"}),  # *
        ("ketamine", {"10 mg/mL", "50 mg/mL", "100 mg/mL"}),
        ("ondansetron", {"2 mg/mL"}),  # *
        ("tranexamic_acid", {"100 mg/mL"}),  # *
    ],
)
def test_the_strengths_of_the_labels_are_listed(key: str, strengths: set[str]) -> None:
    assert strengths <= set(DRUGS[key]["concentrations"])
