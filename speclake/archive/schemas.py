"""Arrow schema of every table, and rows to tables and back without a loss.

A schema follows the fields of its row's dataclass, so that a row cannot gain a fact which the
archive would drop; ``tests/archive/schemas.txt`` shows each change to a reviewer.

Two forms of one table lie on disk. A *plain* batch holds the rows of one commit, in the order in
which they were given, and no more: its commit's number is theirs. A *sealed* batch holds the rows
of many commits, and every table of it has one more column, `COMMIT_NUMBER`, the number of the
plain commit that first added the row; its rows stand in the order of these numbers, then in the
order of the first writing. So "the latest verdict" (commit number, then row) stays the same
whatever was sealed, and (commit number, position among the rows of that commit) names a row for
good. In a batch the n-th row of ``spectra`` belongs to the n-th row of ``measurements``.
"""

import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from datetime import UTC, datetime
from enum import StrEnum
from operator import attrgetter
from typing import Any

import numpy as np
import pyarrow as pa

from speclake.archive.rows import (
    DerivedRow,
    EncodedValues,
    EventRow,
    FigureRow,
    FileRow,
    FindingRow,
    QualificationRow,
    SpecificationRow,
    StandardRow,
    StoredSpectrum,
)
from speclake.errors import ArchiveDamaged
from speclake.measurement import Measurement
from speclake.specs.verdicts import Verdict
from speclake.spectrum import Axis, FloatArray

ROWS: Mapping[str, type] = {
    "measurements": Measurement,
    "spectra": StoredSpectrum,
    "axes": Axis,
    "derived": DerivedRow,
    "verdicts": Verdict,
    "findings": FindingRow,
    "figures": FigureRow,
    "qualifications": QualificationRow,
    "files": FileRow,
    "events": EventRow,
    "specifications": SpecificationRow,
    "standards": StandardRow,
}
"""Class of the rows of each table."""

TABLES = tuple(ROWS)
"""Names of the tables; each is a field of `speclake.archive.rows.Batch`."""

ORIGINALS = "originals"
"""Name, in records and digests, of the bytes of the files themselves."""

COMMIT_NUMBER = "commit_number"
"""The additional column of sealed batches."""

COMMIT_FIELD = pa.field(COMMIT_NUMBER, pa.int64(), nullable=False)


def _list_of(type_: pa.DataType) -> pa.DataType:
    return pa.list_(pa.field("element", type_, nullable=False))


TIME = pa.timestamp("us", "UTC")
TEXT_MAP = pa.map_(pa.string(), pa.field("value", pa.string(), nullable=False))
_SCALARS: Mapping[Any, pa.DataType] = {
    str: pa.string(),
    int: pa.int64(),
    float: pa.float64(),
    bool: pa.bool_(),
    datetime: TIME,
}
_VALUES = (
    pa.field("exponent", pa.int8()),
    pa.field("integers", _list_of(pa.int32())),
    pa.field("floats", _list_of(pa.float64())),
)


def _without_none(hint: Any) -> tuple[Any, bool]:
    """Type without None, and whether None was allowed."""
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        rest = [part for part in typing.get_args(hint) if part is not type(None)]
        if len(rest) == 1:
            return rest[0], True
    return hint, False


def _arrow_type(hint: Any) -> pa.DataType:
    """Arrow type of a field, from its annotation."""
    if hint in _SCALARS:
        return _SCALARS[hint]
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Literal or (isinstance(hint, type) and issubclass(hint, StrEnum)):
        return pa.string()
    if origin is Mapping:
        return TEXT_MAP
    if origin is tuple:
        return _list_of(_arrow_type(arguments[0]))
    if hint == FloatArray:  # NumPy makes it an alias of another kind from Python 3.12 on
        return _list_of(pa.float64())
    if is_dataclass(hint):
        return pa.struct(_arrow_fields(typing.cast(type, hint)))
    raise TypeError(f"no column type for {hint!r}")


def _arrow_fields(row: type) -> list[pa.Field]:
    hints = typing.get_type_hints(row)
    columns: list[pa.Field] = [pa.field("axis_id", pa.string(), False)] if row is Axis else []
    for each in fields(row):
        hint, optional = _without_none(hints[each.name])
        if hint is EncodedValues:
            columns += _VALUES
        else:
            columns.append(pa.field(each.name, _arrow_type(hint), optional))
    return columns


