"""One open catalogue: a snapshot, or none, and the tail of what was committed after it.

A session lives in an in-memory database of this process; the snapshot is attached read-only and
the process never holds a lock that another would meet. Every call works on a cursor of its own,
so threads may search while a refresh writes the tail, and see it whole or not at all.
"""

import os
import secrets
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from speclake.archive.catalog.layout import (
    SNAPSHOT,
    TAIL,
    About,
    create_tables,
    create_views,
    fingerprint,
    hidden,
)
from speclake.archive.catalog.loading import Below, load
from speclake.archive.catalog.source import Chunk

SPILL = ".spill"
"""How the name of the folder ends in which DuckDB puts what exceeds its memory."""

_DAMAGE = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
)


def is_damage(error: duckdb.Error) -> bool:
    """Whether an error tells that a file of DuckDB's own is not whole."""
    return isinstance(error, _DAMAGE) or "Corrupt database file" in str(error)


class UnusableSnapshot(Exception):
    """A snapshot cannot be read, or is not of this archive or this version; says why."""


@dataclass(frozen=True)
class Resources:
    """What a session may use of the machine."""

    memory_mb: int = 200
    threads: int = 2


class Session:
    """A connection that shows the archive as of one commit.

    Parameters
    ----------
    snapshot : the published file below the tail; None starts from nothing.
    building : file that the rows are loaded into, instead of a tail in memory.

    Raises
    ------
    UnusableSnapshot
        The file cannot be read by this version.
    """

    def __init__(
        self,
        resources: Resources,
        *,
        snapshot: Path | None = None,
        building: Path | None = None,
    ) -> None:
        self.snapshot = snapshot
        self._connection = duckdb.connect(
            config={
                "memory_limit": f"{resources.memory_mb}MB",
                "threads": resources.threads,
                "temp_directory": str(_spill_folder(building)),
                "autoinstall_known_extensions": False,
            }
        )
        try:
            self._connection.execute("SET TimeZone = 'UTC'")
            below = self._attach(snapshot, SNAPSHOT, "(READ_ONLY)") if snapshot else About()
            shown = self._open_tail(below) if building is None else self._open_building(building)
            create_views(self._connection, snapshot is not None)
        except BaseException:
            self._connection.close()
            raise
        self._below = Below(below.measurements, below.verdicts)
        self.base, self.base_rows = below.number, below.measurements + below.files
        self.number, self.hash = shown.number, shown.hash

    def _open_tail(self, below: About) -> About:
        self._connection.execute(f"ATTACH ':memory:' AS {TAIL}")
        create_tables(self._connection, below)
        return below

    def _open_building(self, path: Path) -> About:
        # each checkpoint writes the last, partial row groups anew: one, at the end, is enough
        self._connection.execute("SET wal_autocheckpoint = '1TB'")
        if path.exists():
            return self._attach(path, TAIL, "")
        self._connection.execute(f"ATTACH {_quoted(path)} AS {TAIL}")
        create_tables(self._connection, About())
        return About()

    def _attach(self, path: Path, name: str, options: str) -> About:
        try:
            self._connection.execute(f"ATTACH {_quoted(path)} AS {name} {options}")
            found = self._connection.execute(f"SELECT * FROM {name}.about").fetchone()
        except duckdb.Error as error:
            raise UnusableSnapshot(f"{path.name}: {_first_line(error)}") from error
        layout = found[0] if found else None
        if found is None or layout != fingerprint():
            raise UnusableSnapshot(
                f"{path.name}: found the layout {layout!r}; expected {fingerprint()!r}, that of "
                "this version"
            )
        return About(*found[1:])

    def load(self, chunk: Chunk) -> None:
        """Show the commits of a chunk that follows what is shown."""
        with self.cursor() as cursor:
            load(cursor, chunk, self._below)
        self.number, self.hash = chunk.last.number, chunk.last.hash

    @property
    def has_snapshot(self) -> bool:
        """Whether there is one below the tail."""
        return self.snapshot is not None

    def hidden_rows(self) -> int:
        """Measurements of the snapshot of which the tail has newer versions."""
        return int(self.rows(f"SELECT count(*) FROM {TAIL}.{hidden('measurements')}")[0][0])

    @property
    def tail_commits(self) -> int:
        """Commits shown since the snapshot."""
        return self.number - self.base

    def tail_rows(self) -> int:
        """Measurements and ledger lines in the tail, versions of older ones included."""
        sql = f"""SELECT (SELECT count(*) FROM {TAIL}.measurements)
                         + (SELECT count(*) FROM {TAIL}.files)"""
        with self.cursor() as cursor:
            found = cursor.execute(sql).fetchone()
        return int(found[0]) if found else 0

    @contextmanager
    def cursor(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Cursor of its own for one call."""
        with self._connection.cursor() as cursor:
            yield cursor

    def frame(self, sql: str, parameters: Sequence[object] = ()) -> pl.DataFrame:
        """Result of a query, times in UTC."""
        found = pl.from_arrow(self.arrow(sql, parameters))
        assert isinstance(found, pl.DataFrame)
        times = pl.selectors.datetime(time_zone="*")  # some versions of DuckDB say Etc/UTC
        return found.with_columns(times.dt.convert_time_zone("UTC"))

    def rows(self, sql: str, parameters: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Result of a query that gives no times."""
        with self.cursor() as cursor:
            return cursor.execute(sql, list(parameters)).fetchall()

    def arrow(self, sql: str, parameters: Sequence[object] = ()) -> Any:
        """Result of a query as a pyarrow.Table."""
        with self.cursor() as cursor:
            return cursor.sql(sql, params=list(parameters)).to_arrow_table()

    def finish(self) -> None:
        """Have every row of a file being built in that file, and let go of it."""
        self._connection.execute(f"CHECKPOINT {TAIL}")
        self.close()

    def close(self) -> None:
        """Let go of every file."""
        self._connection.close()


def _spill_folder(building: Path | None) -> Path:
    """Folder that DuckDB makes when it needs it, and removes: two processes must not share one.

    What is left of it by a process that was killed while building, when most is in it, is found
    beside the file.
    """
    if building is not None:
        return building.with_name(building.name + SPILL)
    return Path(tempfile.gettempdir()) / f"speclake-{os.getpid()}-{secrets.token_hex(4)}"


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
