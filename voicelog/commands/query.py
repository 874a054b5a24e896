"""``voicelog query``: a question in SQL over all cases of a folder."""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Sequence
from datetime import date, time, timedelta
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicelog.errors import UsageError
from voicelog.many.columns import TABLES, VIEWS
from voicelog.many.copies import copies_among
from voicelog.many.folder import files_of_all
from voicelog.many.pool import apart, each
from voicelog.many.questions import QUESTIONS
from voicelog.many.tables import Made, tables_of
from voicelog.views.plain import json_line
from voicelog.views.screen import printable

if TYPE_CHECKING:
    import pyarrow as pa

_MOST_ROWS = 500
"""What a table on screen shows; laying out more takes seconds, and nobody reads them."""
_MOST_DOUBTS = 20
_SHORT = 12
"""Columns that a cell of a table has at least, if it is as long."""


def run(arguments: argparse.Namespace) -> int:
    """Print the answer; exit code 1 when a case could not be read and is not in it."""
    if arguments.list:
        _print_known(arguments.json)
        return 0
    sql = _asked(arguments)
    from voicelog.many.engine import answer, tables_for

    paths, needed = files_of_all([arguments.folder]), apart(tables_for, sql)
    made = read_tables(paths, "reading cases", only=needed)
    found = answer({name: _joined(made, name) for name in needed if _has(made, name)}, sql, needed)
    names, rows = found.column_names, _plain_rows(found)
    if arguments.json:
        for row in rows:
            sys.stdout.write(json_line(dict(zip(names, row, strict=True))) + "\n")
    elif arguments.csv:
        _print_csv(names, rows)
    else:
        _print_table(names, rows)
    tell_left_out(made)
    return 1 if made.left_out or made.findings else 0


def read_tables(paths: Sequence[Path], what: str, **options: Any) -> Made:
    """The rows of all files; ``options`` as ``tables_of`` takes them."""
    whole = Made()
    parts: dict[tuple[str, str], list[pa.Table]] = {}
    for made in each(partial(tables_of, **options), list(enumerate(paths, start=1)), what):
        for key, table in made.tables.items():
            parts.setdefault(key, []).append(table)
        whole.cases |= made.cases
        whole.left_out += made.left_out
        whole.findings += made.findings
    if parts:
        import pyarrow as pa

        whole.tables = {key: pa.concat_tables(tables) for key, tables in parts.items()}
    _drop_copies(whole)
    return whole


def _drop_copies(whole: Made) -> None:
    """Take a case that lies there twice once, as far as it goes: counted twice, it would bend every share."""
    numbers = {case.path: number for number, case in whole.cases.items()}
    copies = copies_among(whole.cases.values())
    whole.left_out += [copy.told for copy in copies if copy.relation != "conflicting"]
    doubts = [f"{copy.told}: both are counted" for copy in copies if copy.relation == "conflicting"]
    whole.findings += doubts[:_MOST_DOUBTS]
    if len(doubts) > _MOST_DOUBTS:
        whole.findings.append(f"and {len(doubts) - _MOST_DOUBTS} more such files, as of replays of one recording")
    unwanted = {numbers[copy.case.path] for copy in copies if copy.relation != "conflicting"}
    if unwanted:
        import pyarrow as pa
        import pyarrow.compute as compute

        values = pa.array(sorted(unwanted), pa.int64())
        for key, table in whole.tables.items():
            whole.tables[key] = table.filter(compute.invert(compute.is_in(table["case_no"], value_set=values)))
        for number in unwanted:
            del whole.cases[number]


def tell_left_out(made: Made) -> None:
    """A line on standard error for each file that is not in the answer, and for each doubt about those that are."""
    sys.stderr.writelines(f"left out: {printable(line)}\n" for line in made.left_out)
    sys.stderr.writelines(f"warning: {printable(line)}\n" for line in made.findings)


