"""``voicelog export --to parquet``: by month, exact, with zone and provenance; all of it or nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest
from export_cases import CALLOUTS, recorded_case
from invented_cases import invented_case

from voicelog import __version__
from voicelog.casefile.store import CaseFile
from voicelog.cli import main


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    cases = tmp_path / "cases"
    cases.mkdir()
    recorded_case(cases / "march", *CALLOUTS)
    invented_case(cases / "november", 7, begin=datetime(2026, 11, 30, 23, 50, tzinfo=UTC))
    return cases


def test_a_folder_becomes_a_file_a_table_and_month_for_its_owner_alone(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    assert main(["export", str(folder), "--to", "parquet", "--out", str(out)]) == 0
    files = sorted(path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file())
    tables = ("cases", "decisions", "events", "utterances")
    # A case stands whole in the month in which it was opened, also when it goes on into the next.
    assert files == [f"{name}/month={month}/part.parquet" for name in tables for month in ("2026-03", "2026-11")]
    assert {path.stat().st_mode & 0o777 for path in out.rglob("*")} == {0o600, 0o700}
    assert sorted(tmp_path.iterdir()) == [folder, out]


def test_numbers_times_state_and_provenance_are_exact(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    main(["export", str(folder / "march"), "--to", "parquet", "--out", str(out)])
    table = pq.read_table(out / "events" / "month=2026-03" / "part.parquet")
    assert str(table.schema.field("dose").type) == "decimal128(38, 9)"
    assert str(table.schema.field("happened_at").type) == "timestamp[us, tz=UTC]"
    first, second, *_, last = table.to_pylist()
    assert (first["status"], first["standing"], first["dose"]) == ("amended", False, Decimal(5))
    assert (second["status"], second["amends"], second["dose"]) == ("unconfirmed", "E1", Decimal(2))
    assert (last["drug"], last["status"]) == ("naloxone", "unconfirmed")
    assert last["happened_at"] == datetime(2026, 3, 4, 10, 0, 50, tzinfo=UTC)
    with CaseFile.open(folder / "march") as case:
        *_, closing_entry = case.entries()
    origin = ("case_file", "head_hash", "grammar_hash", "recorded_with", "exported_with")
    assert tuple(last[name] for name in origin) == ("march", closing_entry.hash, "ab12", "0.1.0", __version__)


def test_another_engine_reads_it_by_month(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    main(["export", str(folder / "march"), str(folder / "november"), "--to", "parquet", "--out", str(out)])
    sql = f"SELECT month, count(*) FROM read_parquet('{out}/events/*/*.parquet', hive_partitioning=true) GROUP BY 1"
    found = dict(duckdb.execute(sql).fetchall())
    assert set(found) == {"2026-03", "2026-11"}
    assert found["2026-03"] == 4


def test_a_changed_case_is_told_and_counted(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(sqlite3.connect(folder / "march")) as connection, connection:
        connection.execute("DROP TRIGGER entries_no_update")
        connection.execute('UPDATE entries SET body = replace(body, \'"dose":"5"\', \'"dose":"50"\')')
    assert main(["export", str(folder), "--to", "parquet", "--out", str(tmp_path / "out")]) == 1
    assert "was changed" in capsys.readouterr().err
    (row,) = pq.read_table(tmp_path / "out" / "cases" / "month=2026-03" / "part.parquet").to_pylist()
    assert row["problems"] > 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["cases", "--to", "parquet"], "tables need a folder"),
        (["cases", "--to", "parquet", "--out", "cases"], "exists already"),
        (["cases", "--to", "parquet", "--out", "nowhere/out"], "cannot write"),
        (["nothing", "--to", "parquet", "--out", "out"], "no case could be read"),
        (["cases/march", "cases/november", "--to", "csv"], "takes one case"),
    ],
)
def test_wrong_use_is_told_and_leaves_nothing(
    arguments: list[str],
    said: str,
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["export", *arguments]) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [folder]
