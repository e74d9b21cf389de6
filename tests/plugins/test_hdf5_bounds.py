"""What HDF5 files may cost, and what is said when the memory does not do."""

import struct
from typing import Any

import numpy as np
import pytest
from speclake_plugins.hdf5 import Hdf5Importer
from speclake_plugins.hdf5.heaps import check_heaps
from speclake_plugins.hdf5.opened import opened

from speclake.errors import MalformedFile
from tests.plugins.hdf5_files import MAPPING, mapping, scans, source, written


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


def test_a_label_longer_than_a_header_refuses_the_file():
    def write(file: Any) -> None:
        mapping(file)
        del file["site"]
        file["site"] = np.array(["A" * 65_537] * 3, dtype=object)

    with pytest.raises(MalformedFile, match="a text of 65537 signs"):
        list(Hdf5Importer().read(source(written(write), MAPPING)))
