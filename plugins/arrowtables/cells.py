"""Cells of Arrow columns as float64, exactly, and as header text."""

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from speclake.errors import MalformedFile
from speclake.importing.exactly import FloatArray, as_float64, precision_notes, text_of_number

if TYPE_CHECKING:
    import pyarrow as pa

MOST_BYTES_OF_A_CELL = 65_536
_TICKS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}
_DIGITS = {"s": 0, "ms": 3, "us": 6, "ns": 9}
_WIDTHS: dict[str, type[Any]] = {
    "halffloat": np.float16, "float": np.float32, "double": np.float64
}  # fmt: skip


def plain(column: "pa.Array") -> "pa.Array":
    """Column without a dictionary."""
    import pyarrow as pa

    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def numbers(
    column: "pa.Array", file: str, place: str, *, missing_allowed: bool = True
) -> tuple[FloatArray, tuple[str, ...]]:
    """Cells as float64, NaN where one is null, and reading notes.

    Raises
    ------
    speclake.errors.MalformedFile
        They are no numbers, or not to be held exactly; or one is missing where none may be.
    """
    import pyarrow as pa

    column = plain(column)
    kind = column.type
    if pa.types.is_decimal(kind):
        values = np.array([np.nan if each is None else float(each) for each in column.to_pylist()])
        notes: tuple[str, ...] = (f"{place}: decimals, each as the nearest float64",)
        values = as_float64(values.astype(np.float64), file, place)
    elif pa.types.is_integer(kind) or pa.types.is_floating(kind):
        is_null = column.is_null().to_numpy(zero_copy_only=False)
        whole = _without_nulls(column)
        found = np.asarray(whole.to_numpy(zero_copy_only=False))
        values = np.where(is_null, np.nan, as_float64(found, file, place))
        notes = precision_notes(found.dtype, place)
    elif pa.types.is_null(kind):
        values, notes = np.full(len(column), np.nan), ()
    else:
        raise MalformedFile(file, place, f"cells of the type {kind}", "numbers")
    if not missing_allowed and np.isnan(values).any():
        raise MalformedFile(file, place, "a position that is missing", "a number at each point")
    return values, notes


def _without_nulls(column: Any) -> Any:
    import pyarrow as pa

    if not column.null_count:
        return column
    if pa.types.is_float16(column.type):
        return pa.array(np.array([each or 0.0 for each in column.to_pylist()], dtype=np.float16))
    return column.fill_null(0)


def is_list(kind: "pa.DataType") -> bool:
    """Whether each cell of a column holds many values."""
    import pyarrow as pa

    tests = (pa.types.is_list, pa.types.is_large_list, pa.types.is_fixed_size_list)
    return any(test(kind) for test in tests)


def lists(
    column: "pa.Array", file: str, place: str, *, missing_allowed: bool = True
) -> tuple[list[FloatArray], tuple[str, ...]]:
    """Lists of a column as float64 arrays, and reading notes.

    Raises
    ------
    speclake.errors.MalformedFile
        A cell holds no list, or no numbers in it.
    """
    if not is_list(column.type):
        raise MalformedFile(file, place, f"cells of the type {column.type}", "lists of numbers")
    if column.null_count:
        raise MalformedFile(file, place, "a cell without a list", "a list of numbers in each cell")
    lengths = column.value_lengths().to_numpy(zero_copy_only=False)
    values, notes = numbers(column.flatten(), file, place, missing_allowed=missing_allowed)
    ends = np.cumsum(lengths)
    return [values[end - length : end] for end, length in zip(ends, lengths, strict=True)], notes


def is_too_long(column: "pa.Array") -> bool:
    """Whether a cell of a column is longer than any header entry."""
    import pyarrow as pa
    import pyarrow.compute as pc

    words = column.dictionary if pa.types.is_dictionary(column.type) else column
    if not (pa.types.is_string(words.type) or pa.types.is_large_string(words.type)):
        return False
    return bool((pc.max(pc.binary_length(words)).as_py() or 0) > MOST_BYTES_OF_A_CELL)


def texts(column: "pa.Array") -> list[str | None] | None:
    """Cells as header text, None where one is null; None where they have none or it is too long."""
    import pyarrow as pa

    if is_too_long(column):
        return None
    column = plain(column)
    kind, types = column.type, pa.types
    if types.is_null(kind):
        return [None] * len(column)
    if types.is_timestamp(kind):
        ticks = column.cast(pa.int64()).to_pylist()
        return [None if each is None else moment(each, kind) for each in ticks]
    if types.is_floating(kind):
        return [_number(each) for each in column]
    plain_kinds = (
        types.is_string, types.is_large_string, types.is_string_view, types.is_integer,
        types.is_boolean, types.is_decimal, types.is_date,
    )  # fmt: skip
    if not any(test(kind) for test in plain_kinds):
        return None
    return [None if each is None else _text(each) for each in column.to_pylist()]


def _number(cell: Any) -> str | None:
    if not cell.is_valid:
        return None
    width: type[Any] = {"halffloat": np.float16, "float": np.float32}.get(
        str(cell.type), np.float64
    )
    return text_of_number(width(cell.as_py()))


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return text_of_number(value)
    return format(value, "f") if hasattr(value, "as_tuple") else str(value)


def moment(ticks: int, kind: Any) -> str:
    """ISO 8601 of a timestamp: in UTC where the column has a zone, without an offset elsewhere."""
    whole, part = divmod(ticks, _TICKS[kind.unit])
    found = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=whole)
    fraction = "." + f"{part:0{_DIGITS[kind.unit]}d}".rstrip("0") if part else ""
    return f"{found.replace(tzinfo=None).isoformat()}{fraction}{'+00:00' if kind.tz else ''}"
