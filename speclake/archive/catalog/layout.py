"""Tables and views of the catalogue: which columns they have, and what makes a snapshot readable.

The same tables stand in a snapshot and in the tail, so one loader fills both. Views of the same
names unite them; a row of the snapshot that has a newer version in the tail is hidden by its
number. A number is given once, in the order of the chain, so it is the same in every catalogue
of one archive, however that was built.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import duckdb

from speclake.archive.chain import BEFORE_THE_FIRST
from speclake.archive.schemas import SCHEMAS

LAYOUT = 2
"""Counts the changes of this module and of what the loader writes."""

TAIL = "tail"
"""Name of the database that the loader writes: in memory, or a snapshot being built."""

SNAPSHOT = "snapshot"
"""Name of the database below the tail, opened read-only."""


@dataclass(frozen=True)
class Table:
    """Columns of one table: its own, and those of the archive's table of the same rows."""

    own: tuple[str, ...]
    rows: str | None = None
    without: tuple[str, ...] = ()
    derived: tuple[str, ...] = ()
    number: str | None = None
    """Column that names a row for good, where newer versions of a row may replace it."""

    @property
    def taken(self) -> tuple[str, ...]:
        """Columns that come from the archive's table as they are."""
        if self.rows is None:
            return ()
        return tuple(n for n in SCHEMAS[self.rows].names if n not in self.without)


_ROW = ("commit_number BIGINT", "row_in_commit INTEGER")
_VALUES = ("exponent", "integers", "floats")

TABLES: Mapping[str, Table] = {
    "measurements": Table(
        own=(
            "measurement_no INTEGER", *_ROW, "id_key BIGINT", "values_key BIGINT",
            "file_no INTEGER", "folder VARCHAR", "backfill BOOLEAN",
        ),
        rows="measurements",
        without=("header",),
        derived=(
            "outcome VARCHAR", "superseded_by VARCHAR", "withdrawn BOOLEAN",
            "withdrawn_by VARCHAR", "withdrawn_why VARCHAR", "in_review BOOLEAN",
            "review_by VARCHAR", "review_why VARCHAR", "in_conflict BOOLEAN",
            "unassigned BOOLEAN", "search_text VARCHAR",
        ),
        number="measurement_no",
    ),
    "files": Table(
        own=(
            "file_no INTEGER", *_ROW, "id_key BIGINT", "path_key BIGINT", "bytes_key BIGINT",
        ),
        rows="files",
    ),
    "verdicts": Table(
        own=(
            "verdict_no BIGINT", "measurement_no INTEGER", "commit_number BIGINT",
            "current BOOLEAN",
        ),
        rows="verdicts",
        number="verdict_no",
    ),
    "findings": Table(own=("measurement_no INTEGER", "commit_number BIGINT"), rows="findings"),
    "figures": Table(
        own=("measurement_no INTEGER", "commit_number BIGINT"),
        rows="figures",
        without=("figure_id", "measurement_id"),
    ),
    "qualifications": Table(
        own=("measurement_no INTEGER", "commit_number BIGINT"), rows="qualifications"
    ),
    "events": Table(
        own=("event_no INTEGER", "measurement_no INTEGER", "commit_number BIGINT"), rows="events"
    ),
    "derived": Table(own=_ROW, rows="derived", without=_VALUES),
    "axes": Table(
        own=(*_ROW, "points BIGINT", "first DOUBLE", "last DOUBLE"),
        rows="axes",
        without=("values",),
    ),
    "specifications": Table(own=("commit_number BIGINT",), rows="specifications"),
    "standards": Table(own=("commit_number BIGINT",), rows="standards"),
    "links": Table(
        own=(
            "link_no INTEGER", "measurement_no INTEGER", "target_no INTEGER",
            "commit_number BIGINT", "kind VARCHAR", "target VARCHAR", "by_name BOOLEAN",
            "evidence VARCHAR",
        )
    ),
    "commits": Table(
        own=(
            "number BIGINT", "at TIMESTAMPTZ", "who VARCHAR", "why VARCHAR", "kind VARCHAR",
        )
    ),
    "moves": Table(own=("commit_number BIGINT", "batch BIGINT")),
}  # fmt: skip
"""Every table that readers see. ``moves``: which batches stood for that of a commit, the last
counts."""


