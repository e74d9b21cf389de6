"""Check of the heaps in which an HDF5 file keeps texts: the library trusts them and may hang.

HDF5 File Format Specification, version 3.0, III.E, disk format of the global heap: a collection is
``GCOL``, version 1, three zero bytes, its size; then objects of index (2 bytes), reference count
(2), four reserved bytes, size (8) and data padded to eight bytes. Index 0 is the free space at the
end.
"""

import struct

from speclake.errors import MalformedFile
from speclake.importing.interface import Source

SIGNATURE = b"\x89HDF\r\n\x1a\n"
_MARK = b"GCOL\x01\0\0\0"
_HEAD = 16


def check_heaps(source: Source) -> None:
    """Nothing, if each heap of texts is whole.

    Raises
    ------
    speclake.errors.MalformedFile
        The objects of a heap do not fill it.
    """
    at = source.held.find(_MARK)
    while at >= 0:
        end = _end_of_whole(source, at)
        if end is None:
            found = "a global heap whose objects do not fill it"
            raise MalformedFile(source.name, f"byte {at}", found, "an undamaged HDF5 file")
        at = source.held.find(_MARK, end)


def _end_of_whole(source: Source, start: int) -> int | None:
    """Where a heap ends; None where its objects do not fill it."""
    size_at = start + len(_MARK)
    if size_at + 8 > source.size:
        return None
    end = start + int(struct.unpack_from("<Q", source.held, size_at)[0])
    at = start + _HEAD
    if not start + _HEAD <= end <= source.size:
        return None
    seen: set[int] = set()
    while end - at >= _HEAD:
        index, _, _, size = struct.unpack_from("<HHIQ", source.held, at)
        if index == 0:
            return end if size == end - at else None
        if index in seen:
            return None
        seen.add(index)
        at += _HEAD + (size + 7) // 8 * 8
    return end if at <= end else None
