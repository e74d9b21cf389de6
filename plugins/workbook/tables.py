"""One sheet: its header, the titles of its columns, and the numbers below them."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np

from speclake.errors import MalformedFile
from speclake.importing.contradiction import contradiction, refuse_title
from speclake.importing.formats import Header
from speclake.importing.numbers import NUMBER
from speclake.importing.sheetcells import Cell, CellError, cell_name, cell_text, what_it_is
from speclake.importing.sheetformat import SheetFormat, Sheets
from speclake.importing.table import TablePlace
from speclake.importing.tablespectra import HeaderOfTable, spectra_of_table
from speclake.importing.text import Entries, EntryReader, end_of_header
from speclake.importing.titles import Columns, assigned
from speclake.importing.workbookfile import Sheet
from speclake.spectrum import FloatArray, Spectrum
from speclake.units import ValueUnit

SHEET_NAME = "sheet name"
"""Entry that every header of a sheet has."""
PERCENT_NOTE = "cells shown in percent hold fractions"
HIDDEN_NOTE = "the sheet has hidden rows or columns; they were read like all others"


@dataclass(frozen=True)
class _Grid:
    """Cells of a sheet from the table's first column on; rows count from 0 as in the sheet."""

    file: str
    sheet: Sheet
    first_column: int

    @property
    def block(self) -> str:
        return f"sheet {self.sheet.name!r}, "

    def row(self, row: int) -> list[Cell]:
        return self.sheet.rows[row][self.first_column :]

    def place(self, row: int) -> TablePlace:
        return TablePlace(self.file, row + 1, self.block, "row")

    def refuse_cell(self, row: int, column: int, expected: str) -> NoReturn:
        """Raise the refusal of a cell; its column counts from the table's first one."""
        found = what_it_is(self.sheet.rows[row][column + self.first_column])
        place = f"{self.block}cell {self.name(row, column)}"
        raise MalformedFile(self.file, place, found, expected)

    def name(self, row: int, column: int) -> str:
        """Name of a cell; its column counts from the table's first one."""
        return cell_name(row, column + self.first_column)


def spectra_of_sheet(
    sheet: Sheet, form: SheetFormat, notes: tuple[str, ...], file: str
) -> list[Spectrum]:
    """Spectra of one sheet, column by column.

    Raises
    ------
    speclake.errors.MalformedFile
        Something in the sheet does not fit the format.
    """
    grid = _Grid(file, sheet, form.sheets.first_column - 1)
    _check_left(grid)
    entries, row = Entries(), 0
    entries.add(SHEET_NAME, sheet.name, grid.place(0).line(0))
    if form.header is not None:
        row = _read_header(grid, form.header, entries)
    titles = _titles(grid, row, form.table.title_lines)
    row += form.table.title_lines
    stop = _end_of_rows(grid, row, form.table.end_line)
    place = grid.place(row)
    if stop == row:
        place.refuse(0, "no row of numbers", "rows of numbers")
    columns = _columns(grid, row, titles, form)
    if not columns.spectra:
        place.refuse(0, f"{columns.count} columns", "a column beside the axis")
    _check_right(grid, row, stop, columns.count)
    numbers = _Numbers(grid, form.sheets, row, stop)
    arrays = {index: numbers.column(index) for index in (columns.axis, *columns.spectra)}
    hidden = (HIDDEN_NOTE,) if sheet.has_hidden else ()
    header = HeaderOfTable(entries, form, (*notes, *hidden, *numbers.notes()))
    if stated := contradiction(columns.title(columns.axis), form.axis.unit):
        refuse_title(place, columns.title(columns.axis), stated, form.axis.unit)
    spectra = spectra_of_table(arrays, columns, header, place)
    return [
        _agreeing(numbers.as_shown(index, spectrum), form, columns.title(index), place)
        for index, spectrum in zip(columns.spectra, spectra, strict=True)
    ]


