"""What HDF5 files may cost, and what is said when the memory does not do."""

import struct

import pytest
from speclake_plugins.hdf5.heaps import check_heaps
from speclake_plugins.hdf5.opened import opened

from speclake.errors import MalformedFile
from tests.plugins.hdf5_files import scans, source, written


def _heap(data: bytes) -> bytes:
    body = struct.pack("<HHIQ", 1, 1, 0, len(data)) + data
    return b"GCOL\x01\0\0\0" + struct.pack("<Q", 16 + len(body)) + body


def test_a_mark_inside_a_whole_heap_is_a_text_and_no_heap_of_its_own():
    inner = b"GCOL\x01\0\0\0" + b"\xff" * 8
    check_heaps(source(_heap(inner) + _heap(b"12345678")))
    with pytest.raises(MalformedFile, match="a global heap"):
        check_heaps(source(_heap(inner) + inner))


@pytest.mark.parametrize(
    "said", ["memory allocation failed for a chunk", "(memory allocation failed)"]
)
def test_too_little_memory_is_not_called_a_damaged_file(said: str):
    with pytest.raises(MemoryError), opened(source(written(scans))):
        raise OSError(said)
    with pytest.raises(MalformedFile, match="undamaged"), opened(source(written(scans))):
        raise OSError("wrong checksum")
