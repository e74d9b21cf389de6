"""The members of a zip file, checked against each other before one of them is believed.

A zip tells everything twice, in a list at its end and beside each member. Programs that trust one
or the other unpack different files from the same bytes. Here every byte belongs to exactly one
member or list, both tell the same, and what a member unpacks to is what they say; else the file is
refused. Allowed is what ISO/IEC 21320-1 allows in a zip: members stored or deflated (RFC 1951), in
one piece and not encrypted.
"""

import stat
import struct
import unicodedata
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from mmap import mmap
from pathlib import PurePosixPath

from speclake.errors import MalformedFile
from speclake.intake.zipfields import LONG_SIZES, UNICODE_NAME, field, problem_of_name, saved_at

MOST_MEMBERS = 10_000

_STORED, _DEFLATED = 0, 8

_MEMBER = b"PK\x03\x04"
_LISTED = b"PK\x01\x02"
_END = b"PK\x05\x06"
_LONG_END = b"PK\x06\x06"
_LONG_END_AT = b"PK\x06\x07"
_AFTER_DATA = b"PK\x07\x08"
SIGNATURES = (_MEMBER, _END, _AFTER_DATA)
"""What a zip may begin with."""

_MEMBER_HEAD = struct.Struct("<4s5H3L2H")
_LISTED_HEAD = struct.Struct("<4s6H3L5H2L")
_END_RECORD = struct.Struct("<4s4H2LH")
_LONG_END_LOCATOR = struct.Struct("<4sLQL")
_LONG_END_RECORD = struct.Struct("<4sQ2H2L4Q")
_ALL_ONES_2, _ALL_ONES_4 = 0xFFFF, 0xFFFFFFFF
_MOST_COMMENT = 0xFFFF

_IS_ENCRYPTED = 0x0001 | 0x0040 | 0x2000
_HAS_SIZES_AFTER_DATA = 0x0008
_NAME_IS_UTF_8 = 0x0800

_UNIX_SYSTEMS = (3, 19)

METHODS = {1: "shrinking", 6: "imploding", 9: "deflate64", 12: "bzip2", 14: "LZMA", 93: "Zstandard",
           95: "XZ", 98: "PPMd", 99: "encryption"}  # fmt: skip


@dataclass(frozen=True)
class Member:
    """One file in a zip. `size` and `crc32` are what its data must unpack to."""

    name: str
    size: int
    packed_size: int
    crc32: int
    is_deflated: bool
    starts_at: int
    ends_at: int
    data_at: int
    saved_at: datetime | None = None
    """When it was saved, where the zip tells it as an instant; its clock time alone is none."""
    note: str = ""

    @property
    def is_folder(self) -> bool:
        """Whether it stands for a folder and holds nothing."""
        return self.name.endswith("/")

    @property
    def place(self) -> str:
        """Words for it in a message."""
        return f"member {self.name!r}"


@dataclass(frozen=True)
class _Listed:
    """One entry of the list at the end."""

    raw_name: bytes
    system: int
    flags: int
    method: int
    crc32: int
    packed_size: int
    size: int
    header_at: int
    attributes: int
    extra: bytes


def may_be_zip(content: bytes | mmap) -> bool:
    """Whether bytes begin like a zip, or end like one that something was put before."""
    return content[: len(_MEMBER)] in SIGNATURES or _end_of(content) >= 0


def _end_of(content: bytes | mmap) -> int:
    """Where the record at the end begins; -1 if there is none."""
    return content.rfind(_END, max(0, len(content) - _END_RECORD.size - _MOST_COMMENT))


def is_document(members: Sequence[Member]) -> bool:
    """Whether a zip is one document: a workbook, or whatever else declares its kind within."""
    names = [member.name for member in members]
    return "[Content_Types].xml" in names or names[:1] == ["mimetype"]


def members_of(file: str, content: bytes | mmap) -> tuple[Member, ...]:
    """Members of a zip in the order in which they lie in it, folders included.

    Raises
    ------
    speclake.errors.MalformedFile
        It is not whole, tells two things of one member, or holds something that is not allowed.
    """
    zip_ = _Zip(file, content)
    listed = list(zip_.listed())
    found = sorted((zip_.member(each) for each in listed), key=lambda m: m.starts_at)
    zip_.check_names(found)
    zip_.check_spans(found)
    return tuple(found)