SCHEMAS: Mapping[str, pa.Schema] = {
    name: pa.schema(_arrow_fields(row)) for name, row in ROWS.items()
}
"""Schema of each table as a plain batch holds it."""


def sealed_schema(name: str) -> pa.Schema:
    """Schema of a table as a sealed batch holds it."""
    return SCHEMAS[name].append(COMMIT_FIELD)


# --- rows to columns --------------------------------------------------------------------------


def to_table(name: str, rows: Sequence[Any]) -> pa.Table:
    """Table of rows, in their order.

    Raises
    ------
    ValueError
        A time has no offset from UTC, or a text cannot be written as UTF-8.
    """
    schema = SCHEMAS[name]
    arrays = []
    for field, column in zip(schema, _columns(name, rows), strict=True):
        try:
            arrays.append(_array(column, field.type))
        except (ValueError, TypeError, OverflowError, pa.ArrowException) as error:
            raise ValueError(f"table {name}, column {field.name}: {error}") from error
    return pa.Table.from_arrays(arrays, schema=schema)


def _columns(name: str, rows: Sequence[Any]) -> list[Sequence[Any]]:
    names = [n if n != "axis_id" or name != "axes" else "id" for n in SCHEMAS[name].names]
    value_names = {field.name for field in _VALUES}
    if not value_names.isdisjoint(names):
        names = [f"values.{n}" if n in value_names else n for n in names]
    if not rows:
        return [()] * len(names)
    return list(zip(*map(attrgetter(*names), rows), strict=True))


def _array(column: Sequence[Any], type_: pa.DataType) -> pa.Array:
    if type_ == TIME:
        _check_times(column)
    elif pa.types.is_map(type_):
        return _map_array(column, type_)
    elif pa.types.is_list(type_):
        return _list_array(column, type_)
    return pa.array(column, type_)


def _check_times(column: Sequence[Any]) -> None:
    for value in column:
        if value is not None and value.utcoffset() is None:
            raise ValueError(f"found the time {value.isoformat()}; expected one with its offset")


def _map_array(column: Sequence[Any], type_: pa.DataType) -> pa.Array:
    offsets = np.zeros(len(column) + 1, np.int32)
    np.cumsum([len(value) for value in column], out=offsets[1:])
    keys = pa.array([key for value in column for key in value], type_.key_type)
    items = pa.array([item for value in column for item in value.values()], type_.item_type)
    return pa.MapArray.from_arrays(pa.array(offsets), keys, items, type=type_)


def _list_array(column: Sequence[Any], type_: pa.DataType) -> pa.Array:
    """List column; numbers are joined as arrays, records are built field by field."""
    offsets = np.zeros(len(column) + 1, np.int32)
    np.cumsum([0 if value is None else len(value) for value in column], out=offsets[1:])
    is_missing = [value is None for value in column]
    mask = pa.array(is_missing) if any(is_missing) else None
    element = type_.value_type
    if pa.types.is_struct(element):
        flat = [item for value in column for item in value]
        children = [_array([getattr(i, f.name) for i in flat], f.type) for f in element]
        values = pa.StructArray.from_arrays(children, fields=list(element))
    elif pa.types.is_string(element):
        values = pa.array([item for value in column for item in value], element)
    else:
        number = element.to_pandas_dtype()
        given = [np.asarray(value) for value in column if value is not None and len(value)]
        joined = np.concatenate(given) if given else np.empty(0, number)
        values = pa.array(joined.astype(number, casting="same_kind", copy=False), element)
    return pa.ListArray.from_arrays(pa.array(offsets), values, type=type_, mask=mask)


# --- columns to rows --------------------------------------------------------------------------


def conformed(
    name: str, table: pa.Table, where: str = "", columns: Sequence[str] | None = None
) -> pa.Table:
    """Table with the columns of today's schema, and the commit number where it has one.

    A column that an older version did not write is filled with the field's default, which is None
    or empty.

    Parameters
    ----------
    where : the file, for messages.
    columns : names wanted; all where None.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        A column is unknown here, has another type, or is missing and has no such default.
    """
    place = where or f"table {name}"
    wanted = sealed_schema(name) if COMMIT_NUMBER in table.column_names else SCHEMAS[name]
    unknown = sorted(set(table.column_names) - set(wanted.names))
    if unknown:
        raise ArchiveDamaged(
            f"{place}: found the columns {', '.join(unknown)}; expected only those known to this "
            "version; read the archive with the version that wrote it or a later one"
        )
    if columns is not None:
        wanted = pa.schema([f for f in wanted if f.name in {*columns, COMMIT_NUMBER}])
    if table.schema.equals(wanted):
        return table
    arrays = [_conformed_column(name, table, field, place) for field in wanted]
    return pa.Table.from_arrays(arrays, schema=wanted)


