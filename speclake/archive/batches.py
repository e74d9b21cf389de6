"""The files of a batch: Parquet tables and the zip of originals, written once and read back."""

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from speclake.archive.chain import Commit
from speclake.archive.schemas import COMMIT_FIELD, COMMIT_NUMBER, conformed, sealed_schema
from speclake.errors import ArchiveDamaged

FOLDER = "batches"


def read_table(
    root: Path, commit: Commit, table: str, columns: tuple[str, ...] | None = None
) -> Any:
    """Rows of one table in the batch of a commit, each with the number of the commit that added it.

    Parameters
    ----------
    columns : names to read; all where None. `COMMIT_NUMBER` always comes along, as the last.

    Returns
    -------
    pyarrow.Table, with `sealed_schema` (or the named columns of it), plain batch or sealed; rows
    stand in the order of `COMMIT_NUMBER`, then of the first writing. Empty where the batch has
    no such table.

    Raises
    ------
    FileNotFoundError
        The batch was replaced and cleaned away; its rows are in that of the commit replacing it.
    speclake.errors.ArchiveDamaged
        The file is not the Parquet file that was committed.
    """
    entry = commit.entry(table)
    schema = sealed_schema(table)
    if columns is not None:
        schema = pa.schema([schema.field(name) for name in columns] + [COMMIT_FIELD])
    if entry is None:
        return schema.empty_table()
    path = root / entry.path
    try:
        with pq.ParquetFile(path) as file:
            found = file.schema_arrow.names
            wanted = None if columns is None else [n for n in schema.names if n in found]
            rows = file.read(columns=wanted)
    except (pa.ArrowException, OSError) as error:
        if isinstance(error, FileNotFoundError):
            raise
        raise ArchiveDamaged(f"{entry.path}: {error}") from error
    if rows.num_rows != entry.rows:
        raise ArchiveDamaged(
            f"{entry.path}: found {rows.num_rows} rows; expected {entry.rows} (commit "
            f"{commit.number})"
        )
    if columns is None:
        rows = conformed(table, rows, entry.path)
    if COMMIT_NUMBER not in rows.column_names:
        numbers = pa.array(np.full(rows.num_rows, commit.number, np.int64))
        rows = rows.append_column(COMMIT_FIELD, numbers)
    return rows
