"""Long JCAMP-DX files are read block by block: memory does not grow with the file."""

import mmap
import tracemalloc
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from speclake_plugins.jcamp import JcampImporter, content, records

from speclake.errors import MalformedFile
from speclake.importing import Source
from speclake.spectrum import Spectrum
from tests.plugins.jcamp_files import (
    DIFFERENCES,
    LINES,
    PAGES,
    linked,
    pairs,
    read,
    refusal,
    seven,
    with_,
)

# a block of some 48 kB, as a scan of 7,201 points in plain numbers has
BLOCK = seven(DIFFERENCES, COMMENT="\n".join(["invented remark".ljust(80, ".")] * 600))


def source_of(file: Path) -> Source:
    with file.open("rb") as stream:
        return Source(file.name, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))


def long_file(file: Path, blocks: int) -> Source:
    file.write_bytes(linked(*[BLOCK] * blocks))
    return source_of(file)


def peak_bytes(spectra: Iterator[Spectrum]) -> tuple[int, int]:
    """How many spectra came, and the most memory that was held at a time."""
    tracemalloc.start()
    try:
        count = sum(1 for _ in spectra)
        return count, tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.timeout(120)
def test_three_times_the_blocks_need_hardly_more_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "_MOST_KEPT", 0)
    few = long_file(tmp_path / "few.jdx", 200)
    many = long_file(tmp_path / "many.jdx", 600)
    assert many.size > 24e6
    count, least = peak_bytes(JcampImporter().read(few))
    assert count == 200
    count, most = peak_bytes(JcampImporter().read(many))
    assert count == 600
    # of a block its place is remembered, in some 500 bytes
    assert most - least < 400 * 700
    assert most < 8e6


def test_a_mapped_file_reads_as_its_bytes_do(tmp_path: Path) -> None:
    file = tmp_path / "scan.jdx"
    file.write_bytes(linked(seven(), seven(DIFFERENCES, title="second"), pairs(["500 1", "506 2"],
                            NPOINTS="2")))  # fmt: skip
    for found, expected in zip(
        JcampImporter().read(source_of(file)), read(file.read_bytes()), strict=True
    ):
        assert found.values.tolist() == expected.values.tolist()
        assert (found.header, found.notes, found.place) == (
            expected.header, expected.notes, expected.place,
        )  # fmt: skip


def test_the_first_spectra_come_before_the_last_block_is_decoded() -> None:
    wrong = seven(["500A0J5%%", "503B6j8j0L", "506@"])
    spectra = JcampImporter().read(Source("scan.jdx", linked(*[seven()] * 3, wrong)))
    assert len(list(islice(spectra, 3))) == 3
    with pytest.raises(MalformedFile, match="Y-check") as refused:
        next(spectra)
    assert refused.value.place == "line 63"


def test_the_structure_of_a_long_file_is_checked_before_anything_is_read() -> None:
    spectra = JcampImporter().read(Source("scan.jdx", linked(*[seven()] * 1000, count=1001)))
    with pytest.raises(MalformedFile, match="1000 blocks in the LINK block"):
        next(spectra)


@pytest.mark.parametrize(
    "file",
    [
        seven(OWNER="nobody"),
        seven(DIFFERENCES),
        seven().replace(b"\n", b"\r\n"),
        seven().replace(b"\n", b"\r"),
        b"\xef\xbb\xbf" + seven() + b"\x1a\x00 \r\n" * 40,
        b"$$ first a comment\n\n" * 9 + with_(seven(), "##XYDATA", "   ##XYDATA"),
        linked(seven(), linked(seven(title="in the second"), seven())),
        seven(closed=False) + seven(),
        pairs(["500, 10; 502.5, 25", "506, -3"]),
        PAGES,
        seven(LINES[:2]),
        seven() + b"\n\n500 1 2 3\n",
        with_(seven(), "##XUNITS= ", "##XUNITS "),
    ],
)
def test_the_size_of_a_window_changes_nothing(file: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    def told() -> list[object] | tuple[str, str]:
        try:
            return [
                (s.values.tolist(), s.axis.values.tolist(), s.header, s.notes) for s in read(file)
            ]
        except MalformedFile as error:
            return error.place, error.found

    expected = told()
    for size in (1, 7, 64):
        monkeypatch.setattr(content, "_WINDOW", size)
        monkeypatch.setattr(records, "_CHUNK_BYTES", size)
        monkeypatch.setattr(records, "_MOST_KEPT", 0)
        assert told() == expected


@pytest.mark.parametrize(
    ("file", "place", "found"),
    [
        (seven(OWNER="x" * 2_000_000), "line 11", "more than 1048576 bytes"),
        (b"##TITLE= x\n" + b"##A= b\n" * 100_001, "line 100001", "one record more"),
        (seven(OWNER="x\n" * 9_000_000), "line 11", "18000002 bytes of ##OWNER="),
        (b"\n" * 300_000 + b"x", "line 300001", "'x'"),
    ],
)
def test_what_no_header_holds_is_refused_before_it_needs_memory(
    file: bytes, place: str, found: str
) -> None:
    error = refusal(file)
    assert (error.place, error.found) == (place, found)


def test_more_blocks_than_any_file_has_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MOST_BLOCKS", 3)
    assert len(read(seven() * 3)) == 3
    assert refusal(seven() * 4).found == "one block more"


def test_very_many_blocks_of_another_technique_are_counted_in_the_notes() -> None:
    other = seven(**{"DATA TYPE": "NMR SPECTRUM"})
    (found,) = read(linked(*[other] * 25, seven()))
    assert len(found.notes) == 21
    assert found.notes[0] == "block 1 is an NMR spectrum; it is not read"
    assert found.notes[-1] == "nor are 5 further blocks"


def test_a_zero_keeps_the_minus_that_is_written() -> None:
    for factor in ("1", "-1", "0.001"):
        (found,) = read(seven(["500 -0 0 -0.0", "503?-0+0-0"], YFACTOR=factor))
        assert np.signbit(found.values[[0, 1, 2, 4, 5, 6]]).tolist() == [1, 0, 1, 1, 0, 1]
    (found,) = read(pairs(["-1, -0", "-0, -0.00", "2, 0"], ends=("-1", "2")))
    assert np.signbit(found.values).tolist() == [True, True, False]
    assert np.signbit(found.axis.values).tolist() == [True, True, False]


@pytest.mark.parametrize("version", ["4.24", "4.10", "5.00", "5.01", "6.00"])
def test_every_version_is_read_alike(version: str) -> None:
    (found,) = read(with_(seven(), "JCAMP-DX= 4.24", f"JCAMP-DX= {version}"))
    assert (len(found.axis), found.notes) == (7, ())
