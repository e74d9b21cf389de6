"""Digest of the rows of a table: the same in whatever order, file or batch they lie.

A row becomes bytes (each value with its column's name and length, so that no two rows give the
same bytes), the bytes a SHA-256, and the digest is the sum of these numbers modulo 2^256. The sum
of the digests of two sets of rows is the digest of both together, so a sealed batch is held
against the records of the commits that it replaces, with or without their files. Who wants to
prove that nothing was changed on purpose has the SHA-256 of each file in the chain; the digest
proves that moving the rows lost, doubled and altered none.

A null, and an empty text, list or map where null is not allowed, adds nothing. So a later version
may add columns that are empty in old rows without changing a digest. It must never change whether
a column allows null.
"""

import hashlib
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from speclake.archive.schemas import COMMIT_NUMBER

_MODULUS = 2**256
_ROWS_AT_ONCE = 1024
_NULL = b"\xff" * 4  # where the length of a value would stand
NOTHING = "0" * 64
"""Digest of no rows."""


def total(digests: Iterable[str]) -> str:
    """Digest of several sets of rows together."""
    return f"{sum(int(digest, 16) for digest in digests) % _MODULUS:064x}"


def originals_digest(names: Iterable[str]) -> str:
    """Digest of a set of files, each given by the SHA-256 of its bytes."""
    return total(names)


def rows_digest(table: Any) -> str:
    """Digest of the rows of a pyarrow.Table, its commit number left out."""
    return f"{sum(_row_numbers(table)) % _MODULUS:064x}"


def digests_by_commit(table: Any) -> dict[int, str]:
    """Digest of the rows of each commit in a table of a sealed batch."""
    sums: dict[int, int] = {}
    commits = table.column(COMMIT_NUMBER).to_numpy().tolist()
    for commit, number in zip(commits, _row_numbers(table), strict=True):
        sums[commit] = sums.get(commit, 0) + number
    return {commit: f"{value % _MODULUS:064x}" for commit, value in sums.items()}


def _row_numbers(table: Any) -> Iterator[int]:
    """SHA-256 of each row in turn, as a number."""
    sha256, number = hashlib.sha256, int.from_bytes
    for view, bounds in _row_bytes(table):
        for start, stop in pairwise(bounds):
            yield number(sha256(view[start:stop]).digest())


def _row_bytes(table: Any) -> Iterator[tuple[memoryview, list[int]]]:
    """Bytes of some rows one after another, and where each begins and the last ends."""
    for batch in table.to_batches(max_chunksize=_ROWS_AT_ONCE):
        columns = [
            encoded
            for field, column in zip(batch.schema, batch.columns, strict=True)
            if field.name != COMMIT_NUMBER and (encoded := _encoded(column, field)) is not None
        ]
        if not columns:
            columns = [pa.array([b""] * batch.num_rows, pa.binary())]
        rows = pc.binary_join_element_wise(*columns, b"")
        _, offsets, data = rows.buffers()
        bounds = np.frombuffer(offsets, np.int32)[rows.offset : rows.offset + len(rows) + 1]
        yield memoryview(data if data is not None else b""), bounds.tolist()


def _encoded(column: Any, field: Any) -> Any | None:
    """Name, length and bytes of each row's value, empty where it adds nothing.

    None where no row adds anything.
    """
    if column.null_count == len(column):
        return None
    values = _bytes(column)
    if not field.nullable and _may_be_empty(field.type):
        is_empty = _lengths(column) == 0
        if is_empty.all():
            return None
        encoded = _with_length(values, f"{field.name}=".encode())
        return pc.if_else(pa.array(is_empty), b"", encoded) if is_empty.any() else encoded
    encoded = _with_length(values, f"{field.name}=".encode())
    return pc.fill_null(encoded, b"") if column.null_count else encoded


def _may_be_empty(kind: Any) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_list(kind) or pa.types.is_map(kind))


def _lengths(column: Any) -> Any:
    """Bytes of each text or blob, entries of each list."""
    if pa.types.is_list(column.type) or pa.types.is_map(column.type):
        return np.diff(column.offsets.to_numpy())
    offsets = np.frombuffer(column.buffers()[1], np.int32)
    return np.diff(offsets[column.offset : column.offset + len(column) + 1])


def _with_length(values: Any, name: bytes = b"") -> Any:
    lengths = _cut(_lengths(values), np.arange(len(values) + 1) * 4)
    return pc.binary_join_element_wise(name, lengths, values, b"")


def _bytes(column: Any) -> Any:
    """Bytes of each value, null where it is null."""
    kind = column.type
    if pa.types.is_string(kind):
        return column.view(pa.binary())
    if pa.types.is_map(kind):
        offsets = column.offsets
        first, last = offsets[0].as_py(), offsets[-1].as_py()
        parts = [_inner(part[first:last]) for part in (column.keys, column.items)]
        return _joined(pc.binary_join_element_wise(*parts, b""), offsets, first)
    if pa.types.is_list(kind):
        return _list_bytes(column)
    if pa.types.is_struct(kind):
        return pc.binary_join_element_wise(*(_inner(part) for part in column.flatten()), b"")
    return _number_bytes(column)


def _inner(values: Any) -> Any:
    """Values inside a list, map or record: here a null is said, for the place must be kept."""
    encoded = _with_length(_bytes(values))
    return pc.fill_null(encoded, _NULL) if values.null_count else encoded


def _list_bytes(column: Any) -> Any:
    offsets = np.zeros(len(column) + 1, np.int64)
    lengths = _lengths(column)
    if column.null_count:
        lengths = np.where(column.is_valid().to_numpy(zero_copy_only=False), lengths, 0)
    np.cumsum(lengths, out=offsets[1:])
    flat = column.flatten()
    if pa.types.is_primitive(flat.type):
        numbers = np.ascontiguousarray(flat.to_numpy())
        joined = _cut(numbers, offsets * numbers.itemsize)
    else:
        joined = _joined(_inner(flat), pa.array(offsets, pa.int32()), 0)
    if column.null_count:
        return pc.if_else(column.is_valid(), joined, pa.scalar(None, pa.binary()))
    return joined


def _joined(parts: Any, offsets: Any, first: int) -> Any:
    return pc.binary_join(pa.ListArray.from_arrays(pc.subtract(offsets, first), parts), b"")


def _number_bytes(column: Any) -> Any:
    """Little-endian bytes of each number, time or flag."""
    kind = column.type
    if pa.types.is_timestamp(kind):
        column = column.cast(pa.int64())
    elif pa.types.is_boolean(kind):
        column = column.cast(pa.uint8())
    filled = pc.fill_null(column, 0) if column.null_count else column
    numbers = np.ascontiguousarray(filled.to_numpy())
    cut = _cut(numbers, np.arange(len(numbers) + 1) * numbers.itemsize)
    if column.null_count:
        return pc.if_else(column.is_valid(), cut, pa.scalar(None, pa.binary()))
    return cut


def _cut(numbers: Any, bounds: Any) -> Any:
    """Binary column whose values are stretches of the memory of an array."""
    little = numbers.astype(numbers.dtype.newbyteorder("<"), copy=False)
    buffers = [None, pa.py_buffer(bounds.astype(np.int32)), pa.py_buffer(little)]
    return pa.Array.from_buffers(pa.binary(), len(bounds) - 1, buffers)
