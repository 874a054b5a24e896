"""The protocol files: every row sourced, local rows in place of shipped ones, bad rows refused with file and line."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from checks_case import DRUGS, PROTOCOL, drug, entry, minute, patient, pressure, state_of, vital

from voicelog.casefile.state import CaseState
from voicelog.checks.clocks import due
from voicelog.checks.drug_rows import Repeat, Total
from voicelog.checks.protocol import FOLDER, SECTIONS, Protocol, load_protocol, read_protocol, unknown_drugs
from voicelog.checks.rows import AgeBand, Minutes, age_in_days
from voicelog.checks.survey import all_findings, findings_for, standing_findings
from voicelog.errors import GrammarError
from voicelog.grammar.loader import load_grammar, shipped_grammars

ROOT = Path(__file__).parents[1]
SOURCE = 'source = "our medical director"\ndate = 2026-11-20\n'


def overlay(tmp_path: Path, text: str) -> Path:
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / "local.toml").write_text(text, encoding="utf-8")
    return tmp_path


def test_every_shipped_row_has_a_source_and_a_date() -> None:
    rows = [row for named in PROTOCOL.tables.values() for row in named.values()]
    assert len(rows) > 80
    assert all(row.source.strip() and row.date.year >= 2026 for row in rows)
    assert PROTOCOL.refused == ()


def test_every_section_is_used_by_the_shipped_file() -> None:
    assert {section for section, named in PROTOCOL.tables.items() if named} == set(SECTIONS)


def test_every_drug_that_a_row_names_is_in_the_formulary(tmp_path: Path) -> None:
    assert unknown_drugs(PROTOCOL, DRUGS) == ()
    misspelled = load_protocol(overlay(tmp_path, f"[repeat.naloxon]\nfrom_min = 4\n{SOURCE}"))
    (wrong,) = unknown_drugs(misspelled, DRUGS)
    assert wrong.reason == "[repeat.naloxon] 'naloxon' is not in the formulary"
    assert (wrong.file, wrong.line) == (tmp_path / FOLDER / "local.toml", 1)


def test_the_digest_tells_which_files_were_read(tmp_path: Path) -> None:
    local = load_protocol(overlay(tmp_path, f"[repeat.naloxone]\nfrom_min = 4\n{SOURCE}"))
    assert len(PROTOCOL.digest) == 64
    assert PROTOCOL.digest == load_protocol().digest != local.digest


def test_the_age_bands_leave_no_gap() -> None:
    bands = sorted(PROTOCOL.rows("age_band", AgeBand), key=lambda band: age_in_days(band.from_age))
    assert age_in_days(bands[0].from_age) == 0
    assert bands[-1].below_age is None
    for one, following in pairwise(bands):
        assert one.below_age is not None
        assert age_in_days(one.below_age) == age_in_days(following.from_age)


def test_a_protocol_folder_does_not_disturb_the_grammar(tmp_path: Path) -> None:
    local = overlay(tmp_path, f"[repeat.naloxone]\nfrom_min = 4\n{SOURCE}")
    assert load_grammar(local).drugs.keys() == load_grammar().drugs.keys()
    assert not list(shipped_grammars().glob("protocol*.toml"))


def test_the_protocol_is_part_of_the_wheel() -> None:
    assert (shipped_grammars() / FOLDER / "protocol.toml").is_file()
    assert '"grammars" = "voicelog/_data/grammars"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_a_local_row_replaces_the_shipped_one_as_a_whole(tmp_path: Path) -> None:
    protocol = load_protocol(overlay(tmp_path, f"[repeat.naloxone]\nfrom_min = 4\n{SOURCE}"))
    row = protocol.row("repeat", "naloxone", Repeat)
    assert row is not None
    assert (row.from_min, row.until_min, row.drug) == (Decimal(4), None, "naloxone")
    assert row.cited == "our medical director (2026-11-20)"
    again = entry(2, drug("naloxone", "0.4", "mg", route="intravenous"), minute(3))
    before = state_of((0, drug("naloxone", "0.4", "mg", route="intravenous")))
    (finding,) = findings_for(again, before, protocol, DRUGS, minute(3))
    assert (finding.check, finding.source) == ("too_soon", "our medical director (2026-11-20)")


def test_a_local_limit_for_another_drug(tmp_path: Path) -> None:
    protocol = load_protocol(overlay(tmp_path, f'[total.ketorolac]\ndose = 30\nunit = "mg"\n{SOURCE}'))
    row = protocol.row("total", "ketorolac", Total)
    assert row is not None
    assert row.dose == Decimal(30)


def test_a_local_interval_moves_the_clock(tmp_path: Path) -> None:
    protocol = load_protocol(overlay(tmp_path, f"[reassess.stable]\nminutes = 10\n{SOURCE}"))
    state = state_of((0, pressure(120, 80)), (0, vital("heart_rate", 80)))
    assert [clock.due_at for clock in due(state, protocol, minute(11))] == [minute(10)]
    assert due(state, PROTOCOL, minute(11)) == ()


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        (f"[repeat.naloxone]\nfrom_min = -1\n{SOURCE}", 2, "from_min: Input should be greater than 0"),
        ('\n[repeat.naloxone]\nfrom_min = 4\ndate = 2026-11-20\n', 2, "source: Field required"),
        ('[repeat.naloxone]\nfrom_min = 4\nsource = ""\ndate = 2026-11-20\n', 3, "source: String should have"),
        ('[repeat.naloxone]\nfrom_min = 4\nsource = "s"\n', 1, "date: Field required"),
        (f"[repeat.naloxone]\nfrom_min = 4\nevery = 3\n{SOURCE}", 3, "every: Extra inputs are not permitted"),
        (f'[repeat.naloxone]\nfrom_min = 4\nroutes = ["ear"]\n{SOURCE}', 3, "routes.0: Input should be"),
        (f"[repeat.naloxone]\nfrom_min = 1e300\n{SOURCE}", 2, "less than or equal"),
        ("[repeat]\nnaloxone = 3\n", 2, "[repeat.naloxone]"),
        (f"[age_band.toddler]\nfrom_age = \"one\"\n{SOURCE}", 2, "write an age as"),
        (f"[limit.heart_rate]\nunit = \"/min\"\nspan = {{low = 9, high = 3}}\n{SOURCE}", 3, "low 9 is above high 3"),
        ("[clock.x]\nminutes = 3\n", 1, "unknown section [clock]"),
        ("repeat = 3\n", 1, "must hold named tables"),
        ("[repeat.naloxone\nfrom_min = 4\n", 1, "not valid TOML"),
        (f'[total.naloxone]\ndose = 10\n{SOURCE}', 1, "needs dose and unit, or count"),
    ],
)  # fmt: skip
def test_a_bad_row_is_refused_and_the_shipped_one_stays(tmp_path: Path, text: str, line: int, reason: str) -> None:
    protocol = load_protocol(overlay(tmp_path, text))
    (refused,) = protocol.refused
    assert reason in refused.message
    assert refused.message.startswith(f"{tmp_path / FOLDER / 'local.toml'}:{line}: ")
    assert refused.hint
    assert protocol.tables == PROTOCOL.tables


def test_a_row_can_be_taken_out_of_force(tmp_path: Path) -> None:
    protocol = load_protocol(overlay(tmp_path, f"[cycle.pulse_check]\noff = true\n{SOURCE}"))
    assert "pulse_check" not in protocol.tables["cycle"]
    assert protocol.refused == ()


@pytest.mark.parametrize("text", ["[cycle.pulse_check]\noff = true\n", f"[cycle.pulse_check]\noff = false\n{SOURCE}"])
def test_a_row_is_not_taken_out_of_force_without_a_source(tmp_path: Path, text: str) -> None:
    protocol = load_protocol(overlay(tmp_path, text))
    assert len(protocol.refused) == 1
    assert protocol.tables == PROTOCOL.tables


def test_a_bad_row_does_not_take_its_neighbours_with_it(tmp_path: Path) -> None:
    text = f"[moment.future]\nminutes = 0\n{SOURCE}\n[moment.long_ago]\nminutes = 90\n{SOURCE}"
    protocol = load_protocol(overlay(tmp_path, text))
    ahead, back = (protocol.row("moment", name, Minutes) for name in ("future", "long_ago"))
    assert len(protocol.refused) == 1
    assert ahead == PROTOCOL.row("moment", "future", Minutes)
    assert back is not None
    assert back.minutes == 90


def test_an_overlay_without_a_protocol_folder_changes_nothing(tmp_path: Path) -> None:
    assert load_protocol(tmp_path).tables == PROTOCOL.tables


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (overlay(tmp_path, "") / FOLDER / "local.toml").write_bytes(b"\xff\xfe\x00")
    (refused,) = load_protocol(tmp_path).refused
    assert "cannot be read" in refused.message


def test_a_faulty_shipped_file_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "protocol.toml").write_text("[repeat.naloxone]\nfrom_min = 4\n", encoding="utf-8")
    with pytest.raises(GrammarError, match="Field required"):
        read_protocol(tmp_path)
    with pytest.raises(GrammarError, match="no protocol files"):
        read_protocol(tmp_path / "nothing")


def test_without_any_rule_nothing_is_found_and_nothing_raises() -> None:
    state = state_of((0, patient(age=3, age_unit="year")), (1, vital("heart_rate", 400)), (1, pressure(90, 120)))
    assert [one.check for one in all_findings(state.events, Protocol(), {})] == ["diastolic_not_below"]
    assert standing_findings(CaseState(), Protocol(), {}, minute(0)) == ()


@pytest.mark.parametrize(
    ("age", "unit", "band"),
    [
        (0, "day", "neonate"),
        (27, "day", "neonate"),
        (28, "day", "infant"),
        (1, "month", "infant"),
        (11, "month", "infant"),
        # The table has infants to 12 months and toddlers from 1 year: a first birthday is a toddler's here.
        (12, "month", "toddler"),
        (1, "year", "toddler"),
        (2, "year", "toddler"),
        (3, "year", "preschool"),
        (5, "year", "preschool"),
        (6, "year", "school"),
        (9, "year", "school"),
        (10, "year", "preadolescent"),
        (11, "year", "preadolescent"),
        (12, "year", "adolescent"),
        (15, "year", "adolescent"),
        (16, "year", "adult"),
        (90, "year", "adult"),
    ],
)  # PALS 2015, secondary copy; adults from 16: the table ends at 15
def test_the_band_of_an_age_on_both_sides_of_each_edge(age: int, unit: str, band: str) -> None:
    found = PROTOCOL.band(age_in_days(f"{age} {unit}"))
    assert found is not None
    assert found.name == band


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("naloxone", 2, 3),  # drug label
        ("epinephrine_in_arrest", 3, 5),  # several secondary copies
        ("epinephrine_intramuscular", 5, 15),  # from memory
        ("atropine", 3, 5),  # secondary copy
        ("adenosine", 1, 2),  # regional standing order 11010, 2024
        ("amiodarone", 3, 5),  # secondary copy
        ("nitroglycerin", 5, None),  # from memory
        ("lorazepam", 10, 15),  # secondary copy
        ("diazepam", 10, 15),  # secondary copy
        ("fentanyl", 5, 10),  # from memory
        ("morphine", 5, 10),  # from memory
        ("ondansetron", 10, 15),  # from memory
        ("glucagon", 15, None),  # from memory
    ],
)
def test_intervals(name: str, low: int, high: int | None) -> None:
    row = PROTOCOL.row("repeat", name, Repeat)
    assert row is not None
    assert row.from_min == low
    assert row.until_min == high


@pytest.mark.parametrize(
    ("name", "dose", "unit", "hours", "count"),
    [
        ("naloxone", "10", "mg", None, None),  # drug label
        ("atropine", "3", "mg", None, None),  # secondary copy
        ("lidocaine", "3", "mg/kg", None, None),  # secondary copy
        ("amiodarone", "2.2", "g", "24", None),  # secondary copy
        ("diazepam", "30", "mg", None, None),  # secondary copy
        ("diphenhydramine", "400", "mg", "24", None),  # label, from memory
        ("ipratropium", "1.5", "mg", None, None),  # from memory: 0.5 mg three times
        ("nitroglycerin", None, None, None, 3),  # from memory
        ("adenosine", None, None, None, 3),  # regional standing order 11010, 2024: 6, 12, second 12 mg once
        ("aspirin", "325", "mg", None, None),  # from memory: once
        ("methylprednisolone", None, None, None, 1),  # from memory: once
    ],
)
def test_totals(name: str, dose: str | None, unit: str | None, hours: str | None, count: int | None) -> None:
    row = PROTOCOL.row("total", name, Total)
    assert row is not None
    wanted = (dose and Decimal(dose), unit, hours and Decimal(hours), count)
    assert (row.dose, row.unit, row.within_h, row.count) == wanted
