"""A member of a zip unpacked, within bounds that hold while it is unpacked."""

import zlib
from collections.abc import Iterator
from mmap import mmap

from speclake.errors import MalformedFile
from speclake.intake.zips import Member

MOST_RATIO = 200
"""How many times its packed size a member may unpack to.

Measured with deflate at its hardest: spectra of 2,401 to 200,000 points with their axis reach
3 to 8, a table of 100 columns that are all zeros 141, a bomb 1,032.
"""
RATIO_COUNTS_FROM = 2**20
"""A member that unpacks to less is no danger, whatever its ratio."""

_PIECE = 2**16


def unpacked(
    file: str, content: bytes | mmap, member: Member, most_bytes: int, limit: str
) -> bytes:
    """Bytes of a member, of which no more than allowed are ever made.

    Parameters
    ----------
    most_bytes : what may still be unpacked.
    limit : what sets that, in words.

    Raises
    ------
    speclake.errors.MalformedFile
        It unpacks to more than `most_bytes`, to more than `MOST_RATIO` times its packed size, or
        to something else than the zip says.
    """
    packed = _packed(content, member)
    pieces = _inflated(packed) if member.is_deflated else packed
    made: list[bytes] = []
    size, checksum = 0, 0
    try:
        for piece in pieces:
            size += len(piece)
            if size > most_bytes:
                found = f"more than {most_bytes} bytes, which is all that was left"
                raise MalformedFile(file, member.place, found, limit)
            if size > max(RATIO_COUNTS_FROM, MOST_RATIO * member.packed_size):
                raise MalformedFile(
                    file, member.place,
                    f"{member.packed_size} bytes that unpack to {size} or more",
                    f"at most {MOST_RATIO} times as many",
                )  # fmt: skip
            if size > member.size:
                break
            checksum = zlib.crc32(piece, checksum)
            made.append(piece)
    except (zlib.error, _Unsound) as error:
        raise MalformedFile(
            file, member.place, f"data that do not unpack ({error})", "a whole deflated member"
        ) from error
    if size != member.size:
        more = "or more " if size > member.size else ""
        raise MalformedFile(
            file, member.place, f"{size} bytes {more}unpacked", f"the {member.size} that it states"
        )
    if checksum != member.crc32:
        raise MalformedFile(
            file, member.place, f"the checksum {checksum:08x}", f"{member.crc32:08x}, as it states"
        )
    return b"".join(made)


class _Unsound(Exception):
    """Packed data that end too early or too late."""


def _packed(content: bytes | mmap, member: Member) -> Iterator[bytes]:
    ends = member.data_at + member.packed_size
    for at in range(member.data_at, ends, _PIECE):
        yield content[at : min(at + _PIECE, ends)]


def _inflated(packed: Iterator[bytes]) -> Iterator[bytes]:
    machine = zlib.decompressobj(-zlib.MAX_WBITS)
    for fed in packed:
        while fed and not machine.eof:
            yield machine.decompress(fed, _PIECE)
            fed = machine.unconsumed_tail
        if machine.eof:
            if machine.unused_data or next(packed, b""):
                raise _Unsound("bytes after their end")
            return
    if rest := machine.flush():
        yield rest
    if not machine.eof:
        raise _Unsound("they end too early")
