"""Zips that are whole, and zips that tell two things: real bytes, written here or by `zipfile`.

What is allowed is taken from ISO/IEC 21320-1 (stored or deflated, one piece, not encrypted) and the
layout of a zip from the specification that it refers to; what programs do beside that (times, names
and sizes in extra fields, sizes after the data) is common practice.
"""

import io
import random
import stat
import struct
import unicodedata
import warnings
import zipfile
import zlib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from mmap import ACCESS_READ, mmap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.errors import MalformedFile
from speclake.intake import zips
from speclake.intake.unpacking import MOST_RATIO, unpacked
from speclake.intake.zipfields import ntfs_times, saved_at
from speclake.intake.zips import MOST_MEMBERS, members_of

DAY = (2026, 5, 4, 10, 0, 0)
DEFLATED = zipfile.ZIP_DEFLATED
MOST = 2**24
TEXT = b"nm\t%T\n" + b"".join(b"%d\t%d.%03d\n" % (400 + i, 90 + i % 3, i) for i in range(300))


def zip_of(files: Mapping[str, bytes], method: int = DEFLATED, **entry: object) -> bytes:
    """Zip as the standard library writes it; `entry` sets attributes of every member."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packing:
        for name, content in files.items():
            info = zipfile.ZipInfo(name, DAY)
            info.compress_type = method
            for attribute, value in entry.items():
                setattr(info, attribute, value)
            packing.writestr(info, content)
    return made.getvalue()


def read(content: bytes | mmap) -> dict[str, bytes]:
    """Everything in a zip, by name."""
    return {
        each.name: unpacked("x.zip", content, each, MOST, "the limit")
        for each in members_of("x.zip", content)
    }


def refusal(content: bytes) -> str:
    with pytest.raises(MalformedFile) as caught:
        read(content)
    return str(caught.value)


def patched(content: bytes, at: int, form: str, *values: int | bytes) -> bytes:
    """The same bytes with other ones from a place on."""
    new = struct.pack(form, *values)
    at = at % len(content)
    return content[:at] + new + content[at + len(new) :]


def listed_at(content: bytes, number: int = 0) -> int:
    """Where the entry of a member begins in the list at the end."""
    at = -1
    for _ in range(number + 1):
        at = content.index(b"PK\x01\x02", at + 1)
    return at


# --- what is read -------------------------------------------------------------------------------


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_members_come_back_byte_for_byte(method: int) -> None:
    files = {"lot 7/a.txt": TEXT, "lot 7/b.txt": TEXT[::-1], "empty.txt": b""}
    assert read(zip_of(files, method)) == files


NAMES = st.text(st.sampled_from("abcXYZ019 ._-äéßπ測"), min_size=1, max_size=8).filter(
    lambda name: name.strip(".") != ""
)


def _are_apart(files: dict[str, bytes]) -> bool:
    keys = {unicodedata.normalize("NFC", name.casefold()) for name in files}
    parents = {key[:i] for key in keys for i, each in enumerate(key) if each == "/"}
    return len(keys) == len(files) and not keys & parents


TREES = st.dictionaries(
    st.lists(NAMES, min_size=1, max_size=3).map("/".join), st.binary(max_size=400), min_size=1,
    max_size=8,
).filter(_are_apart)  # fmt: skip


def test_long_zip_is_read_from_where_it_is_mapped(tmp_path: Path) -> None:
    files = {"a.txt": TEXT, "b.txt": random.Random(1).randbytes(300_000)}
    (tmp_path / "x.zip").write_bytes(zip_of(files))
    with (
        (tmp_path / "x.zip").open("rb") as stream,
        mmap(stream.fileno(), 0, access=ACCESS_READ) as mapped,
    ):
        assert zips.may_be_zip(mapped)
        assert read(mapped) == files


@given(TREES, st.sampled_from([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED]))
@settings(max_examples=150, deadline=None)
def test_any_tree_comes_back_as_the_standard_library_packed_it(
    files: dict[str, bytes], method: int
) -> None:
    assert read(zip_of(files, method)) == files


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_one_changed_byte_is_refused_or_changes_nothing_but_times(data: st.DataObject) -> None:
    files = {"a.txt": b"400\t91.5\n" * 9, "b/c.txt": b"401\t92.5\n"}
    content = zip_of(files, data.draw(st.sampled_from([zipfile.ZIP_STORED, DEFLATED])))
    at = data.draw(st.integers(0, len(content) - 1))
    changed = bytearray(content)
    changed[at] ^= data.draw(st.integers(1, 255))
    try:
        found = read(bytes(changed))
    except MalformedFile as error:
        assert error.file == "x.zip" and error.found and error.expected
    else:
        assert list(found.values()) == list(files.values())
        assert list(found) == list(files)


@given(st.binary(max_size=200))
@settings(max_examples=200, deadline=None)
def test_arbitrary_bytes_are_refused(noise: bytes) -> None:
    assert refusal(noise)
    assert refusal(b"PK\x03\x04" + noise)
    assert refusal(noise + struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, len(noise), 0, 0))


def test_zip_cut_short_anywhere_is_refused() -> None:
    content = zip_of({"a.txt": b"400\t91.5\n" * 5, "b.txt": b"401\t92.5\n"})
    for length in range(len(content)):
        assert refusal(content[:length])
    assert "no list of members at its end" in refusal(content[:-22])
    assert "its last 3 bytes missing" in refusal(_with_comment(content, b"by hand")[:-3])


def _with_comment(content: bytes, comment: bytes) -> bytes:
    return patched(content, -2, "<H", len(comment)) + comment


def test_comment_is_no_surplus() -> None:
    assert read(_with_comment(zip_of({"a.txt": TEXT}), b"of Monday")) == {"a.txt": TEXT}


def test_folders_hold_nothing() -> None:
    content = zip_of({"lot/": b"", "lot/a.txt": TEXT}, zipfile.ZIP_STORED)
    assert [each.is_folder for each in members_of("x.zip", content)] == [True, False]
    odd = zip_of({"lot/": b"x", "lot/a.txt": TEXT}, zipfile.ZIP_STORED)
    assert "member 'lot/': found a folder of 1 bytes" in refusal(odd)


class _OneWay(io.RawIOBase):
    """A pipe: nobody can go back in it."""

    def __init__(self) -> None:
        self.made = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        self.made += bytes(data)  # type: ignore[call-overload] # any buffer
        return len(bytes(data))  # type: ignore[call-overload] # as above


@pytest.mark.parametrize("is_long", [False, True])
def test_zip_written_through_a_pipe_has_its_sizes_after_the_data(is_long: bool) -> None:
    pipe = _OneWay()
    with zipfile.ZipFile(pipe, "w", DEFLATED) as packing:
        for name in ("a.txt", "b.txt"):
            with packing.open(name, "w", force_zip64=is_long) as stream:
                stream.write(TEXT)
    content = bytes(pipe.made)
    assert b"PK\x07\x08" in content
    assert read(content) == {"a.txt": TEXT, "b.txt": TEXT}
    at = content.index(b"PK\x07\x08") + 4
    assert "other sizes after its data than in the list" in refusal(patched(content, at, "<L", 7))


def test_64_bit_sizes_beside_the_data_are_read() -> None:
    made = io.BytesIO()
    with (
        zipfile.ZipFile(made, "w", DEFLATED) as packing,
        packing.open("a.txt", "w", force_zip64=True) as stream,
    ):
        stream.write(TEXT)
    content = made.getvalue()
    assert struct.unpack_from("<2L", content, 18) == (0xFFFFFFFF, 0xFFFFFFFF)
    assert read(content) == {"a.txt": TEXT}


def _long(content: bytes) -> bytes:
    """The same zip with a 64-bit end, as large zips have, and ones where it goes first."""
    head, end = content[:-22], content[-22:]
    _, _, _, here, count, size, at, _ = struct.unpack("<4s4H2LH", end)
    record = struct.pack("<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, here, count, size, at)
    locator = struct.pack("<4sLQL", b"PK\x06\x07", 0, len(head), 1)
    ones = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    return head + record + locator + ones


def test_64_bit_end_is_read_and_must_agree() -> None:
    content = _long(zip_of({"a.txt": TEXT}))
    with zipfile.ZipFile(io.BytesIO(content)) as witness:
        assert witness.read("a.txt") == TEXT
    assert read(content) == {"a.txt": TEXT}
    other = patched(content, -22 + 10, "<H", 2)
    assert "two ends that disagree" in refusal(other)
    lost = patched(content, -22 - 20 + 8, "<Q", 5)
    assert "a 64-bit end that is not where it is said to be" in refusal(lost)
    missing = patched(
        zip_of({"a.txt": TEXT}), listed_at(zip_of({"a.txt": TEXT})) + 24, "<L", 2**32 - 1
    )
    assert "no 64-bit size where one is announced" in refusal(missing)


# --- names --------------------------------------------------------------------------------------


def test_names_beyond_ascii_need_their_encoding() -> None:
    named = zip_of({"Prüfling.txt": TEXT})
    assert read(named) == {"Prüfling.txt": TEXT}
    for at in (6, listed_at(named) + 8):
        named = patched(named, at, "<H", 0)
    (member,) = members_of("x.zip", named)
    assert member.name == "Prüfling.txt" and "which is not stated" in member.note
    old = named.replace("ü".encode(), b"\x81 ")
    assert "a name in no stated encoding" in refusal(old)
    claimed = old
    for at in (6, listed_at(claimed) + 8):
        claimed = patched(claimed, at, "<H", 0x0800)
    assert "a name that is no UTF-8" in refusal(claimed)


def test_name_in_an_extra_field_counts_if_it_is_of_this_name() -> None:
    raw, name = b"Pr\x81fling.txt", "Prüfling.txt".encode()
    for checksum, reads in ((zlib.crc32(raw), True), (7, False)):
        told = struct.pack("<BL", 1, checksum) + name
        extra = struct.pack("<2H", 0x7075, len(told)) + told
        content = zip_of({"PrXfling.txt": TEXT}, extra=extra).replace(b"PrXfling.txt", raw)
        if reads:
            assert read(content) == {"Prüfling.txt": TEXT}
        else:
            assert "a name in no stated encoding" in refusal(content)


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("/etc/a.txt", "an absolute path"),
        ("C:/a.txt", "an absolute path"),
        ("../a.txt", "steps out of the zip"),
        ("lot/../../a.txt", "steps out of the zip"),
        ("lot//a.txt", "empty steps"),
        ("./a.txt", "steps out of the zip"),
        ("lot\\a.txt", "a name with backslashes"),
        ("a\n.txt", "characters that cannot be shown"),
        ("a\u202etxt.exe", "characters that cannot be shown"),
    ],
)
def test_name_that_is_no_path_below_the_zip_is_refused(name: str, found: str) -> None:
    assert found in refusal(zip_of({name: TEXT}))


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("a.txt", "a.txt"), "member 'a.txt': found its name twice"),
        (("a.txt", "A.TXT"), "member 'A.TXT': found also 'a.txt'"),
        (("é.txt", "e\u0301.txt"), "found also"),
        (("a", "a/"), "found also 'a'"),
        (("a", "a/b.txt"), "member 'a/b.txt': found the file 'a' as its folder"),
    ],
)
def test_names_that_are_one_file_on_some_machines_are_refused(
    names: tuple[str, str], found: str
) -> None:
    made = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns of the same name twice
        with zipfile.ZipFile(made, "w") as packing:
            for name in names:
                packing.writestr(name, b"" if name.endswith("/") else TEXT)
    assert found in refusal(made.getvalue())


# --- what is no plain file ----------------------------------------------------------------------


def test_link_is_refused() -> None:
    link = zip_of({"a.txt": b"/etc/hostname"}, external_attr=(stat.S_IFLNK | 0o777) << 16)
    assert "member 'a.txt': found a link to somewhere else; expected a file" in refusal(link)
    pipe = zip_of({"a.txt": b""}, external_attr=(stat.S_IFIFO | 0o644) << 16)
    assert "a device" in refusal(pipe)


def test_encrypted_member_is_refused() -> None:
    content = zip_of({"a.txt": TEXT})
    for at in (6, listed_at(content) + 8):
        content = patched(content, at, "<H", 1)
    assert "member 'a.txt': found an encrypted member" in refusal(content)


@pytest.mark.parametrize(
    ("method", "found"),
    [(zipfile.ZIP_BZIP2, "bzip2"), (zipfile.ZIP_LZMA, "LZMA")],
)
def test_other_compression_is_named(method: int, found: str) -> None:
    assert f"found the compression {found}; expected deflate" in refusal(
        zip_of({"a.txt": TEXT}, method)
    )


def test_unknown_compression_is_told_by_number() -> None:
    content = zip_of({"a.txt": TEXT})
    for at in (8, listed_at(content) + 10):
        content = patched(content, at, "<H", 77)
    assert "the compression method 77" in refusal(content)


def test_zip_in_pieces_is_refused() -> None:
    assert "one of several pieces" in refusal(patched(zip_of({"a.txt": TEXT}), -18, "<H", 1))


def test_empty_zip_and_too_many_members_are_refused() -> None:
    assert "found no members; expected at least one export" in refusal(zip_of({}))
    many = zip_of({f"{i}": b"" for i in range(MOST_MEMBERS + 1)}, zipfile.ZIP_STORED)
    assert f"found {MOST_MEMBERS + 1} members; expected at most {MOST_MEMBERS}" in refusal(many)
    assert "found 1 members" not in refusal(patched(many, -14, "<2H", 1, 1))


# --- lies ---------------------------------------------------------------------------------------


def test_bytes_before_between_and_after_are_refused() -> None:
    content = zip_of({"a.txt": TEXT, "b.txt": TEXT})
    assert "found 7 bytes before its first member" in refusal(b"#!/bin\n" + content)
    assert "found 2 bytes after its end" in refusal(content + b"\r\n")
    second = content.index(b"PK\x03\x04", 4)
    at = listed_at(content)
    hidden = content[:second] + b"hidden" + content[second:]
    hidden = patched(hidden, -22 + 16, "<L", at + 6)
    hidden = patched(hidden, listed_at(hidden, 1) + 42, "<L", second + 6)
    with zipfile.ZipFile(io.BytesIO(hidden)) as witness:
        assert witness.read("b.txt") == TEXT
    assert "after member 'a.txt': found 6 bytes of no member" in refusal(hidden)


def test_member_that_the_list_leaves_out_is_refused() -> None:
    content = zip_of({"a.txt": TEXT, "b.txt": TEXT})
    at, second = listed_at(content), listed_at(content, 1)
    rest = content[:at] + content[second:-22]
    size = len(rest) - at
    unlisted = rest + struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, size, at, 0)
    with zipfile.ZipFile(io.BytesIO(unlisted)) as witness:
        assert witness.namelist() == ["b.txt"]
    assert "bytes of no member" in refusal(unlisted)


def quoted(copies: int, size: int) -> bytes:
    """Zip whose members share one kernel: each quotes the heads of those after it, stored blocks.

    The construction of the published "better zip bomb" (Fifield 2019), from memory.
    """
    machine = zlib.compressobj(9, zlib.DEFLATED, -15)
    kernel = machine.compress(bytes(size)) + machine.flush()
    names = [b"%04d.txt" % i for i in range(copies)]
    packed, content, checksum = kernel, bytes(size), zlib.crc32(bytes(size))
    local = b""
    entries: list[tuple[bytes, int, int, int, int]] = []
    for name in reversed(names):
        if local:
            head = local[: 30 + 8]
            block = b"\x00" + struct.pack("<2H", len(head), len(head) ^ 0xFFFF) + head
            packed, content = block + packed, head + content
            checksum = zlib.crc32(content)
            local = block[:5] + local
        head = struct.pack(
            "<4s5H3L2H", b"PK\x03\x04", 20, 0, 8, 0, 33, checksum, len(packed), len(content),
            len(name), 0,
        )  # fmt: skip
        local = head + name + (local or kernel)
        entries.append((name, checksum, len(packed), len(content), len(local)))
    total, listing = len(local), b""
    for name, crc, packed_size, unpacked_size, from_end in reversed(entries):
        listing += struct.pack(
            "<4s6H3L5H2L", b"PK\x01\x02", 20, 20, 0, 8, 0, 33, crc, packed_size, unpacked_size,
            len(name), 0, 0, 0, 0, 0, total - from_end,
        ) + name  # fmt: skip
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, copies, copies, len(listing), total, 0)
    return local + listing + end


def test_members_that_share_bytes_are_refused() -> None:
    bomb = quoted(20, 2000)
    with zipfile.ZipFile(io.BytesIO(bomb)) as witness:
        assert len(witness.namelist()) == 20
    assert "found bytes that are also those of member '0000.txt'" in refusal(bomb)


@pytest.mark.parametrize("at", [14, 18, 22])
def test_two_lists_that_disagree_are_refused(at: int) -> None:
    content = zip_of({"a.txt": TEXT})
    assert "other sizes than in the list" in refusal(patched(content, at, "<L", 7))
    assert refusal(patched(content, listed_at(content) + at + 2, "<L", 7))


def test_other_name_or_method_beside_the_data_is_refused() -> None:
    content = zip_of({"a.txt": TEXT})
    assert "another member where the list says it lies" in refusal(patched(content, 30, "1s", b"b"))
    assert "another method than in the list" in refusal(patched(content, 8, "<H", 0))


def _with_sizes(content: bytes, size: int, checksum: int | None = None) -> bytes:
    """The same zip with another size of its one member told in both places."""
    for at in (22, listed_at(content) + 24):
        content = patched(content, at, "<L", size)
    for at in (14, listed_at(content) + 16) if checksum is not None else ():
        content = patched(content, at, "<L", checksum)
    return content


def test_sizes_are_counted_while_unpacking() -> None:
    content = zip_of({"a.txt": TEXT})
    size = len(TEXT)
    assert f"found {size} bytes unpacked; expected the {size + 1}" in refusal(
        _with_sizes(content, size + 1)
    )
    assert "bytes or more unpacked; expected the 5" in refusal(_with_sizes(content, 5))
    wrong = refusal(_with_sizes(content, size, 7))
    assert "found the checksum" in wrong and "expected 00000007, as it states" in wrong
    stored = zip_of({"a.txt": TEXT}, zipfile.ZIP_STORED)
    assert f"found {size} bytes; expected the 5" in refusal(_with_sizes(stored, 5))


def test_data_that_are_no_deflate_are_refused() -> None:
    content = zip_of({"a.txt": TEXT})
    assert "data that do not unpack" in refusal(patched(content, 35, "2s", b"\xff\xff"))
    packed = zlib.compressobj(9, zlib.DEFLATED, -15)
    data = packed.compress(TEXT) + packed.flush()
    for wrong, found in (
        (data[:-2], "they end too early"),
        (data + b"xx", "bytes after their end"),
    ):
        assert found in refusal(_by_hand(wrong, TEXT))
    assert read(_by_hand(data, TEXT)) == {"a.txt": TEXT}


def _by_hand(packed: bytes, content: bytes) -> bytes:
    """Zip of one member with these packed bytes."""
    told = (zlib.crc32(content), len(packed), len(content), 5, 0)
    local = struct.pack("<4s5H3L2H", b"PK\x03\x04", 20, 0, 8, 0, 33, *told) + b"a.txt" + packed
    entry = (
        struct.pack("<4s6H3L5H2L", b"PK\x01\x02", 20, 20, 0, 8, 0, 33, *told, 0, 0, 0, 0, 0)
        + b"a.txt"
    )
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, len(entry), len(local), 0)
    return local + entry + end


def test_bomb_is_stopped_by_ratio_and_by_size_before_it_is_made() -> None:
    zeros = zip_of({"a.txt": bytes(64 * 2**20)})
    assert f"expected at most {MOST_RATIO} times as many" in refusal(zeros)
    noise = random.Random(7).randbytes(3 * 2**20)
    large = zip_of({"a.txt": noise}, zipfile.ZIP_STORED)
    (member,) = members_of("x.zip", large)
    with pytest.raises(MalformedFile) as caught:
        unpacked("x.zip", large, member, 2**20, "at most 1 MB")
    assert caught.value.expected == "at most 1 MB"
    assert caught.value.found == "more than 1048576 bytes, which is all that was left"


def test_bomb_that_tells_a_small_size_is_stopped_at_that_size() -> None:
    lying = _with_sizes(zip_of({"a.txt": bytes(64 * 2**20)}), 1000)
    assert "or more unpacked; expected the 1000" in refusal(lying)


def _ratio(points: int, values: Callable[[int], str]) -> float:
    text = "".join(f"{300 + i * 0.5:.1f}\t{values(i)}\n" for i in range(points)).encode()
    packed = zlib.compressobj(9, zlib.DEFLATED, -15)
    return len(text) / len(packed.compress(text) + packed.flush())


@pytest.mark.parametrize("points", [2_401, 100_000])
def test_flattest_real_exports_stay_far_below_the_ratio(points: int) -> None:
    assert _ratio(points, lambda _: "0.000") < MOST_RATIO / 20
    assert _ratio(points, lambda i: f"{100 + (i % 2) / 1000:.3f}") < MOST_RATIO / 20


def test_table_of_blocked_beams_stays_below_the_ratio() -> None:
    assert _ratio(2_401, lambda _: "\t".join(["0.000"] * 100)) < MOST_RATIO


# --- times --------------------------------------------------------------------------------------


def test_times_of_the_file_are_read_where_they_are_instants() -> None:
    when = datetime(2026, 5, 4, 10, 0, 0, 123456, tzinfo=UTC)
    ns = 1777888800 * 10**9 + 123456700
    for extra, expected in (
        (ntfs_times(ns), when),
        (struct.pack("<2HBl", 0x5455, 5, 1, 1777888800), when.replace(microsecond=0)),
        (struct.pack("<2HBl", 0x5455, 5, 2, 1777888800), None),
        (struct.pack("<2HL2H3Q", 0x000A, 32, 0, 1, 24, 2**64 - 1, 0, 0), None),
        (b"", None),
    ):
        (member,) = members_of("x.zip", zip_of({"a.txt": TEXT}, extra=extra))
        assert member.saved_at == expected
    assert saved_at(struct.pack("<2H", 0x5455, 500)) is None


def test_document_is_told_by_what_it_holds() -> None:
    book = zip_of({"[Content_Types].xml": b"<Types/>", "xl/workbook.xml": b"<workbook/>"})
    text = zip_of({"mimetype": b"application/epub+zip", "a.txt": TEXT}, zipfile.ZIP_STORED)
    late = zip_of({"a.txt": TEXT, "mimetype": b"x"})
    told = [zips.is_document(members_of("x.zip", each)) for each in (book, text, late)]
    assert told == [True, True, False]