class _Zip:
    """The bytes of a zip with the name by which it is refused."""

    def __init__(self, file: str, content: bytes | mmap) -> None:
        self.file, self.content = file, content
        self.list_at, self.list_ends, self.count = self._end()
        if not self.count:
            raise self.refusal("", "no members", "at least one export")
        if self.count > MOST_MEMBERS:
            raise self.refusal("", f"{self.count} members", f"at most {MOST_MEMBERS}")

    def refusal(self, place: str, found: str, expected: str) -> MalformedFile:
        return MalformedFile(self.file, place, found, expected)

    def _end(self) -> tuple[int, int, int]:
        """Where the list of members begins and ends, and how many there are."""
        at = _end_of(self.content)
        if at < 0 or at + _END_RECORD.size > len(self.content):
            raise self.refusal("", "no list of members at its end", "a zip that is whole")
        _, disk, list_disk, here, count, size, list_at, comment = _END_RECORD.unpack_from(
            self.content, at
        )
        surplus = len(self.content) - at - _END_RECORD.size - comment
        if surplus > 0:
            raise self.refusal("", f"{surplus} bytes after its end", "nothing there")
        if surplus < 0:
            raise self.refusal("", f"its last {-surplus} bytes missing", "a zip that is whole")
        ends = at
        numbers = (disk, list_disk, here, count, size, list_at)
        locator_at = at - _LONG_END_LOCATOR.size
        if locator_at >= 0 and self.content[locator_at : locator_at + 4] == _LONG_END_AT:
            numbers, ends = self._long_end(locator_at, numbers)
        disk, list_disk, here, count, size, list_at = numbers
        if disk or list_disk or here != count:
            raise self.refusal("", "one of several pieces", "a zip in one piece")
        if (before := ends - size - list_at) != 0:
            found = f"{before} bytes before its first member" if before > 0 else "a list too long"
            raise self.refusal("", found, "a list of members that lies where it says")
        return list_at, ends, count

    def _long_end(
        self, locator_at: int, short: tuple[int, ...]
    ) -> tuple[tuple[int, int, int, int, int, int], int]:
        """Numbers of the 64-bit record, which must agree with the short ones, and its place."""
        _, disk, at, disks = _LONG_END_LOCATOR.unpack_from(self.content, locator_at)
        is_there = at + _LONG_END_RECORD.size <= locator_at
        if disk or disks > 1 or not is_there or self.content[at : at + 4] != _LONG_END:
            raise self.refusal("", "a 64-bit end that is not where it is said to be", "one there")
        _, length, _, _, *long = _LONG_END_RECORD.unpack_from(self.content, at)
        ones = (*[_ALL_ONES_2] * 4, *[_ALL_ONES_4] * 2)
        told = zip(short, long, ones, strict=True)
        if at + 12 + length != locator_at or any(a not in (one, b) for a, b, one in told):
            raise self.refusal("", "two ends that disagree", "the same numbers in both")
        disk, list_disk, here, count, size, list_at = long
        return (disk, list_disk, here, count, size, list_at), at

    def listed(self) -> Iterator[_Listed]:
        """Entries of the list at the end."""
        at = self.list_at
        for number in range(1, self.count + 1):
            place = f"entry {number} of its list"
            if at + _LISTED_HEAD.size > self.list_ends:
                raise self.refusal(place, "the end of the list", f"{self.count} entries")
            head = _LISTED_HEAD.unpack_from(self.content, at)
            signature, made_by, _, flags, method, _, _, crc, packed, size = head[:10]
            name_length, extra_length, comment_length, disk, _, attributes, header_at = head[10:]
            names_at = at + _LISTED_HEAD.size
            extra_at = names_at + name_length
            at = extra_at + extra_length + comment_length
            if signature != _LISTED or at > self.list_ends or disk not in (0, _ALL_ONES_2):
                raise self.refusal(place, "no whole entry", "one of each member")
            raw_name = self.content[names_at:extra_at]
            extra = self.content[extra_at : extra_at + extra_length]
            size, packed, header_at = self._long(place, extra, size, packed, header_at)
            yield _Listed(
                raw_name, made_by >> 8, flags, method, crc, packed, size, header_at, attributes,
                extra,
            )  # fmt: skip
        if at != self.list_ends:
            raise self.refusal(
                "", f"{self.list_ends - at} bytes after the last entry of its list", "nothing there"
            )

    def _long(self, place: str, extra: bytes, *numbers: int) -> tuple[int, ...]:
        """Numbers, those of all ones replaced by the 64-bit ones of the extra field."""
        wide = field(extra, LONG_SIZES) or b""
        long = iter(struct.unpack(f"<{len(wide) // 8}Q", wide[: len(wide) // 8 * 8]))
        found = [next(long, None) if n == _ALL_ONES_4 else n for n in numbers]
        if None in found:
            raise self.refusal(place, "no 64-bit size where one is announced", "one")
        return tuple(n for n in found if n is not None)

    def member(self, listed: _Listed) -> Member:
        """Member of an entry, with what stands beside its data held against the list."""
        name, note = self._name(listed)
        place = f"member {name!r}"
        self._check_kind(listed, name, place)
        if listed.header_at + _MEMBER_HEAD.size > self.list_at:
            raise self.refusal(place, "no data where the list says", "its data before the list")
        head = _MEMBER_HEAD.unpack_from(self.content, listed.header_at)
        signature, _, flags, method, _, _, crc, packed, size, name_length, extra_length = head
        names_at = listed.header_at + _MEMBER_HEAD.size
        data_at = names_at + name_length + extra_length
        raw_name = self.content[names_at : names_at + name_length]
        extra = self.content[names_at + name_length : data_at]
        if signature != _MEMBER or raw_name != listed.raw_name:
            raise self.refusal(place, "another member where the list says it lies", "this one")
        told = (method, flags & (_IS_ENCRYPTED | _HAS_SIZES_AFTER_DATA))
        if told != (listed.method, listed.flags & (_IS_ENCRYPTED | _HAS_SIZES_AFTER_DATA)):
            raise self.refusal(place, "another method than in the list", "the same in both")
        ends_at = data_at + listed.packed_size
        if ends_at > self.list_at:
            raise self.refusal(place, "data that run into the list", "its data before the list")
        if flags & _HAS_SIZES_AFTER_DATA:
            ends_at = self._after_data(listed, place, ends_at)
        else:
            size, packed = self._long(place, extra, size, packed)
            if (crc, packed, size) != (listed.crc32, listed.packed_size, listed.size):
                raise self.refusal(place, "other sizes than in the list", "the same in both")
        return Member(
            name, listed.size, listed.packed_size, listed.crc32, listed.method == _DEFLATED,
            listed.header_at, ends_at, data_at, saved_at(listed.extra) or saved_at(extra), note,
        )  # fmt: skip

    def _check_kind(self, listed: _Listed, name: str, place: str) -> None:
        if problem := problem_of_name(name):
            raise self.refusal(place, problem, "a path below the zip, such as lot-7/site-3.txt")
        if listed.flags & _IS_ENCRYPTED:
            raise self.refusal(place, "an encrypted member", "one without a password")
        if listed.method not in (_STORED, _DEFLATED):
            method = METHODS.get(listed.method, f"method {listed.method}")
            raise self.refusal(place, f"the compression {method}", "deflate, or none")
        if listed.method == _STORED and listed.size != listed.packed_size:
            found = f"{listed.packed_size} bytes"
            raise self.refusal(place, found, f"the {listed.size} that it states")
        mode = stat.S_IFMT(listed.attributes >> 16) if listed.system in _UNIX_SYSTEMS else 0
        if mode not in (0, stat.S_IFREG, stat.S_IFDIR):
            what = "a link" if mode == stat.S_IFLNK else "a device"
            raise self.refusal(place, f"{what} to somewhere else", "a file")
        if name.endswith("/") and listed.size:
            raise self.refusal(place, f"a folder of {listed.size} bytes", "a folder without any")

    def _after_data(self, listed: _Listed, place: str, at: int) -> int:
        """Where the sizes end that a writer who could not go back put after the data."""
        for signature in (_AFTER_DATA, b""):
            for form in ("<3L", "<L2Q"):
                if (listed.size | listed.packed_size) >> 32 and form == "<3L":
                    continue
                told = struct.pack(form, listed.crc32, listed.packed_size, listed.size)
                ends = at + len(signature) + len(told)
                is_followed = self.content[ends : ends + 4] in (_MEMBER, _LISTED)
                if is_followed and self.content[at:ends] == signature + told:
                    return ends
        raise self.refusal(place, "other sizes after its data than in the list", "the same in both")

    def _name(self, listed: _Listed) -> tuple[str, str]:
        """Name of a member and what had to be tolerated in it."""
        raw = listed.raw_name
        is_declared = bool(listed.flags & _NAME_IS_UTF_8)
        if raw.isascii():
            return raw.decode("ascii"), ""
        declared = field(listed.extra, UNICODE_NAME)
        of_this_name = b"\x01" + struct.pack("<L", zlib.crc32(raw))
        if declared and declared.startswith(of_this_name) and not is_declared:
            raw, is_declared = declared[len(of_this_name) :], True
        try:
            name = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise self.refusal(
                f"member {raw!r}",
                "a name in no stated encoding" if not is_declared else "a name that is no UTF-8",
                "names in UTF-8: pack it again with another program, or rename the file",
            ) from error
        return name, "" if is_declared else f"the name {name!r} is UTF-8, which is not stated"

    def check_names(self, members: Sequence[Member]) -> None:
        """Refuse names that are one file on some machines and two on others."""
        seen: dict[str, Member] = {}
        for member in members:
            key = unicodedata.normalize("NFC", member.name.removesuffix("/").casefold())
            if (other := seen.get(key)) is not None:
                twice = "its name twice" if other.name == member.name else f"also {other.name!r}"
                raise self.refusal(member.place, twice, "names that differ in more than capitals")
            seen[key] = member
        for key, member in seen.items():
            for parent in map(str, PurePosixPath(key).parents):
                if parent in seen and not seen[parent].is_folder:
                    found = f"the file {seen[parent].name!r} as its folder"
                    raise self.refusal(member.place, found, "a folder, or another name")

    def check_spans(self, members: Sequence[Member]) -> None:
        """Refuse bytes that two members share, or that belong to none."""
        ended, before = 0, "its beginning"
        for member in members:
            if member.starts_at < ended:
                raise self.refusal(
                    member.place, f"bytes that are also those of {before}", "bytes of its own"
                )
            self._check_gap(member.starts_at - ended, before)
            ended, before = member.ends_at, member.place
        self._check_gap(self.list_at - ended, before)

    def _check_gap(self, gap: int, before: str) -> None:
        if gap:
            raise self.refusal(f"after {before}", f"{gap} bytes of no member", "nothing there")
