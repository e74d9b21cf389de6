"""The zip of originals: what any other tool makes of it, and what is done with damage."""

import hashlib
import io
import os
import zipfile
from pathlib import Path

import pytest

from speclake.archive.originals import Member, OriginalsReader, OriginalsWriter, packed
from speclake.errors import ArchiveDamaged, NotFound

EXPORTS = [b"", b"x", b"400;90.000\r\n" * 3000, os.urandom(5000)]


class MemorySink:
    """Sink that keeps its bytes, the first of them at some place in a file."""

    def __init__(self, start: int = 0) -> None:
        self.start, self.bytes = start, io.BytesIO()

    @property
    def size(self) -> int:
        return self.start + self.bytes.tell()

    sha256 = ""

    def write(self, data: bytes | memoryview) -> int:
        return self.bytes.write(data)


def name(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def written(contents: list[bytes], sink: MemorySink) -> bytes:
    writer = OriginalsWriter(sink)
    for content in contents:
        writer.add(*packed(name(content), content))
    assert writer.finish() == len(contents)
    return sink.bytes.getvalue()


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    path = tmp_path / "originals.zip"
    path.write_bytes(written(EXPORTS, MemorySink()))
    return path


def test_another_tool_finds_every_file_whole(archive: Path) -> None:
    with zipfile.ZipFile(archive) as other:
        assert other.testzip() is None
        assert {info.filename: other.read(info) for info in other.infolist()} == {
            name(content): content for content in EXPORTS
        }
        deflated = [info.compress_type == zipfile.ZIP_DEFLATED for info in other.infolist()]
        assert deflated == [False, False, True, False]


def test_what_is_written_is_read(archive: Path) -> None:
    with OriginalsReader(archive, "originals.zip") as reader:
        assert reader.names() == [name(content) for content in EXPORTS]
        for content in EXPORTS:
            assert reader.read(name(content)) == content
        with pytest.raises(NotFound, match="found no member ffff"):
            reader.read("ffff")


def test_members_are_copied_without_inflating_them(archive: Path) -> None:
    sink = MemorySink()
    writer = OriginalsWriter(sink)
    with OriginalsReader(archive, "originals.zip") as reader:
        for member, data in reader.members():
            writer.copy(member, data)
    writer.finish()
    assert sink.bytes.getvalue() == archive.read_bytes()


def test_more_members_than_sixteen_bits_count(tmp_path: Path) -> None:
    sink = MemorySink()
    writer = OriginalsWriter(sink)
    for number in range(66_000):
        writer.add(Member(f"{number:064x}", 0, 0, 0, 0), b"")
    writer.finish()
    path = tmp_path / "many.zip"
    path.write_bytes(sink.bytes.getvalue())
    with zipfile.ZipFile(path) as other:
        assert len(other.namelist()) == 66_000
        assert other.read(f"{65_999:064x}") == b""


def test_members_beyond_four_gigabytes(tmp_path: Path) -> None:
    """The file is sparse: it takes no more space than its members."""
    path = tmp_path / "long.zip"
    start = 2**32 + 5
    content = written(EXPORTS, MemorySink(start))
    with path.open("wb") as file:
        file.seek(start)
        file.write(content)
    with zipfile.ZipFile(path) as other:
        assert other.testzip() is None
        assert other.read(name(EXPORTS[2])) == EXPORTS[2]
    with OriginalsReader(path, "long.zip") as reader:
        assert reader.read(name(EXPORTS[3])) == EXPORTS[3]


@pytest.mark.parametrize("size", [0, 10, 400])
def test_a_short_archive_is_damage(archive: Path, size: int) -> None:
    os.truncate(archive, size)
    with pytest.raises(ArchiveDamaged, match=r"originals.zip: .*expected a zip archive"):
        OriginalsReader(archive, "originals.zip")


def test_no_flipped_bit_gives_other_bytes(archive: Path) -> None:
    sound = archive.read_bytes()
    contents = {name(content): content for content in EXPORTS}
    for place in range(0, len(sound), 53):
        damaged = bytearray(sound)
        damaged[place] ^= 0x10
        archive.write_bytes(damaged)
        try:
            with OriginalsReader(archive, "originals.zip") as reader:
                for sha256, content in contents.items():
                    assert reader.read(sha256) == content
        except (ArchiveDamaged, NotFound):
            continue


def test_a_file_that_zip_cannot_hold_is_refused() -> None:
    class Long(bytes):
        def __len__(self) -> int:
            return 2**32

    with pytest.raises(ValueError, match="expected less than 4 GiB"):
        packed("x", Long())
