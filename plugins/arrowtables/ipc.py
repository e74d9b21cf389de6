"""Check of an Arrow IPC stream before its values are unpacked: is it whole, how much does it hold.

Apache Arrow columnar format 1.5, "Serialization and Interprocess Communication": a message is
``FF FF FF FF``, the length of its metadata (int32), the metadata (a flatbuffer: ``Message.fbs``),
and its body; length 0 ends the stream. A packed buffer begins with its unpacked length (int64).
"""

import struct
from collections.abc import Iterator
from typing import BinaryIO

from speclake.errors import MalformedFile
from speclake.importing.exactly import check_size
from speclake.importing.interface import Source

FILE_MARK = b"ARROW1"
CONTINUATION = b"\xff\xff\xff\xff"
_DICTIONARY, _RECORDS = 2, 3
_MOST_METADATA = 64 * 2**20


def start_of_stream(source: Source) -> int:
    """Where the stream begins: in a file of the IPC file format, behind its mark.

    Raises
    ------
    speclake.errors.MalformedFile
        A file with the mark at its beginning has none at its end.
    """
    if source.held[:6] != FILE_MARK:
        return 0
    if source.size < 16 or source.held[source.size - 6 : source.size] != FILE_MARK:
        found = "a file that does not end with the mark with which it begins"
        raise MalformedFile(source.name, "its end", found, "a whole Arrow file")
    return 8


def check_stream(source: Source, start: int) -> None:
    """Nothing, if the stream has its end and what it declares fits a file of its size.

    Raises
    ------
    speclake.errors.MalformedFile
        It was cut short, is damaged, or declares far more than it can hold.
    """
    stream, numbers = source.open(), 0
    stream.seek(start)
    try:
        for declared in _declared(stream, source.size):
            numbers += declared
            check_size(numbers, source.size, source.name, "a batch")
    except (struct.error, _CutShort) as error:
        found = f"a stream of messages that is damaged or has no end ({error})"
        raise MalformedFile(source.name, "", found, "a whole Arrow stream") from error


class _CutShort(Exception):
    """Fewer bytes than a message has."""


def _declared(stream: BinaryIO, size: int) -> Iterator[int]:
    """Eight-byte numbers that each message declares to hold, once unpacked."""
    while True:
        head = _exactly(stream, 8)
        length = struct.unpack("<i", head[4:])[0]
        if head[:4] != CONTINUATION or not 0 <= length <= min(size, _MOST_METADATA):
            raise _CutShort("no mark of a message")
        if length == 0:
            return
        message = _Flat(_exactly(stream, length))
        body = stream.tell()
        table = message.root()
        body_length = message.int64(table, 3)
        if not 0 <= body_length <= size - body:
            raise _CutShort("a body that is longer than the file")
        yield from _unpacked(stream, message, table, body)
        stream.seek(body + body_length)


def _exactly(stream: BinaryIO, length: int) -> bytes:
    found = stream.read(length)
    if len(found) != length:
        raise _CutShort("the file ends")
    return found


def _unpacked(stream: BinaryIO, message: "_Flat", table: int, body: int) -> Iterator[int]:
    kind, batch = message.uint8(table, 1), message.below(table, 2)
    if kind == _DICTIONARY:
        batch = message.below(batch, 1)
    elif kind != _RECORDS:
        return
    yield message.int64(batch, 0)
    is_packed = bool(message.at(batch, 3))
    for offset, length in message.pairs(batch, 2):
        if not is_packed or length < 8:
            yield max(0, length) // 8
            continue
        stream.seek(body + max(0, offset))
        unpacked = struct.unpack("<q", _exactly(stream, 8))[0]
        yield max(length, unpacked) // 8


class _Flat:
    """The few parts of a flatbuffer that are looked at; a bad offset is a `struct.error`."""

    def __init__(self, content: bytes) -> None:
        self.content = content

    def _read(self, form: str, at: int) -> int:
        if at < 0:
            raise struct.error("an offset before the message")
        return int(struct.unpack_from(form, self.content, at)[0])

    def root(self) -> int:
        """Place of the root table."""
        return self._read("<I", 0)

    def at(self, table: int, field: int) -> int:
        """Place of a field of a table, 0 where the table has none."""
        directory = table - self._read("<i", table)
        entry = 4 + 2 * field
        if entry >= self._read("<H", directory):
            return 0
        offset = self._read("<H", directory + entry)
        return table + offset if offset else 0

    def below(self, table: int, field: int) -> int:
        """Place of a table or vector to which a field points."""
        place = self.at(table, field)
        return place + self._read("<I", place)

    def int64(self, table: int, field: int) -> int:
        """A 64-bit field, 0 where it is left out; never below 0."""
        place = self.at(table, field)
        return max(0, self._read("<q", place)) if place else 0

    def uint8(self, table: int, field: int) -> int:
        """An 8-bit field, 0 where it is left out."""
        place = self.at(table, field)
        return self._read("<B", place) if place else 0

    def pairs(self, table: int, field: int) -> Iterator[tuple[int, int]]:
        """Pairs of 64-bit integers of a vector."""
        if not self.at(table, field):
            return
        vector = self.below(table, field)
        for number in range(self._read("<I", vector)):
            at = vector + 4 + 16 * number
            yield self._read("<q", at), self._read("<q", at + 8)
