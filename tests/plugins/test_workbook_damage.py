"""Damaged, half-written and hostile workbooks are refused, each with what is wrong."""

import io
import zipfile

import pytest
from speclake_plugins.workbook import WorkbookImporter

from speclake.importing import Source
from speclake.importing import workbookparts as parts
from speclake.testing import check_importer
from tests.plugins.workbooks import (
    PLAIN,
    POINTS,
    TITLES,
    book,
    formats,
    read_one,
    refusal,
    with_cells,
    with_part,
)

CONTENT = book(S1=[TITLES, *POINTS])
SHEET = "xl/worksheets/sheet1.xml"
NO_TITLES = PLAIN.replace("title_lines = 1", "")


def zipped(members: dict[str, bytes], kind: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", kind) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def unzipped(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_the_contract_of_importers_is_kept():
    source = Source("run7.xlsx", CONTENT, formats(PLAIN))
    check_importer(WorkbookImporter(), source, spectra=1, variants=2000, seed=7)


def test_a_changed_byte_of_a_number_is_refused():
    stored = zipped(unzipped(CONTENT), zipfile.ZIP_STORED)
    assert read_one(stored).values[0] == 92.5
    changed = stored.replace(b"<v>92.5</v>", b"<v>92.6</v>")
    place, found, expected = refusal(changed)
    assert (place, expected) == ("", "a whole one")
    assert "Bad CRC-32" in found


def test_encrypted_and_older_workbooks_are_refused_with_what_to_do():
    content = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(4096)
    assert refusal(content) == (
        "",
        "a workbook that is encrypted, or of the binary kind before XLSX",
        "one saved as .xlsx, without a password",
    )
    flagged = bytearray(CONTENT)
    flagged[CONTENT.index(b"PK\x01\x02") + 8] |= 1
    assert refusal(bytes(flagged))[1] == "an encrypted workbook"


@pytest.mark.parametrize("missing", ["xl/workbook.xml", "xl/_rels/workbook.xml.rels", SHEET])
def test_a_workbook_without_one_of_its_parts_is_refused(missing):
    members = unzipped(CONTENT)
    del members[missing]
    place, found, _ = refusal(zipped(members))
    assert missing in found or (place, found) == ("sheet 'S1'", "no such part")


def test_a_part_that_comes_twice_is_refused():
    with pytest.warns(UserWarning, match="Duplicate name"):
        stream = io.BytesIO(CONTENT)
        with zipfile.ZipFile(stream, "a") as archive:
            archive.writestr(SHEET, unzipped(CONTENT)[SHEET].replace(b"92.5", b"12.5"))
    assert refusal(stream.getvalue())[0] == f"the part {SHEET}"


class TestBombs:
    def test_a_part_that_unpacks_to_far_more_is_refused(self) -> None:
        content = with_part(CONTENT, SHEET, lambda part: part + b" " * 20_000_000)
        _, found, expected = refusal(content)
        assert found.startswith(f"{len(content)} bytes that unpack to 200")
        assert expected == "at most 200 times as many"

    def test_more_than_any_export_holds_is_refused(self, monkeypatch) -> None:
        monkeypatch.setattr(parts, "LARGEST_UNPACKED_BYTES", 2000)
        assert refusal(CONTENT)[2] == "at most 2000"

    @pytest.mark.parametrize(
        ("letters", "row"), [("XFD", 1_048_576), ("A", 1_048_576), ("ZZ", 9999)]
    )
    def test_a_sheet_that_is_nearly_empty_takes_no_room(self, letters, row) -> None:
        cells = '<row r="1"><c r="C1"><v>1</v></c></row>'
        cells += f'<row r="{row}"><c r="{letters}{row}"><v>2</v></c></row>'
        place, found, _ = refusal(with_cells(cells), NO_TITLES)
        assert (place, found) == ("sheet 'S1'", f"2 cells in an area of {row} rows")

    def test_a_long_text_in_many_cells_takes_no_room(self) -> None:
        cells = "<row>" + '<c t="s"><v>0</v></c>' * 10_000 + "</row>"
        text = b"<sst><si><t>" + bytes(range(97, 123)) * 4000 + b"</t></si></sst>"
        content = zipped(unzipped(with_cells(cells)) | {"xl/sharedStrings.xml": text})
        assert refusal(content, NO_TITLES)[0] == "the part xl/sharedStrings.xml"

    def test_entities_are_refused(self) -> None:
        def with_entity(part: bytes) -> bytes:
            return b'<!DOCTYPE a [<!ENTITY b "c">]>' + part

        assert refusal(with_part(CONTENT, SHEET, with_entity))[1] == "no plain XML"


class TestCellsOutOfOrder:
    """The library behind would take the last of them, or the next free place."""

    @pytest.mark.parametrize(
        ("cells", "found"),
        [
            ('<row r="1"><c r="A1"><v>400</v></c><c r="A1"><v>1</v></c></row>',
             "a cell 'A1' behind it"),
            ('<row r="1"><c r="B1"><v>1</v></c><c r="A1"><v>400</v></c></row>',
             "a cell 'A1' behind it"),
            ('<row r="1"><c r="A2"><v>1</v></c></row>', "a cell 'A2' in it"),
            ('<row r="1"><c r="A1"/></row><row r="1"><c r="A1"/></row>', "a row '1' behind it"),
            ('<row r="2"><c r="A2"/></row><row r="1"><c r="A1"/></row>', "a row '1' behind it"),
            ('<row r="1048577"><c/></row>', "a row '1048577' behind it"),
            ('<row r="1"><c r="XFE1"><v>1</v></c></row>', "a cell 'XFE1' behind it"),
            ('<row r="1"><c r="ZZZZZ1"><v>1</v></c></row>', "a cell 'ZZZZZ1' behind it"),
            ('<row r="1"><c r="1"><v>1</v></c></row>', "a cell '1' behind it"),
            ('<row r="1"><c r="aB1"><v>1</v></c></row>', "a tag that is none"),
            ('<row r="1"><c r="A1" r="B1"><v>1</v></c></row>', "a tag with two names"),
            ('<row r="1"><c s="1" r="A1" r="B1"><v>1</v></c></row>', "a tag that is none"),
            ('<c r="A1"><v>1</v></c>', "cells outside of rows"),
            ('<row r="1"><c r="A1" <v>1</v></c></row>', "a tag that is none"),
            ('<row r="1"><c r="A1" t="n" t="s"><v>1</v></c></row>', "a tag that is none"),
            ('<row r="1"><c x="1" r=A1><v>1</v></c></row>', "a tag that is none"),
            ('<row r="1"><c><v>1<!-- -->2</v></c></row>', "remarks among the cells"),
        ],
    )  # fmt: skip
    def test_they_are_refused(self, cells, found) -> None:
        assert refusal(with_cells(cells), NO_TITLES)[1] == found

    def test_cells_without_names_follow_one_another(self) -> None:
        cells = (
            "<row><c><v>400</v></c><c><v>1</v></c></row><row><c><v>401</v></c><c><v>2</v></c></row>"
        )
        assert read_one(with_cells(cells), NO_TITLES).values.tolist() == [1.0, 2.0]

    def test_other_ways_of_writing_the_same_cells_are_read(self) -> None:
        def prefixed(part: bytes) -> bytes:
            start = part.index(b"<worksheet xmlns=")
            text = part[start:].replace(b"</", b"\1").replace(b"<", b"<x:").replace(b"\1", b"</x:")
            return text.replace(b"xmlns=", b"xmlns:x=").replace(b'"', b"'")

        assert read_one(with_part(CONTENT, SHEET, prefixed)).values.tolist() == [92.5, -0.02, 92.3]

    @pytest.mark.parametrize("kind", ['t="b"><v>7', 't="s"><v>9', 't="zz"><v>7'])
    def test_what_the_library_refuses_is_refused_by_sheet(self, kind) -> None:
        place, found, _ = refusal(with_cells(f"<row><c {kind}</v></c></row>"), NO_TITLES)
        assert place == "sheet 'S1'"
        assert found.startswith("a damaged workbook (")


@pytest.mark.parametrize("encoding", ["UTF-16", "windows-1252"])
def test_parts_in_another_encoding_are_refused(encoding):
    def change(part: bytes) -> bytes:
        return f'<?xml version="1.0" encoding="{encoding}"?>'.encode() + part

    assert refusal(with_part(CONTENT, SHEET, change))[1] == f"the encoding {encoding!r}"
