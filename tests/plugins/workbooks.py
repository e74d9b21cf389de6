"""Small workbooks, invented, for the tests of their importer; written by another library."""

import io
import re
import tomllib
import zipfile
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet
from speclake_plugins.workbook import WorkbookImporter

from speclake.errors import MalformedFile
from speclake.importing import Source, read_checked
from speclake.spectrum import Spectrum

NAME = "run7.xlsx"

PLAIN = """
[recognise]
file_name = "*.xlsx"
[sheets]
[table]
title_lines = 1
[axis]
unit = "nm"
[values]
unit = "%T"
"""

TITLES = ["nm", "S1"]
POINTS = [[400.0, 92.5], [400.5, -0.02], [401.0, 92.3]]

Rows = Sequence[Sequence[Any]]


def book(*, prepare: Callable[[Any], None] | None = None, **sheets: Rows) -> bytes:
    """Workbook of these sheets, row by row from A1; `prepare` is given it before it is saved."""
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.worksheets[0])
    for name, rows in sheets.items():
        sheet: Worksheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    if prepare is not None:
        prepare(workbook)
    stream = io.BytesIO()
    workbook.save(stream)
    return stream.getvalue()


def with_part(content: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """Workbook with one of its parts changed."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for each in old.namelist():
            part = old.read(each)
            new.writestr(each, change(part) if each == name else part)
    return stream.getvalue()


def with_cells(cells: str, content: bytes | None = None) -> bytes:
    """Workbook whose first sheet S1 consists of these rows in XML."""

    def change(part: bytes) -> bytes:
        data = f"<sheetData>{cells}</sheetData>".encode()
        return re.sub(rb"<sheetData>.*</sheetData>", lambda _: data, part, flags=re.DOTALL)

    return with_part(content or book(S1=[[1]]), "xl/worksheets/sheet1.xml", change)


def written_in_full(rows: Sequence[Sequence[float]]) -> bytes:
    """Workbook of one sheet of numbers, each with as many digits as tell it from all others."""
    return with_cells(
        "".join(
            f"<row>{''.join(f'<c><v>{number!r}</v></c>' for number in row)}</row>" for row in rows
        )
    )


def formats(toml: str) -> Mapping[str, Mapping[str, Any]]:
    """One format, as an archive hands it to importers."""
    return {"sheet": tomllib.loads(toml)}


def read(content: bytes, toml: str = PLAIN, name: str = NAME) -> list[Spectrum]:
    """Spectra of a workbook by a format."""
    return read_checked(WorkbookImporter(), Source(name, content, formats(toml)))


def read_one(content: bytes, toml: str = PLAIN) -> Spectrum:
    """The one spectrum of a workbook."""
    [spectrum] = read(content, toml)
    return spectrum


def refusal(content: bytes, toml: str = PLAIN) -> tuple[str, str, str]:
    """Place, found and expected of the refusal of a workbook."""
    with pytest.raises(MalformedFile) as caught:
        read(content, toml)
    assert caught.value.file == NAME
    return caught.value.place, caught.value.found, caught.value.expected


def with_rule(rule: str) -> str:
    """Format of a plain workbook with one more rule on its sheets."""
    return PLAIN.replace("[sheets]\n", f"[sheets]\n{rule}\n")
