"""How much a Parquet file declares to hold, from its footer, before anything is unpacked.

Apache Parquet format 2.11, ``parquet.thrift``: the file ends with the metadata, their length
(int32) and ``PAR1``. They are a struct in Thrift's compact protocol, of which three paths are read:
``FileMetaData.row_groups`` (4), ``RowGroup.columns`` (1) and ``num_rows`` (3), and
``ColumnChunk.meta_data`` (3) with ``num_values`` (5) and ``total_uncompressed_size`` (6).
The general library gives these numbers too, but ends the process where a footer is damaged.
"""

import struct
from collections.abc import Iterator
from typing import Any

from speclake.errors import MalformedFile
from speclake.importing.exactly import check_size
from speclake.importing.interface import Source

PARQUET_MARK = b"PAR1"
_DEEPEST = 32


def check_footer(source: Source) -> None:
    """Nothing, if the file is whole and what it declares fits a file of its size.

    Raises
    ------
    speclake.errors.MalformedFile
        It was cut short, is damaged, or declares far more than it can hold.
    """
    numbers = 0
    try:
        for declared in _declared(_footer(source)):
            numbers += declared
            check_size(numbers, source.size, source.name, "a row group")
    except (_Damaged, struct.error, IndexError) as error:
        found = f"a footer that is damaged or not there ({error})"
        raise MalformedFile(source.name, "its end", found, "a whole Parquet file") from error


class _Damaged(Exception):
    """Something that is no footer."""


def _footer(source: Source) -> bytes:
    if source.size < 12 or source.held[source.size - 4 : source.size] != PARQUET_MARK:
        raise _Damaged("no mark of Parquet")
    end = source.size - 8
    length = struct.unpack("<i", source.held[end : end + 4])[0]
    if not 0 < length <= end - 4:
        raise _Damaged("a length that is none")
    return source.held[end - length : end]


def _declared(footer: bytes) -> Iterator[int]:
    """Eight-byte numbers that each column of each row group declares to hold, once unpacked."""
    for group in _list_in(_Thrift(footer).struct(), 4):
        rows = _number_in(group, 3)
        for column in _list_in(group, 1):
            said = column.get(3)
            if not isinstance(said, dict):
                raise _Damaged("a column without a description")
            yield max(rows, _number_in(said, 5), _number_in(said, 6) // 8)


def _list_in(found: dict[int, Any], field: int) -> list[dict[int, Any]]:
    values = found.get(field)
    if not isinstance(values, list) or not all(isinstance(each, dict) for each in values):
        raise _Damaged("no list where one is due")
    return values


def _number_in(found: dict[int, Any], field: int) -> int:
    value = found.get(field)
    if not isinstance(value, int) or value < 0:
        raise _Damaged("no count where one is due")
    return value


class _Thrift:
    """Reader of the compact protocol: a struct becomes its fields by number."""

    def __init__(self, content: bytes) -> None:
        self.content, self.at = content, 0

    def struct(self, depth: int = 0) -> dict[int, Any]:
        """Fields of the struct that begins here."""
        if depth > _DEEPEST:
            raise _Damaged("structs in structs without end")
        fields: dict[int, Any] = {}
        number = 0
        while (head := self._byte()) != 0:
            number = number + (head >> 4) if head >> 4 else self._signed()
            fields[number] = self._value(head & 15, depth)
        return fields

    def _byte(self) -> int:
        self.at += 1
        return self.content[self.at - 1]

    def _varint(self) -> int:
        found = 0
        for shift in range(0, 70, 7):
            byte = self._byte()
            found |= (byte & 0x7F) << shift
            if byte < 0x80:
                return found
        raise _Damaged("a number without end")

    def _signed(self) -> int:
        found = self._varint()
        return (found >> 1) ^ -(found & 1)

    def _value(self, kind: int, depth: int) -> Any:
        if kind in (1, 2):
            return kind == 1
        if kind == 3:
            return self._byte()
        if kind in (4, 5, 6):
            return self._signed()
        if kind in (7, 8):
            return self._skip(8 if kind == 7 else self._varint())
        if kind in (9, 10):
            return self._list(depth)
        if kind == 12:
            return self.struct(depth + 1)
        raise _Damaged(f"a value of the kind {kind}")

    def _skip(self, length: int) -> None:
        self.at += length
        if self.at > len(self.content):
            raise _Damaged("a text longer than the footer")

    def _list(self, depth: int) -> list[Any]:
        head = self._byte()
        kind, length = head & 15, head >> 4
        if length == 15:
            length = self._varint()
        # even a truth value takes a byte of a list
        if length > len(self.content) - self.at or depth > _DEEPEST:
            raise _Damaged("a list longer than the footer")
        return [
            self._byte() if kind in (1, 2) else self._value(kind, depth + 1) for _ in range(length)
        ]