def _agreeing(spectrum: Spectrum, form: SheetFormat, title: str, place: TablePlace) -> Spectrum:
    """The spectrum, whose title states no other unit; one that tells the unit is no such."""
    if form.values.unit_from is None or not form.values.unit_from.title:
        as_percent: dict[ValueUnit, ValueUnit] = {"T": "%T", "R": "%R"}
        in_percent = any(note.startswith(PERCENT_NOTE) for note in spectrum.notes)
        shown = as_percent.get(spectrum.unit) if in_percent else None
        stated = contradiction(title, spectrum.unit)
        if stated and not (shown and contradiction(title, shown) is None):
            refuse_title(place, title, stated, spectrum.unit)
    return spectrum


def _check_left(grid: _Grid) -> None:
    for row, cells in enumerate(grid.sheet.rows):
        for column, cell in enumerate(cells[: grid.first_column]):
            if cell != "":
                expected = "nothing left of the first column that the format names"
                grid.refuse_cell(row, column - grid.first_column, expected)


def _read_header(grid: _Grid, header: Header, entries: Entries) -> int:
    """Row behind the header, whose entries are added."""
    reader = EntryReader(header, None, entries)
    for row in range(len(grid.sheet.rows)):
        line = grid.sheet.row_text(row)
        if header.lines == row or (header.next_line and re.search(header.next_line, line)):
            return row
        add_entry_of_row(reader, grid.row(row), grid.place(row))
        if header.last_line and re.search(header.last_line, line):
            return row + 1
    place = grid.place(len(grid.sheet.rows))
    place.refuse(0, "the end of the sheet", end_of_header(header, "row"))


def add_entry_of_row(reader: EntryReader, cells: Sequence[Cell], place: TablePlace) -> None:
    """Nothing; the entry of a row is kept.

    Its first cell is the name, or name and value in one; the others are the value.
    """
    texts = [text for cell in cells if (text := cell_text(cell))]
    if not texts:
        return
    first = texts[0].removeprefix(reader.rules.prefix).strip()
    if len(texts) == 1 and reader.begins_section(first):
        return
    name, found, value = (part.strip() for part in first.partition(reader.rules.between))
    text = " ".join(filter(None, (value, *texts[1:])))
    if not name or not (found or text):
        name, text = f"row {place.first_line}", " ".join((first, *texts[1:]))
    else:
        name = reader.section + name
    reader.entries.add(name, text, place.line(0))


def _titles(grid: _Grid, first: int, count: int) -> tuple[str, ...]:
    """Titles of the columns up to the last one that has a title; those of two rows are joined."""
    if not count:
        return ()
    rows = [grid.row(row) for row in range(first, min(first + count, len(grid.sheet.rows)))]
    if len(rows) < count:
        expected = f"{count} rows of titles"
        grid.place(len(grid.sheet.rows)).refuse(0, "the end of the sheet", expected)
    titles = [" ".join(filter(None, map(cell_text, cells))) for cells in zip(*rows, strict=True)]
    while titles and not titles[-1]:
        titles.pop()
    if not titles:
        grid.place(first).refuse(0, "no title", "titles of the columns")
    return tuple(titles)


def _end_of_rows(grid: _Grid, first: int, end_line: str | None) -> int:
    """Row behind the last one of numbers; below it only empty ones are left."""
    last = len(grid.sheet.rows) - 1
    while last >= first and not grid.sheet.row_text(last):
        last -= 1
    if end_line is None:
        return last + 1
    if last < first or not re.search(end_line, grid.sheet.row_text(last)):
        expected = f"a row that ends the table and matches {end_line!r}"
        grid.place(max(last, first)).refuse(0, "the last row of the sheet", expected)
    return last


def _columns(grid: _Grid, row: int, titles: tuple[str, ...], form: SheetFormat) -> Columns:
    """Columns of the table; those named by number may lie behind the last title."""
    cells = grid.row(row)
    written = (index + 1 for index, cell in enumerate(cells) if cell != "")
    named = [*form.values.ignore, *(form.values.columns or ())]
    numbers = [column for column in named if isinstance(column, int) and column <= len(cells)]
    count = max(len(titles) or max(written, default=0), *numbers, 0)
    padded = titles + ("",) * (count - len(titles)) if titles else ()
    return assigned(count, padded, form, grid.place(row))


