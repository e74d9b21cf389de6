"""The bytes of the files themselves, in a zip archive that any tool opens.

Each member is named by the SHA-256 of its bytes. Python's own `zipfile` reads them; writing is done
here, because a member must be copied from one archive to the next without inflating it, written
through the hashing sink in one pass, and deflated at the speed at which files come in (a text
export of 35 kB: 0.08 ms with isal against 0.28 ms with zlib at its fastest, and a smaller member).
The format is that of ISO/IEC 21320-1: stored or deflated members, ZIP64 where sizes need it. A file
too long to be held is deflated as it is read, and its sizes follow its bytes, as the format allows.
"""

import hashlib
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speclake.archive.locations import Sink
from speclake.errors import ArchiveDamaged, NotFound

try:
    from isal import isal_zlib
except ImportError:  # no wheel for this machine: the same bytes come out of any inflater
    _deflater: Any = zlib
else:
    _deflater = isal_zlib

_STORED, _DEFLATED = 0, 8
_RAW = -15  # no zlib header or trailer around the deflated bytes
_VERSION_NEEDED = 20
_VERSION_NEEDED_64 = 45
_DATE = 0x21  # 1980-01-01, the first day that the format knows: the ledger has the true times
_FULL_16, _FULL_32 = 0xFFFF, 0xFFFFFFFF
_SIZES_FOLLOW = 0x8
_AT_ONCE = 2**20
_LOCAL_HEADER_BYTES = 30


@dataclass(frozen=True, slots=True)
class Member:
    """A file as it lies in an archive: its deflated or stored bytes and what describes them."""

    sha256: str
    method: int
    crc: int
    packed_size: int
    size: int


def packed(sha256: str, content: bytes) -> tuple[Member, bytes]:
    """Member and its bytes, deflated where that makes them fewer."""
    _check_size(len(content))
    crc = _deflater.crc32(content)
    compressor = _deflater.compressobj(1, _deflater.DEFLATED, _RAW)
    data = compressor.compress(content) + compressor.flush()
    method = _DEFLATED
    if len(data) >= len(content):
        data, method = content, _STORED
    return Member(sha256, method, crc, len(data), len(content)), data


def _check_size(size: int) -> None:
    if size >= _FULL_32:
        raise ValueError(f"found a file of {size} bytes; expected less than 4 GiB")