def _conformed_column(name: str, table: pa.Table, field: pa.Field, place: str) -> Any:
    if field.name not in table.column_names:
        return _default_column(name, field, table.num_rows, place)
    column = table.column(field.name)
    if column.type != field.type:
        raise ArchiveDamaged(
            f"{place}, column {field.name}: found the type {column.type}; expected {field.type}"
        )
    return column


def _default_column(name: str, field: pa.Field, n: int, place: str) -> pa.Array:
    for each in fields(ROWS[name]):
        if each.name == field.name:
            default = each.default
            if each.default_factory is not MISSING:
                default = each.default_factory()
            # another default would change the digest of old rows (see digests.py)
            if default is None or (isinstance(default, str | tuple | Mapping) and not default):
                return _array([default] * n, field.type)
    raise ArchiveDamaged(f"{place}: found no column {field.name}; expected one")


def from_table(name: str, table: pa.Table) -> list[Any]:
    """Rows of a table, equal to those that `to_table` was given.

    A commit number, where the table has one, is left out.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        The columns are not those of the table, or hold a word that is not in its vocabulary.
    """
    table = conformed(name, table)
    columns = {field.name: _values(table.column(field.name), field.type) for field in SCHEMAS[name]}
    row, hints = ROWS[name], typing.get_type_hints(ROWS[name])
    given = []
    for each in fields(row):
        hint = _without_none(hints[each.name])[0]
        if hint is EncodedValues:
            parts = (columns[field.name] for field in _VALUES)
            given.append([EncodedValues(*values) for values in zip(*parts, strict=True)])
        else:
            given.append(_revived(columns[each.name], hint, f"table {name}, {each.name}"))
    if row is Axis:
        return [Axis(*values) for values in zip(*given, strict=True)]
    names = [each.name for each in fields(row)]
    return [row(**dict(zip(names, values, strict=True))) for values in zip(*given, strict=True)]


def _values(column: Any, type_: pa.DataType) -> list[Any]:
    """Python values of a column; lists of numbers as arrays that share its memory."""
    if pa.types.is_list(type_) and pa.types.is_primitive(type_.value_type):
        return [value for chunk in column.chunks for value in list_arrays(chunk)]
    values: list[Any] = column.to_pylist()
    return values


def list_arrays(array: pa.ListArray) -> list[Any]:
    """One NumPy array, or None, for each entry of a list column; nothing is copied."""
    offsets = array.offsets.to_numpy()
    numbers = array.values.to_numpy(zero_copy_only=array.values.null_count == 0)
    is_given = array.is_valid().to_numpy(zero_copy_only=False)
    return [
        numbers[start:stop] if given else None
        for start, stop, given in zip(offsets[:-1], offsets[1:], is_given, strict=True)
    ]


def _revived(column: list[Any], hint: Any, place: str) -> list[Any]:
    """Column with the Python types of the row's fields."""
    convert = _converter(hint)
    if convert is None:
        return column
    try:
        return [None if value is None else convert(value) for value in column]
    except ValueError as error:
        raise ArchiveDamaged(f"{place}: {error}") from error


def _converter(hint: Any) -> Callable[[Any], Any] | None:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint
    if hint is datetime:
        return _in_utc
    if origin is typing.Literal:
        return _one_of(arguments)
    if origin is Mapping:
        return dict
    if origin is tuple and is_dataclass(arguments[0]):
        return _records(typing.cast(type, arguments[0]))
    if origin is tuple:
        return (lambda a: tuple(a.tolist())) if arguments[0] in (int, float) else tuple
    return None


def _in_utc(value: datetime) -> datetime:
    return value.replace(tzinfo=UTC)


def _one_of(words: tuple[Any, ...]) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        if value not in words:
            raise ValueError(f"found {value!r}; expected one of {', '.join(words)}")
        return value

    return check


def _records(row: type) -> Callable[[Any], Any]:
    hints = typing.get_type_hints(row)
    converters = {each.name: _converter(_without_none(hints[each.name])[0]) for each in fields(row)}

    def build(values: Any) -> Any:
        return tuple(
            row(**{k: c(v) if (c := converters[k]) and v is not None else v for k, v in r.items()})
            for r in values
        )

    return build