def _asked(arguments: argparse.Namespace) -> str:
    if arguments.folder is None:
        raise UsageError("name a folder of cases", "See: voicelog query --help")
    if (arguments.sql is None) == (arguments.name is None):
        raise UsageError("ask either in SQL or by --name", f"The names are {', '.join(QUESTIONS)}.")
    return QUESTIONS[arguments.name].sql if arguments.name else str(arguments.sql)


def _has(made: Made, name: str) -> bool:
    return any(table == name for table, _ in made.tables)


def _joined(made: Made, name: str) -> pa.Table:
    import pyarrow as pa

    return pa.concat_tables([rows for (table, _), rows in made.tables.items() if table == name])


def _plain_rows(found: pa.Table) -> list[list[Any]]:
    columns = [[_plain(value) for value in column.to_pylist()] for column in found.columns]
    return [list(row) for row in zip(*columns, strict=True)]


def _plain(value: Any) -> Any:
    """A value as JSON and a cell can have it."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Decimal):
        return value.normalize() if value.is_finite() else None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return str(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return str(value)


def _cell(value: Any) -> str:
    from voicelog.exports.csv_rows import safe_cell

    if isinstance(value, list):
        return safe_cell("; ".join(str(item) for item in value))
    return str(value) if isinstance(value, float) else safe_cell(value)


def _print_csv(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    out = csv.writer(sys.stdout, lineterminator="\r\n")
    out.writerow([_cell(name) for name in names])
    out.writerows([_cell(value) for value in row] for row in rows)


def _print_table(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from voicelog.views.screen import CAUTION

    console = Console(highlight=False)
    shown = [[_shown(value) for value in row] for row in rows[:_MOST_ROWS]]
    headings = [printable(name) for name in names]
    if _fits(console.width, headings, shown):
        table = Table(box=None, pad_edge=False, show_edge=False)
        for heading in headings:
            table.add_column(Text(heading), overflow="fold")
        for row in shown:
            table.add_row(*map(Text, row))
        console.print(table)
    else:
        for number, row in enumerate(shown, start=1):
            console.print(Text(f"row {number}", style="italic"))
            for heading, cell in zip(headings, row, strict=True):
                if cell:
                    console.print(Text.assemble((f"  {heading}: ", "dim"), cell), soft_wrap=True)
    count = f"{len(rows)} row{'' if len(rows) == 1 else 's'}"
    if len(rows) > _MOST_ROWS:
        count = f"the first {_MOST_ROWS} of {count}; --csv gives all"
    console.print(Text(count, style="dim"), soft_wrap=True)
    console.print(Text(CAUTION, style="dim"), soft_wrap=True)


def _fits(width: int, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    """Whether a table has room for its headings and for a word or two of every cell."""
    columns = zip(headings, *rows, strict=True)
    return (
        sum(2 + max(len(heading), *(min(len(cell), _SHORT) for cell in cells), 0) for heading, *cells in columns)
        <= width
    )


def _shown(value: Any) -> str:
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, list):
        return printable("; ".join(map(str, value)))
    return "" if value is None else printable(str(value))


def _print_known(as_json: bool) -> None:
    """The named questions, and the tables with their columns."""
    if as_json:
        for name, question in QUESTIONS.items():
            line = {"type": "question", "name": name, "answers": question.answers, "sql": question.sql}
            sys.stdout.write(json_line(line) + "\n")
        for table, columns in TABLES.items():
            known = [{"name": one.name, "kind": one.kind, "meaning": one.meaning} for one in columns]
            sys.stdout.write(json_line({"type": "table", "name": table, "columns": known}) + "\n")
        return
    lines = ["questions, for --name:"]
    lines += [f"  {name}: {question.answers}" for name, question in QUESTIONS.items()]
    for table, columns in TABLES.items():
        lines += ["", f"table {table}:", *(f"  {one.name} ({one.kind}): {one.meaning}" for one in columns)]
    lines += ["", *(f"view {name}: {sql}" for name, sql in VIEWS.items())]
    sys.stdout.write("\n".join(lines) + "\n")