class OriginalsWriter:
    """Writer of one archive, member after member, into a sink."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._directory: list[bytes] = []

    def add(self, member: Member, data: bytes) -> None:
        """Write a member whose bytes are packed already."""
        fields = _fields(member)
        name = member.sha256.encode()
        self._directory.append(_directory_entry(fields, name, self._sink.size))
        self._sink.write(_header(fields, name) + data)

    def copy(self, member: Member, data: Iterable[bytes]) -> None:
        """Write a member whose packed bytes come some at a time."""
        self.add(member, b"")
        for part in data:
            self._sink.write(part)

    def pack(self, sha256: str, path: Path) -> None:
        """Deflate a file, of which little is held at any time, into a member of that hash.

        Raises
        ------
        ValueError
            Its bytes have another hash, or are too many.
        """
        _check_size(path.stat().st_size)
        name, start = sha256.encode(), self._sink.size
        unknown = Member(sha256, _DEFLATED, 0, 0, 0)
        self._sink.write(_header(_fields(unknown, _SIZES_FOLLOW), name))
        first = self._sink.size
        size, crc, digest = 0, 0, hashlib.sha256()
        compressor = _deflater.compressobj(1, _deflater.DEFLATED, _RAW)
        with path.open("rb") as stream:
            while part := stream.read(_AT_ONCE):
                size, crc = size + len(part), _deflater.crc32(part, crc)
                digest.update(part)
                self._sink.write(compressor.compress(part))
        self._sink.write(compressor.flush())
        check_hash(sha256, digest.hexdigest())
        packed_size = self._sink.size - first
        self._sink.write(struct.pack("<IIII", 0x08074B50, crc, packed_size, size))
        member = Member(sha256, _DEFLATED, crc, packed_size, size)
        self._directory.append(_directory_entry(_fields(member, _SIZES_FOLLOW), name, start))

    def finish(self) -> int:
        """Write the directory; the number of members."""
        start, count = self._sink.size, len(self._directory)
        self._sink.write(b"".join(self._directory))
        size = self._sink.size - start
        if count >= _FULL_16 or self._sink.size >= _FULL_32:
            self._sink.write(_end_64(count, size, start, self._sink.size))
        self._sink.write(
            struct.pack(
                "<IHHHHIIH",
                0x06054B50,
                0,
                0,
                min(count, _FULL_16),
                min(count, _FULL_16),
                min(size, _FULL_32),
                min(start, _FULL_32),
                0,
            )
        )
        return count


def check_hash(name: str, found: str) -> None:
    """Nothing where an original is named by its hash.

    Raises
    ------
    ValueError
        It is not.
    """
    if found != name:
        raise ValueError(f"found an original named {name} whose bytes have the hash {found}")


def _fields(member: Member, flags: int = 0) -> bytes:
    """What the header of a member and its entry in the directory share."""
    return struct.pack(
        "<HHHHIIIHH",
        flags,
        member.method,
        0,
        _DATE,
        member.crc,
        member.packed_size,
        member.size,
        len(member.sha256),
        0,
    )


def _header(fields: bytes, name: bytes) -> bytes:
    return struct.pack("<IH", 0x04034B50, _VERSION_NEEDED) + fields + name


def _directory_entry(fields: bytes, name: bytes, offset: int) -> bytes:
    extra, needed = b"", _VERSION_NEEDED
    if offset >= _FULL_32:
        extra, needed = struct.pack("<HHQ", 1, 8, offset), _VERSION_NEEDED_64
    fields = fields[:-2] + struct.pack("<H", len(extra))
    return (
        struct.pack("<IHH", 0x02014B50, needed, needed)
        + fields
        + struct.pack("<HHHII", 0, 0, 0, 0, min(offset, _FULL_32))
        + name
        + extra
    )


def _end_64(count: int, size: int, start: int, here: int) -> bytes:
    return struct.pack(
        "<IQHHIIQQQQ",
        0x06064B50,
        44,
        _VERSION_NEEDED_64,
        _VERSION_NEEDED_64,
        0,
        0,
        count,
        count,
        size,
        start,
    ) + struct.pack("<IIQI", 0x07064B50, 0, here, 1)


class OriginalsReader:
    """Reader of one archive, which is closed with `close` or at the end of a with-block.

    Raises
    ------
    FileNotFoundError
        The archive is not there.
    speclake.errors.ArchiveDamaged
        The file is no whole zip archive.
    """

    def __init__(self, path: Path, name: str) -> None:
        self._name = name
        try:
            self._zip = zipfile.ZipFile(path)
        except FileNotFoundError as error:
            raise FileNotFoundError(error.errno, "no such file", name) from error
        except (zipfile.BadZipFile, NotImplementedError, ValueError, EOFError) as error:
            raise ArchiveDamaged(f"{name}: {error}; expected a zip archive") from error
        self._file: Any = self._zip.fp

    def close(self) -> None:
        """Let go of the file."""
        self._zip.close()

    def __enter__(self) -> "OriginalsReader":
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def names(self) -> list[str]:
        """SHA-256 of each member, in the order of writing."""
        return self._zip.namelist()

    def read(self, sha256: str) -> bytes:
        """Bytes of a file, checked against their hash.

        Raises
        ------
        speclake.errors.NotFound
            The archive does not hold the file.
        speclake.errors.ArchiveDamaged
            The bytes are not those of the hash.
        """
        return b"".join(self.parts(sha256))

    def parts(self, sha256: str) -> Iterator[bytes]:
        """Bytes of a file, some at a time; their hash is checked behind the last.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `read`.
        """
        digest = hashlib.sha256()
        try:
            with self._zip.open(sha256) as member:
                while part := member.read(_AT_ONCE):
                    digest.update(part)
                    yield part
        except KeyError as error:
            raise NotFound(f"{self._name}: found no member {sha256}") from error
        except (zipfile.BadZipFile, zlib.error, NotImplementedError, ValueError, EOFError) as error:
            raise ArchiveDamaged(f"{self._name}, {sha256}: {error}") from error
        found = digest.hexdigest()
        if found != sha256:
            raise ArchiveDamaged(f"{self._name}, {sha256}: found bytes with the hash {found}")

    def members(self) -> Iterator[tuple[Member, Iterator[bytes]]]:
        """Members with their packed bytes, in the order of writing.

        The bytes of one must be used up before the next member is asked for.
        """
        for info in self._zip.infolist():
            self._file.seek(info.header_offset)
            header = self._file.read(_LOCAL_HEADER_BYTES)
            name_length, extra_length = struct.unpack("<HH", header[26:30])
            self._file.seek(name_length + extra_length, 1)
            yield (
                Member(
                    info.filename,
                    info.compress_type,
                    info.CRC,
                    info.compress_size,
                    info.file_size,
                ),
                self._packed_bytes(info.compress_size),
            )

    def _packed_bytes(self, size: int) -> Iterator[bytes]:
        while size and (part := self._file.read(min(size, _AT_ONCE))):
            size -= len(part)
            yield part
