"""Many cases as Apache Parquet files, a folder a table and in it one a month, for whatever engine reads them."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.errors import UsageError

if TYPE_CHECKING:
    import pyarrow as pa


def write_parquet(tables: Mapping[tuple[str, str], pa.Table], out: Path) -> int:
    """Write ``OUT/TABLE/month=YYYY-MM/part.parquet`` for each table and month, all of them or none.

    Args:
        tables: table name and month to rows.
        out: a new folder; it is made for its owner alone, as are the files.

    Returns:
        How many files were written.

    Raises:
        UsageError: the folder cannot be made or written.
    """
    import pyarrow.parquet as parquet

    try:
        # Beside the place it goes to, so that it is renamed whole; mkdtemp makes it with mode 0700.
        making = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
        try:
            for (table, month), rows in sorted(tables.items(), key=lambda item: item[0]):
                folder = making / table / f"month={month}"
                folder.parent.mkdir(0o700, exist_ok=True)
                folder.mkdir(0o700)
                descriptor = os.open(folder / "part.parquet", os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with os.fdopen(descriptor, "wb") as file:
                    parquet.write_table(rows, file)
            making.rename(out)
        except BaseException:
            shutil.rmtree(making, ignore_errors=True)
            raise
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the disk refuses"
        raise UsageError(f"cannot write {out}: {why}", "choose another place with --out DIR") from error
    return len(tables)
