"""Spectra in a table, by what a row is: a spectrum, a point of one, or a position of all."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from speclake_plugins.arrowtables.cells import is_list, is_too_long, lists, numbers, texts
from speclake_plugins.arrowtables.opened import ROWS_AT_A_TIME, Opened
from speclake_plugins.arrowtables.settings import ArrowSettings

from speclake.importing.declared import MEDIA, fields_of_header
from speclake.importing.exactly import FloatArray
from speclake.importing.headerfields import fields_of_title, value_unit
from speclake.importing.numbers import NUMBER
from speclake.importing.text import Entries
from speclake.spectrum import Spectrum

if TYPE_CHECKING:
    import pyarrow as pa

ROWS_OF_ONE_VALUE = 65_536
"""Rows that are held at once, where a row is no spectrum."""


@dataclass(frozen=True)
class Reader:
    """Reads a table as a format says."""

    table: Opened
    says: ArrowSettings

    def spectra(self) -> Iterator[Spectrum]:
        """Spectra in the order of the table.

        Raises
        ------
        speclake.errors.MalformedFile
            A column is not there, or holds something else than the format says.
        """
        ways = {"spectra": self._of_rows, "points": self._of_points, "positions": self._of_columns}
        return ways[self.says.rows]()

    # what all forms have

    @property
    def value_columns(self) -> list[str]:
        """Titles of the columns with values."""
        names = self.table.schema.names
        ignored = {self._title(column) for column in self.says.values.ignore}
        if self.says.values.columns is not None:
            return [self._title(column) for column in self.says.values.columns]
        return [name for name in names if name != self.says.axis.column and name not in ignored]

    @property
    def beside(self) -> list[str]:
        """Titles of the columns that are neither axis nor values."""
        taken = {self.says.axis.column, *self.value_columns}
        return [name for name in self.table.schema.names if name not in taken]

    def _title(self, column: int | str) -> str:
        names = self.table.schema.names
        if isinstance(column, int) and column <= len(names):
            return str(names[column - 1])
        if column not in names:
            shown = ", ".join(map(repr, names[:30]))
            raise self.table.refusal("", f"no column {column!r}", f"one of {shown}")
        return str(column)

    def _metadata(self) -> dict[str, str]:
        found = self.table.schema.metadata or {}
        return {
            f"@{key.decode('utf-8', 'backslashreplace')}": text.decode("utf-8", "backslashreplace")
            for key, text in found.items()
        }

    def _spectrum(
        self,
        positions: FloatArray,
        values: FloatArray,
        header: Mapping[str, str],
        title: str,
        place: str,
        notes: tuple[str, ...],
    ) -> Spectrum:
        file, says = self.table.name, self.says
        if len(positions) != len(values):
            found = f"{len(values)} values for {len(positions)} positions"
            raise self.table.refusal(place, found, "as many")
        fields, field_notes = fields_of_header(header, says, file)
        more, title_notes = fields_of_title(title, says)
        fields |= more
        try:
            return Spectrum.as_listed(
                positions, values, axis_unit=says.axis.unit, header=header, fields=fields,
                unit=value_unit(says.values, Entries(dict(header)), title, file, place),
                medium=says.axis.medium or MEDIA.get(fields.get("medium", "")), place=place,
                notes=tuple(dict.fromkeys((*notes, *field_notes, *title_notes))),
            )  # fmt: skip
        except ValueError as error:
            expected = "positions that rise or fall from point to point"
            raise self.table.refusal(place, str(error), expected) from error

    # a row is a spectrum

    def _of_rows(self) -> Iterator[Spectrum]:
        names, metadata, row = self.value_columns, self._metadata(), 0
        fixed = self._fixed_axis()
        for batch in self.table.batches(ROWS_AT_A_TIME):
            said, notes = self._beside(batch)
            values = {name: self._lists(batch, name) for name in names}
            column = self.says.axis.column
            axes = self._lists(batch, column, missing_allowed=False) if column else ([], ())
            for at in range(batch.num_rows):
                row += 1
                header = metadata | {name: text[at] for name, text in said.items() if text[at]}
                for name in names:
                    listed, value_notes = values[name]
                    positions = axes[0][at] if column else self._positions(fixed, len(listed[at]))
                    place = f"row {row}" if len(names) == 1 else f"row {row}, column {name!r}"
                    told = (*notes, *axes[1], *value_notes)
                    yield self._spectrum(positions, listed[at], header, name, place, told)
        self._must_hold(row)

    def _must_hold(self, rows: int) -> None:
        if not rows:
            raise self.table.refusal("", "a table without rows", "at least one")

    def _lists(
        self, batch: "pa.RecordBatch", name: str, *, missing_allowed: bool = True
    ) -> tuple[list[FloatArray], tuple[str, ...]]:
        column = batch.column(self._title(name))
        place = f"column {name!r}"
        return lists(column, self.table.name, place, missing_allowed=missing_allowed)

    def _beside(self, batch: "pa.RecordBatch") -> tuple[dict[str, list[Any]], tuple[str, ...]]:
        said, notes = {}, []
        for name in self.beside:
            column = batch.column(name)
            found = None if is_list(column.type) else texts(column)
            if found is None:
                kind = f"is of the type {column.type}"
                what = "holds a text of over 64 KiB" if is_too_long(column) else kind
                notes.append(f"column {name!r} {what} and is not read")
            else:
                said[name] = found
        return said, tuple(notes)

    def _fixed_axis(self) -> FloatArray | None:
        """Axis that all spectra share, where the format or the metadata list it."""
        axis = self.says.axis
        if axis.values is not None:
            return np.array(axis.values, dtype=np.float64)
        if axis.metadata is None:
            return None
        text = self._metadata().get(f"@{axis.metadata}")
        if text is None:
            expected = f"metadata {axis.metadata!r} with the positions of the axis"
            raise self.table.refusal("", "no such metadata", expected)
        words = re.split(r"[,\s]+", text.strip().removeprefix("[").removesuffix("]").strip())
        if wrong := next((word for word in words if not NUMBER.fullmatch(word)), None):
            raise self.table.refusal(f"metadata {axis.metadata!r}", repr(wrong[:40]), "a number")
        return np.array([float(word) for word in words])

    def _positions(self, fixed: FloatArray | None, points: int) -> FloatArray:
        axis = self.says.axis
        if fixed is not None:
            return fixed
        # in decimals, as the format writes them: 0.1 + 0.2 is 0.3
        first, step = Decimal(repr(axis.first)), Decimal(repr(axis.step))
        return np.array([float(first + at * step) for at in range(points)])

    # a row is a point

    def _of_points(self) -> Iterator[Spectrum]:
        import pyarrow as pa

        batches = list(self.table.batches(ROWS_OF_ONE_VALUE))
        whole = pa.Table.from_batches(batches, self.table.schema).combine_chunks()
        self._must_hold(whole.num_rows)
        positions, axis_notes = self._cells(whole, self.says.axis.column, missing_allowed=False)
        values = {name: self._cells(whole, name) for name in self.value_columns}
        said = {name: coded for name in self.beside if (coded := _coded(whole, name)) is not None}
        metadata = self._metadata()
        for number, rows in enumerate(_groups([said[key] for key in self._keys(said)]), 1):
            rows = rows if len(said) else np.arange(whole.num_rows)
            header, notes = dict(metadata), list(axis_notes)
            for name, (codes, words) in said.items():
                here = codes[rows]
                if (here != here[0]).any():
                    notes.append(f"column {name!r} differs from point to point and is not kept")
                elif here[0] >= 0 and (word := words[here[0]]):
                    header[name] = word
            for name, (found, value_notes) in values.items():
                place = f"spectrum {number}" + (f", column {name!r}" if len(values) > 1 else "")
                told = (*notes, *value_notes)
                yield self._spectrum(positions[rows], found[rows], header, name, place, told)

    def _keys(self, said: Mapping[str, Any]) -> list[str]:
        keys = [self._title(key) for key in self.says.keys]
        if wrong := next((key for key in keys if key not in said), None):
            raise self.table.refusal(f"column {wrong!r}", "no text, number or time", "a key")
        return keys

    def _cells(
        self, whole: Any, name: str | None, *, missing_allowed: bool = True
    ) -> tuple[FloatArray, tuple[str, ...]]:
        assert name is not None
        column = _one_chunk(whole.column(self._title(name)))
        place = f"column {name!r}"
        return numbers(column, self.table.name, place, missing_allowed=missing_allowed)

    # a row is a position

    def _of_columns(self) -> Iterator[Spectrum]:
        import pyarrow as pa

        batches = list(self.table.batches(ROWS_OF_ONE_VALUE))
        whole = pa.Table.from_batches(batches, self.table.schema).combine_chunks()
        self._must_hold(whole.num_rows)
        positions, axis_notes = self._cells(whole, self.says.axis.column, missing_allowed=False)
        header, names = self._metadata(), self.value_columns
        if not names:
            raise self.table.refusal("", "no column beside the axis", "a column of values")
        for name in names:
            values, notes = self._cells(whole, name)
            titled = header | {"column title": name}
            place = f"column {name!r}"
            yield self._spectrum(positions, values, titled, name, place, (*axis_notes, *notes))


def _one_chunk(column: Any) -> Any:
    return column.combine_chunks() if hasattr(column, "chunks") else column


_Codes = npt.NDArray[np.int64]


def _coded(whole: Any, name: str) -> tuple[_Codes, list[str | None]] | None:
    """Column as a number for each cell, -1 where it is null, and the text of each number."""
    import pyarrow as pa

    column = _one_chunk(whole.column(name))
    if is_list(column.type) or pa.types.is_nested(column.type):
        return None
    if pa.types.is_null(column.type):
        return np.full(len(column), -1), []
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    words = texts(column.dictionary)
    codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    return None if words is None else (codes, words)


def _groups(keys: list[tuple[_Codes, list[str | None]]]) -> Iterator[npt.NDArray[np.intp]]:
    """Rows of each group, as listed; groups in the order in which they first appear."""
    if not keys:
        yield np.arange(0)
        return
    group = np.zeros(len(keys[0][0]), dtype=np.int64)
    for codes, _ in keys:
        # numbers of two columns made into one, small again after each column
        pairs = group * (int(codes.max(initial=0)) + 2) + codes + 1
        group = np.unique(pairs, return_inverse=True)[1]
    _, first, counts = np.unique(group, return_index=True, return_counts=True)
    rows = np.split(np.argsort(group, kind="stable"), np.cumsum(counts)[:-1])
    yield from (rows[at] for at in np.argsort(first))
