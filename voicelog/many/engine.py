"""SQL over the tables of many cases, through DuckDB in memory: reading only, no file and no network from the SQL."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from voicelog.errors import UsageError
from voicelog.many.columns import TABLES, VIEWS
from voicelog.many.tables import arrow_table

if TYPE_CHECKING:
    import pyarrow as pa

# Before any SQL of a user runs; nothing spills to a disk, since patient data stays in the case files.
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",
    "temp_directory": "",
}
_LOCKS = ("SET TimeZone = 'UTC'", "SET enable_external_access = false", "SET lock_configuration = true")
_HINT = "See the tables and their columns with: voicelog query --list"


def answer(tables: Mapping[str, pa.Table], sql: str) -> pa.Table:
    """What a query gives.

    Args:
        tables: name to rows; one that is missing is empty.
        sql: one SELECT over the tables and views of ``columns``.

    Raises:
        UsageError: it is not one SELECT, or the engine refuses it; one line, nothing of what the cases hold.
    """
    try:
        import duckdb
    except ImportError as error:
        hint = "Install it: pip install 'voicelog[query]'"
        raise UsageError("questions over many cases need duckdb", hint) from error
    with duckdb.connect(":memory:", config=_SETTINGS) as connection:
        for name in TABLES:
            connection.register("rows_in", tables[name] if name in tables else arrow_table(name, ()))
            connection.execute(f"CREATE TABLE {name} AS FROM rows_in")
            connection.unregister("rows_in")
        for name, view in VIEWS.items():
            connection.execute(f"CREATE VIEW {name} AS {view}")
        for lock in _LOCKS:
            connection.execute(lock)
        try:
            statements = connection.extract_statements(sql)
            if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
                raise UsageError("only one SELECT can be asked", _HINT)
            relation = connection.sql(sql)
            assert relation is not None  # A SELECT always gives one.
            return relation.to_arrow_table()
        except (duckdb.ParserException, duckdb.BinderException, duckdb.CatalogException) as error:
            raise UsageError(f"the SQL cannot be read: {_first_line(error)}", _HINT) from error
        except duckdb.PermissionException as error:
            raise UsageError("the SQL may read only the cases: no file, no network, no setting", _HINT) from error
        # Other messages quote the value they stumbled on, which may be a patient's.
        except duckdb.Error as error:
            what = type(error).__name__.removesuffix("Exception")
            raise UsageError(f"the SQL failed on the values of the cases ({what})", _HINT) from error


def _first_line(error: Any) -> str:
    return " ".join(str(error).split("LINE ")[0].split(" Please try installing")[0].split())