class About(NamedTuple):
    """What a catalogue says of itself: its commit, and how many numbers of each sort are given."""

    number: int = 0
    hash: str = BEFORE_THE_FIRST
    measurements: int = 0
    files: int = 0
    verdicts: int = 0
    events: int = 0
    links: int = 0


ABOUT = (
    "layout VARCHAR", "number BIGINT", "hash VARCHAR", "measurements INTEGER", "files INTEGER",
    "verdicts BIGINT", "events INTEGER", "links INTEGER",
)  # fmt: skip
"""Columns of the table ``about``, of one row: the layout, then the fields of `About`."""


def fingerprint() -> str:
    """What a snapshot must say of itself to be read by this version."""
    schemas = [f"{name}: {schema}" for name, schema in sorted(SCHEMAS.items())]
    text = "\n".join([str(LAYOUT), repr(TABLES), repr(ABOUT), *schemas])
    return f"{LAYOUT}-{hashlib.sha256(text.encode()).hexdigest()[:16]}"


def columns(table: str) -> tuple[str, ...]:
    """Names of the columns of a table, in order."""
    shape = TABLES[table]
    return (*_names(shape.own), *shape.taken, *_names(shape.derived))


def _names(declared: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(each.split(" ")[0] for each in declared)


def hidden(table: str) -> str:
    """Name of the table that lists the rows of a snapshot which the tail has newer versions of."""
    return f"hidden_{table}"


def create_tables(cursor: duckdb.DuckDBPyConnection, about: About) -> None:
    """Make every table of the tail, empty, on top of what is told of in `about`."""
    for name, shape in TABLES.items():
        parts = [_as_null(column) for column in shape.own]
        source = ""
        if shape.rows is not None:
            cursor.register("shape_of_rows", SCHEMAS[shape.rows].empty_table())
            parts += [f'"{column}"' for column in shape.taken]
            source = "FROM shape_of_rows"
        parts += [_as_null(column) for column in shape.derived]
        cursor.execute(f"CREATE TABLE {TAIL}.{name} AS SELECT {', '.join(parts)} {source} LIMIT 0")
        if shape.number:
            type_ = "INTEGER" if name == "measurements" else "BIGINT"
            cursor.execute(f"CREATE TABLE {TAIL}.{hidden(name)} ({shape.number} {type_})")
        if source:
            cursor.unregister("shape_of_rows")
    cursor.execute(f"CREATE TABLE {TAIL}.about ({', '.join(ABOUT)})")
    marks = ", ".join("?" for _ in ABOUT)
    cursor.execute(f"INSERT INTO {TAIL}.about VALUES ({marks})", [fingerprint(), *about])


def _as_null(column: str) -> str:
    name, type_ = column.split(" ")
    return f"NULL::{type_} AS {name}"


def create_views(cursor: duckdb.DuckDBPyConnection, with_snapshot: bool) -> None:
    """Make the views that unite snapshot and tail.

    What is hidden is left out always: while nothing is, that costs 0.2 ms on 1,000,000 rows.
    """
    for name, shape in TABLES.items():
        select = f"SELECT * FROM {TAIL}.{name}"
        if with_snapshot:
            below = f"SELECT * FROM {SNAPSHOT}.{name}"
            if shape.number:
                below += f" ANTI JOIN {TAIL}.{hidden(name)} USING ({shape.number})"
            select = f"{below} UNION ALL {select}"
        cursor.execute(f"CREATE VIEW {name} AS {select}")
    cursor.execute("CREATE VIEW current_verdicts AS SELECT * FROM verdicts WHERE current")


def key(text: str) -> str:
    """SQL of the integer by which a text is found.

    A column of these is searched many times faster than one of hashes in hexadecimal. Texts that
    share one are told apart by themselves.
    """
    return f"(md5_number({text}) & {2**63 - 1})::BIGINT"


def path_key(folder: str, path: str) -> str:
    """SQL of the integer by which a file of a watched folder is found."""
    return key(f"{folder} || '|' || {path}")


def path_text(folder: str, path: str) -> str:
    """Text whose key is the `path_key` of a file of a watched folder."""
    return f"{folder}|{path}"
