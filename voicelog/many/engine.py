"""SQL over the tables of many cases, through DuckDB in memory: reading only, no file and no network from the SQL."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from voicelog.errors import UsageError
from voicelog.many.columns import TABLES, VIEWS, VIEWS_OF
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


def tables_for(sql: str) -> frozenset[str]:
    """The tables that a query needs; looked at without any case, so that a wrong one is told at once.

    Raises:
        UsageError: it is not one SELECT, or it cannot be read.
    """
    with _engine({}, TABLES) as connection:
        with _told():
            _one_select(connection, sql)
            connection.sql(sql)
        return frozenset(name for name in TABLES if not _can_do_without(connection, name, sql))


def _can_do_without(connection: Any, table: str, sql: str) -> bool:
    """Whether the engine understands a query also where a table is missing, and so never looks at it."""
    import duckdb

    connection.execute("BEGIN")
    try:
        connection.execute(f"DROP VIEW {table}")
        connection.sql(sql)
    except duckdb.Error:
        return False
    finally:
        connection.execute("ROLLBACK")
    return True


def answer(tables: Mapping[str, pa.Table], sql: str, needed: Collection[str]) -> pa.Table:
    """What a query gives.

    Args:
        tables: name to rows; one that is needed and missing is empty.
        sql: one SELECT over the tables and views of ``columns``.
        needed: what ``tables_for`` says of it; no other table is there.

    Raises:
        UsageError: it is not one SELECT, or the engine refuses it; one line, nothing of what the cases hold.
    """
    with _engine(tables, needed) as connection, _told():
        _one_select(connection, sql)
        relation = connection.sql(sql)
        assert relation is not None  # A SELECT always gives one.
        return relation.to_arrow_table()


def _engine(tables: Mapping[str, pa.Table], needed: Collection[str]) -> Any:
    """A connection with these tables and the views over them, locked; to be closed."""
    try:
        import duckdb
    except ImportError as error:
        hint = "Install it: pip install 'voicelog[query]'"
        raise UsageError("questions over many cases need duckdb", hint) from error
    connection = duckdb.connect(":memory:", config=_SETTINGS)
    for name in needed:
        # Asked where they lie: a second copy of thousands of cases would take as much memory again.
        connection.register(name, tables[name] if name in tables else arrow_table(name, ()))
    for name, view in VIEWS.items():
        if VIEWS_OF[name] in needed:
            connection.execute(f"CREATE VIEW {name} AS {view}")
    for lock in _LOCKS:
        connection.execute(lock)
    return connection


def _one_select(connection: Any, sql: str) -> None:
    import duckdb

    statements = connection.extract_statements(sql)
    if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
        raise UsageError("only one SELECT can be asked", _HINT)


@contextmanager
def _told() -> Iterator[None]:
    """Turns the engine's errors into one line that holds nothing of the cases."""
    import duckdb

    try:
        yield
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