def _check_right(grid: _Grid, first: int, stop: int, count: int) -> None:
    for row in range(first, stop):
        for column, cell in enumerate(grid.row(row)[count:], count):
            if cell != "":
                grid.refuse_cell(row, column, "nothing right of the table")


class _Numbers:
    """Numbers of a table's columns, and how many of them were stored as text."""

    def __init__(self, grid: _Grid, rules: Sheets, first: int, stop: int) -> None:
        self._grid, self._rules, self._first = grid, rules, first
        cells = [grid.row(row) for row in range(first, stop)]
        self._columns = list(zip(*cells, strict=True))
        self._texts: list[str] = []

    def column(self, index: int) -> FloatArray:
        """Numbers of a column, NaN where a cell holds a declared missing word or error.

        Raises
        ------
        speclake.errors.MalformedFile
            A cell holds anything else.
        """
        cells = self._columns[index]
        if set(map(type, cells)) == {float}:
            numbers = np.array(cells, dtype=np.float64)
            if np.isfinite(numbers).all():
                return numbers
        return np.array([self._number(row, index, cell) for row, cell in enumerate(cells)])

    def as_shown(self, index: int, spectrum: Spectrum) -> Spectrum:
        """Spectrum of a column, with a note where its cells are shown in percent.

        Raises
        ------
        speclake.errors.MalformedFile
            The unit is none of a fraction, or only some of the cells are shown so.
        """
        rows = self._grid.sheet.percents.get(index + self._grid.first_column, ())
        shown = {row - self._first for row in rows}
        cells = self._columns[index]
        in_percent = [isinstance(c, float) and row in shown for row, c in enumerate(cells)]
        if not any(in_percent):
            return spectrum
        # a number stored as text is what it shows, not a fraction of it
        numbers = [isinstance(c, float) or cell_text(c) not in self._rules.missing for c in cells]
        place = self._grid.place(self._first)
        first = self._grid.name(self._first + in_percent.index(True), index)
        if sum(in_percent) != sum(numbers):
            expected = "all numbers of a column shown alike, in percent or not"
            place.refuse(in_percent.index(True), f"cell {first} shown in percent", expected)
        if spectrum.unit not in ("T", "R"):
            found = f"cells shown in percent, the first {first}, under the unit {spectrum.unit}"
            expected = "T or R as the unit: cells shown in percent hold fractions"
            place.refuse(in_percent.index(True), found, expected)
        note = f"{PERCENT_NOTE} and were read as {spectrum.unit}"
        return replace(spectrum, notes=(*spectrum.notes, note))

    def _number(self, row: int, column: int, cell: Cell) -> float:
        if isinstance(cell, float | int) and not isinstance(cell, bool):
            if math.isfinite(cell):
                return float(cell)
        elif isinstance(cell, str | CellError):
            text = cell_text(cell)
            if text in self._rules.missing:
                return math.nan
            if isinstance(cell, str) and (number := self._number_in(text)) is not None:
                self._texts.append(self._grid.name(self._first + row, column))
                return number
        self._grid.refuse_cell(self._first + row, column, self._expected(cell))

    def _number_in(self, text: str) -> float | None:
        """Number that is stored as text; None where it is none or not to be read."""
        if self._rules.numbers_as_text == "refuse":
            return None
        if self._rules.decimal_sign == ",":
            text = text.replace(".", " ").replace(",", ".")
        number = float(text) if NUMBER.fullmatch(text) else math.inf
        return number if math.isfinite(number) else None

    def _expected(self, cell: Cell) -> str:
        words = ", ".join(map(repr, self._rules.missing))
        expected = f"a number or {words}" if words else "a number"
        if isinstance(cell, float):
            return f"{expected} below 1e308"
        if isinstance(cell, str) and NUMBER.fullmatch(cell.strip().replace(",", ".")):
            return f"{expected}, not one stored as text (numbers_as_text in the format)"
        return expected

    def notes(self) -> tuple[str, ...]:
        """Reading note on the numbers stored as text; none where there were none."""
        if not self._texts:
            return ()
        count = len(self._texts)
        return (f"{count} numbers stored as text were read, the first in cell {self._texts[0]}",)
