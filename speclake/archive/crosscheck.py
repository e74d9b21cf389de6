"""Rows held against one another: each that names another finds it, and none is there twice."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from speclake.archive.rows import FileOutcome
from speclake.archive.schemas import ORIGINALS, from_table
from speclake.specs.verdicts import AS_EXPORTED

Names = npt.NDArray[np.bytes_]
Problem = tuple[str, str, str]
"""Path, found, expected."""

_SHOWN = 5
_REFERENCES = (
    ("measurements", "axis_id", "axes", "axis_id", "an axis"),
    ("derived", "axis_id", "axes", "axis_id", "an axis"),
    ("measurements", "file_id", "files", "file_id", "a row of files"),
    ("originals", "", "files", "sha256", "a row of files that holds the original"),
    ("files", "sha256", "originals", "", "an original"),
    ("files", "taken", "measurements", "file_id", "a measurement of the file"),
    ("verdicts", "measurement_id", "measurements", "measurement_id", "a measurement"),
    ("verdicts", "spec_version", "specifications", "spec_version", "a specification"),
    ("verdicts", "drawn_from", "measurements", "measurement_id", "a measurement"),
    ("verdicts", "spectrum", "derived", "derived_id", "a derived spectrum"),
    ("derived", "parents", "measurements", "measurement_id", "a measurement"),
    ("findings", "measurement_id", "measurements", "measurement_id", "a measurement"),
    ("figures", "measurement_id", "measurements", "measurement_id", "a measurement"),
    ("qualifications", "measurement_id", "measurements", "measurement_id", "a measurement"),
    ("qualifications", "programme_version", "standards", "standard_version", "a programme"),
    ("qualifications", "certificate_version", "standards", "standard_version", "a certificate"),
)
"""Column that names a row of another table, and the column in which that must stand."""

_ONCE = (("measurements", "measurement_id"), ("derived", "derived_id"), ("originals", ""))
"""Columns in which nothing stands twice."""


class CrossCheck:
    """Collector of the names in all rows, which are compared when every row was seen."""

    def __init__(self) -> None:
        self.is_complete = True
        """False where a row could not be read, so that what names it cannot be judged."""
        self._names: dict[tuple[str, str], list[Names]] = {}
        self._batch: dict[str, list[Any]] = {}
        self._problems: list[Problem] = []

    def see(self, table: str, rows: Any) -> None:
        """Take in rows of a table, or the names of originals."""
        if table == ORIGINALS:
            self._add(ORIGINALS, "", np.array(rows, dtype=np.bytes_))
            return
        if table == "files":
            self._see_files(rows)
        elif table == "axes":
            self._see_axes(rows)
        for column in _named_columns(table) & set(rows.column_names):
            if (table, column) != ("files", "sha256"):
                self._add(table, column, _named_in(rows.column(column)))
        if table in ("measurements", "spectra"):
            self._batch.setdefault(table, []).append(_paired(table, rows))

    def end_batch(self, number: int) -> None:
        """Hold the spectra of a batch against its measurements, row by row."""
        pairs = {name: pa.concat_tables(parts) for name, parts in self._batch.items()}
        self._batch = {}
        measured, stored = (pairs.get(name) for name in ("measurements", "spectra"))
        if not self.is_complete or (measured is None and stored is None):
            return
        if measured is None or stored is None or not measured.equals(stored):
            self._problems.append(
                (
                    f"commit {number}",
                    f"{_count(measured)} measurements and {_count(stored)} spectra that do not "
                    "agree row by row in measurement, axis and number of points",
                    "the n-th spectrum to be that of the n-th measurement",
                )
            )

    def problems(self) -> Iterator[Problem]:
        """What does not agree, once all rows were seen."""
        yield from self._problems
        if not self.is_complete:
            yield (
                "the rows",
                "some that cannot be read (named here), so none was held against another",
                "all rows; verify again once they are restored",
            )
            return
        for table, column, other, key, what in _REFERENCES:
            missing = np.setdiff1d(self._all(table, column), self._all(other, key))
            if missing.size:
                yield _named(table, column), f"{_shown(missing)} without {what}", f"{what} for each"
        for table, column in _ONCE:
            names, counts = np.unique(self._all(table, column), return_counts=True)
            if (counts > 1).any():
                yield _named(table, column), f"{_shown(names[counts > 1])} twice", "each once"

    def _see_files(self, rows: Any) -> None:
        holding = rows.filter(rows.column("holds_original"))
        self._add("files", "sha256", _texts(holding.column("sha256")))
        is_taken = pc.and_(
            pc.equal(holding.column("outcome"), FileOutcome.TAKEN.value),
            pc.greater(holding.column("measurements"), 0),
        )
        self._add("files", "taken", _texts(holding.filter(is_taken).column("file_id")))

    def _see_axes(self, rows: Any) -> None:
        for axis_id, axis in zip(
            rows.column("axis_id").to_pylist(), from_table("axes", rows), strict=True
        ):
            if axis.id != axis_id:
                self._problems.append((f"axis {axis_id}", f"positions of {axis.id}", "its own"))

    def _add(self, table: str, column: str, names: Names) -> None:
        if (table, column) not in _ONCE:  # few, on thousands of rows
            names = np.unique(names)
        self._names.setdefault((table, column), []).append(names)

    def _all(self, table: str, column: str) -> Names:
        return np.concatenate(self._names.get((table, column), [np.array([], dtype="S1")]))


def _named_columns(table: str) -> set[str]:
    pairs = [pair for a, b, c, d, _ in _REFERENCES for pair in ((a, b), (c, d))]
    return {column for name, column in (*pairs, *_ONCE) if name == table}


def _named_in(column: Any) -> Names:
    """Names in a column of texts or of lists of texts; a spectrum as exported is not named."""
    if pa.types.is_list(column.type):
        column = pc.list_flatten(column)
    return _texts(column.filter(pc.not_equal(column, AS_EXPORTED)))


def _texts(column: Any) -> Names:
    return np.array([text.encode() for text in column.to_pylist()], dtype=np.bytes_)


def _paired(table: str, rows: Any) -> Any:
    """Measurement, axis and number of points of each row."""
    if table == "measurements":
        points = rows.column("points")
    else:
        lengths = [pc.list_value_length(rows.column(name)) for name in ("integers", "floats")]
        points = pc.cast(pc.coalesce(*lengths), pa.int64())
    ids = [rows.column(name).combine_chunks() for name in ("measurement_id", "axis_id")]
    return pa.table({"measurement_id": ids[0], "axis_id": ids[1], "points": points})


def _count(table: Any) -> int:
    return table.num_rows if table is not None else 0


def _named(table: str, column: str) -> str:
    return f"{table}, {column}" if column else table


def _shown(names: Names) -> str:
    texts = [name.decode() for name in names[:_SHOWN].tolist()]
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(texts) + more
