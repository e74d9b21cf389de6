"""Parts of an XLSX workbook: unpacked within bounds, and checked before a library sees them.

What the library behind is given is packed anew from the parts that were checked, so that it reads
nothing else.
"""

import io
import posixpath
import re
import struct
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import BinaryIO
from xml.etree import ElementTree

from speclake.errors import MalformedFile

LARGEST_UNPACKED_BYTES = 1 << 30
LARGEST_RATIO = 200
"""Sheets of one and the same number shrink to a sixteenth, of measured ones to a fourth."""
LARGEST_SHARED_TEXT_BYTES = 1 << 28

ZIP_START = b"PK\x03\x04"
COMPOUND_START = bytes.fromhex("d0cf11e0a1b11ae1")
"""How workbooks begin that are encrypted, or of the binary kind before XLSX."""
WORKBOOK, RELATIONS = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"

_ZIP_ERRORS = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError,
    ValueError, OverflowError, OSError,
)  # fmt: skip
"""What `zipfile` raises on bytes that are none."""

_ENCODING = re.compile(rb"""\s*<\?xml[^>]*?\sencoding\s*=\s*["']([^"']*)""")
_SHARED_TEXT = re.compile(rb"<(?:\w+:)?si[\s/>]")


@dataclass(frozen=True)
class SheetPart:
    """A sheet as the workbook lists it; `part` is the name of its part, None of a chart."""

    name: str
    part: str | None
    is_visible: bool


def unpack(content: bytes, file: str) -> dict[str, bytes]:
    """XML parts of a workbook by name; their checksums are right.

    Raises
    ------
    speclake.errors.MalformedFile
        The file is no XLSX workbook, damaged, encrypted, or larger than any export.
    """
    if content.startswith(COMPOUND_START):
        found = "a workbook that is encrypted, or of the binary kind before XLSX"
        raise MalformedFile(file, "", found, "one saved as .xlsx, without a password")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = _members(archive, file, len(content))
            parts = {each.filename: archive.read(each) for each in members}
    except MalformedFile:
        raise
    except _ZIP_ERRORS as error:
        found = f"a damaged or half-written workbook ({error})"
        raise MalformedFile(file, "", found, "a whole one") from error
    for name in (WORKBOOK, RELATIONS):
        if name not in parts:
            raise MalformedFile(file, "", f"a zip file without {name}", "an XLSX workbook")
    for name, part in parts.items():
        _check_xml(part, name, file)
    return parts


def _members(archive: zipfile.ZipFile, file: str, packed: int) -> list[zipfile.ZipInfo]:
    members = [m for m in archive.infolist() if m.filename.endswith((".xml", ".rels"))]
    names = [member.filename for member in members]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise MalformedFile(file, f"the part {twice[0]}", "two of this name", "one")
    if any(member.flag_bits & 1 for member in members):
        raise MalformedFile(file, "", "an encrypted workbook", "one without a password")
    size = sum(member.file_size for member in members)
    if size > LARGEST_UNPACKED_BYTES:
        found = f"{size} bytes when unpacked"
        raise MalformedFile(file, "", found, f"at most {LARGEST_UNPACKED_BYTES}")
    if size > LARGEST_RATIO * packed:
        found = f"{packed} bytes that unpack to {size}"
        raise MalformedFile(file, "", found, f"at most {LARGEST_RATIO} times as many")
    return members


def _check_xml(part: bytes, name: str, file: str) -> None:
    said = _ENCODING.match(part.removeprefix(b"\xef\xbb\xbf"))
    if said and said[1].lower() not in (b"utf-8", b"us-ascii"):
        found = f"the encoding {said[1].decode('ascii', 'replace')!r}"
        raise MalformedFile(file, f"the part {name}", found, "UTF-8")
    if b"\0" in part or b"<!DOCTYPE" in part:
        raise MalformedFile(file, f"the part {name}", "no plain XML", "XML in UTF-8 without a DTD")


def sheets_of(parts: Mapping[str, bytes], file: str) -> tuple[SheetPart, ...]:
    """Sheets that the workbook lists, in its order.

    Raises
    ------
    speclake.errors.MalformedFile
        The list is damaged, or names a part that is not there.
    """
    targets = {}
    for each in _elements(parts, RELATIONS, "Relationship", file):
        path = posixpath.normpath(posixpath.join("/xl", each.get("Target", "")))
        targets[each.get("Id")] = (path.lstrip("/"), each.get("Type", "").endswith("/worksheet"))
    sheets = []
    for each in _elements(parts, WORKBOOK, "sheet", file):
        name = each.get("name", "")
        relation = next((v for k, v in each.items() if k.endswith("}id")), None)
        path, is_worksheet = targets.get(relation, ("", True))
        if is_worksheet and path not in parts:
            raise MalformedFile(file, f"sheet {name!r}", "no such part", "a part with its cells")
        is_visible = each.get("state", "visible") == "visible"
        sheets.append(SheetPart(name, path if is_worksheet else None, is_visible))
    names = [sheet.name for sheet in sheets]
    if len(set(names)) < len(names) or not all(names):
        raise MalformedFile(file, "", f"the sheets {names}", "sheets of different names")
    return tuple(sheets)


def _elements(
    parts: Mapping[str, bytes], name: str, kind: str, file: str
) -> list[ElementTree.Element]:
    try:
        root = ElementTree.fromstring(parts[name])
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise MalformedFile(file, f"the part {name}", f"damaged XML ({error})", "XML") from error
    return [each for each in root.iter() if str(each.tag).rpartition("}")[2] == kind]


def check_shared_texts(parts: Mapping[str, bytes], uses: int, file: str) -> None:
    """Refuse a workbook whose shared texts, written out in every cell, would fill the memory."""
    for name, part in parts.items():
        if name.lower() == "xl/sharedstrings.xml":
            longest = max(map(len, _SHARED_TEXT.split(part)))
            if longest * uses > LARGEST_SHARED_TEXT_BYTES:
                found = f"{uses} cells with texts of up to {longest} bytes"
                raise MalformedFile(file, f"the part {name}", found, "shorter texts")


def repacked(parts: Mapping[str, bytes]) -> BinaryIO:
    """Stream of a workbook of these parts, not compressed: nothing is read but what was checked."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name, part in parts.items():
            archive.writestr(zipfile.ZipInfo(name), part)
    stream.seek(0)
    return stream
