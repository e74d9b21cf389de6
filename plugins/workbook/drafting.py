"""A draft of the format of an unknown workbook: what is in its sheets, and what speaks for what."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

from speclake_plugins.workbook.choosing import chosen_sheets
from speclake_plugins.workbook.tables import add_entry_of_row, spectra_of_sheet

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing.drafting.columns import say_unit_of_titles
from speclake.importing.drafting.dates import say_time
from speclake.importing.drafting.fields import say_fields
from speclake.importing.drafting.proposal import Draft
from speclake.importing.drafting.sheet import Key
from speclake.importing.drafting.sheet import Sheet as Keys
from speclake.importing.formats import Header, Recognise
from speclake.importing.sheetcells import Cell, cell_text
from speclake.importing.sheetformat import SheetFormat
from speclake.importing.statedunits import UnitText, axis_unit_in, value_unit_in
from speclake.importing.table import TablePlace
from speclake.importing.text import Entries, EntryReader
from speclake.importing.workbookfile import Sheet, Workbook
from speclake.units import ValueUnit

TABLES = (
    "recognise",
    "sheets",
    "header",
    "table",
    "axis",
    "values",
    "values.unit_from",
    "scanned",
    "fields",
)
ROWS_SHOWN, TEXT_SHOWN = 8, 90
ROWS_LOOKED_AT = Recognise.model_fields["within_lines"].default
_AXIS_UNITS = "nm, um, cm-1 or eV"
_VALUE_UNITS = "%T, T, %R, R, A or log(1/R); a cell shown in percent holds a fraction"
ALIKE_ROWS = 3
"""So many rows of numbers one below the other are a table."""


@dataclass(frozen=True)
class _Found:
    """The table of a sheet; rows and columns count from 0.

    `origin` is the column from which a format counts: the leftmost one in which anything stands.
    """

    first: int
    stop: int
    left: int
    right: int
    origin: int

    def titles(self, sheet: Sheet) -> list[str]:
        """Texts of the row above; empty where none stands there."""
        if self.first == 0:
            return []
        titles = list(map(cell_text, sheet.rows[self.first - 1][self.left : self.right]))
        return titles if titles and titles[0] else []


_NUMBER_AS_TEXT = re.compile(r"\s*[+-]?[0-9]+([.,][0-9]*)?([eE][+-]?[0-9]+)?\s*")


def draft_of_workbook(name: str, content: bytes) -> Draft:
    """Draft of a format for an unknown workbook; `name` is its file name.

    Raises
    ------
    speclake.errors.MalformedFile
        It is no whole workbook.
    """
    book = Workbook(content, name)
    sheets = [book.sheet(part) for part in book.sheets if part.is_visible]
    keys = Keys({table: list[Key]() for table in TABLES})
    keys.remarks += [line for sheet in sheets for line in _shown(sheet)]
    _say_name(keys, name)
    tables = [(sheet, found) for sheet in sheets if (found := _table_in(sheet.rows))]
    if tables:
        _say_sheets(keys, sheets, [sheet for sheet, _ in tables])
        _say_everything(keys, *tables[0])
        _try(keys, name, book)
    else:
        keys.doubt("no table of numbers was found in any visible sheet")
        keys.ask("sheets", "read", ["*"], "names of the sheets to read")
        keys.ask("axis", "unit", "nm", _AXIS_UNITS)
        keys.ask("values", "unit", "%T", _VALUE_UNITS)
    return Draft(
        name, keys.with_remarks(f"Drafted from {name}"), keys.assumptions, keys.questions,
        tuple(keys.doubts), content, "", keys,
    )  # fmt: skip


def _shown(sheet: Sheet) -> list[str]:
    if not sheet.rows:
        return [f"sheet {sheet.name!r} is empty"]
    lines = [f"sheet {sheet.name!r}, {len(sheet.rows)} rows of {len(sheet.rows[0])} cells:"]
    for row in range(min(ROWS_SHOWN, len(sheet.rows))):
        text = sheet.row_text(row).replace("\t", " | ")
        lines.append(
            f"  {row + 1}: {text if len(text) <= TEXT_SHOWN else text[:TEXT_SHOWN] + '...'}"
        )
    return lines


def _say_name(keys: Keys, name: str) -> None:
    suffix = PurePosixPath(name).suffix or ".xlsx"
    keys.say("recognise", "file_name", f"*{suffix}", "by the name of this one file")


def _say_sheets(keys: Keys, sheets: Sequence[Sheet], read: Sequence[Sheet]) -> None:
    names = [sheet.name for sheet in read]
    others = [sheet.name for sheet in sheets if sheet.rows and sheet.name not in names]
    keys.say("sheets", "read", names, "a table of numbers is in each")
    if others:
        keys.say("sheets", "ignore", others, "no table of numbers is in them")
    if len(names) > 1:
        keys.doubt("sheets: is each of them described by what was found in the first?")


def _is_number(cell: Cell) -> bool:
    return isinstance(cell, float)


def _table_in(rows: Sequence[Sequence[Cell]]) -> _Found | None:
    """The first rows of numbers, their first column rising or falling; None without any."""
    for first in range(len(rows) - ALIKE_ROWS + 1):
        columns = [index for index, cell in enumerate(rows[first]) if _is_number(cell)]
        if len(columns) < 2:
            continue
        left = columns[0]
        top = [rows[first + row][left] for row in range(ALIKE_ROWS)]
        numbers = [cell for cell in top if isinstance(cell, float)]
        steps = [after - before for before, after in pairwise(numbers)]
        is_axis = len(numbers) == ALIKE_ROWS and (min(steps) > 0 or max(steps) < 0)
        if not is_axis:
            continue
        stop = first
        while stop < len(rows) and _is_number(rows[stop][left]):
            stop += 1
        filled = (i for row in rows[first:stop] for i, cell in enumerate(row) if cell != "")
        origin = min(i for row in rows for i, cell in enumerate(row) if cell != "")
        return _Found(first, stop, left, max(filled) + 1, origin)
    return None


def _say_everything(keys: Keys, sheet: Sheet, found: _Found) -> None:
    titles = found.titles(sheet)
    entries = _say_header(keys, sheet, found, titles)
    if found.origin:
        keys.say("sheets", "first_column", found.origin + 1, "nothing stands left of it")
    if found.left > found.origin:
        keys.say("axis", "column", found.left - found.origin + 1, "its numbers rise or fall")
    numeric = _say_odd_cells(keys, sheet, found)
    if titles:
        keys.say("table", "title_lines", 1, "text stands above the numbers")
    rows = str(found.stop - found.first)
    if counts := [entry for entry, text in entries.items() if text == rows]:
        keys.say("table", "points_entry", counts[0], f"it tells the {rows} rows of this file")
    _say_units(keys, titles, numeric, in_percent=_is_in_percent(sheet, found, numeric))
    _say_texts(keys, titles, numeric, found)
    say_time(keys, entries)
    say_fields(keys, entries)


def _say_header(keys: Keys, sheet: Sheet, found: _Found, titles: Sequence[str]) -> dict[str, str]:
    above = found.first - bool(titles)
    if above <= 0:
        return {}
    if titles:
        mark = "^" + r"\t" * found.left + re.escape(titles[0]) + r"\t"
        keys.say("header", "next_line", mark, "so the row of titles begins")
    else:
        keys.say("header", "lines", above, "so many rows stand above in this file")
    entries = Entries()
    reader = EntryReader(Header(lines=above), None, entries)
    for row in range(above):
        place = TablePlace("", row + 1, word="row")
        add_entry_of_row(reader, sheet.rows[row][found.origin :], place)
    return entries.values


def _say_odd_cells(keys: Keys, sheet: Sheet, found: _Found) -> list[int]:
    """Columns that hold numbers; what else stands in them is asked for, the others are ignored."""
    rows = [row[found.left : found.right] for row in sheet.rows[found.first : found.stop]]
    columns = list(zip(*rows, strict=True))
    numeric = [index for index, cells in enumerate(columns) if any(map(_is_number, cells))]
    left_out = [*range(found.origin, found.left)]
    left_out += [found.left + index for index in range(len(columns)) if index not in numeric]
    if left_out:
        numbers = [column - found.origin + 1 for column in left_out]
        keys.say("values", "ignore", numbers, "no number is in them")
    odd = [cell for index in numeric for cell in columns[index] if not _is_number(cell)]
    texts = list(map(cell_text, odd))
    numbers_as_text = [text for text in texts if _NUMBER_AS_TEXT.fullmatch(text)]
    if words := [text for text in dict.fromkeys(texts) if text not in numbers_as_text]:
        count = len(texts) - len(numbers_as_text)
        keys.ask("sheets", "missing", words, f"do {count} such cells mean a missing value?")
    if numbers_as_text:
        told = f"{len(numbers_as_text)} numbers are stored as text, {numbers_as_text[0]!r} first"
        keys.ask("sheets", "numbers_as_text", "read", f"{told}; are they to be read?", ["refuse"])
        decimal_sign = "," if "," in numbers_as_text[0] else "."
        keys.ask("sheets", "decimal_sign", decimal_sign, "the sign in those numbers")
    return numeric


def _is_in_percent(sheet: Sheet, found: _Found, numeric: Sequence[int]) -> bool:
    columns = [sheet.percents.get(found.left + index, ()) for index in numeric[1:]]
    return any(found.first <= row < found.stop for rows in columns for row in rows)


def _say_texts(keys: Keys, titles: Sequence[str], numeric: Sequence[int], found: _Found) -> None:
    """Titles that state a unit tell this kind of workbook from others."""
    stated = [titles[0]] if titles and axis_unit_in(titles[0]) else []
    stated += [text.text for i in numeric[1:] if titles and (text := value_unit_in(titles[i]))]
    if stated:
        texts = list(dict.fromkeys(stated))
        keys.say("recognise", "text", texts, "it stands in the titles of this file")
        if found.first > ROWS_LOOKED_AT:
            keys.say("recognise", "within_lines", found.first, "so far down the titles stand")


def _say_units(
    keys: Keys, titles: Sequence[str], numeric: Sequence[int], *, in_percent: bool
) -> None:
    axis = axis_unit_in(titles[0]) if titles else None
    if axis:
        keys.say("axis", "unit", axis, f"{titles[0]!r} stands above the axis")
    else:
        keys.ask("axis", "unit", "nm", _AXIS_UNITS)
    keys.offer("axis", "medium", "air", "air or vacuum, where wavelengths are counted in it")
    texts = [value_unit_in(titles[index]) for index in numeric[1:]] if titles else []
    told = [text for text in texts if text is not None]
    if in_percent:
        fractions: dict[str, ValueUnit] = {"%T": "T", "T": "T", "%R": "R", "R": "R"}
        keys.doubt("values: cells shown in percent hold fractions, T or R")
        told = [
            UnitText(fractions[each.unit], each.text) for each in told if each.unit in fractions
        ]
    if told and len(told) == len(texts):
        shown = [titles[index] for index in numeric[1:]]
        say_unit_of_titles(keys, shown, told, is_one=len(shown) == 1)
    elif in_percent:
        keys.ask("values", "unit", "T", "T or R: the cells are shown in percent, hold fractions")
    else:
        keys.ask("values", "unit", "%T", _VALUE_UNITS)
    if len(numeric) > 2:
        keys.doubt(f"values: are all {len(numeric) - 1} columns of numbers spectra?")


def _try(keys: Keys, name: str, book: Workbook) -> None:
    """Remark what the draft reads of its own file, with the examples of open keys filled in."""
    try:
        form = tomlfile.loads(keys.with_examples().toml(), "draft.toml", SheetFormat)
        sheets, notes = chosen_sheets(book, form.sheets, name)
        count = sum(len(spectra_of_sheet(sheet, form, notes, name)) for sheet in sheets)
    except (BadSettings, MalformedFile) as error:
        keys.doubt(f"with the examples filled in, this very file is refused: {error}")
        return
    keys.remarks.insert(0, f"With the examples filled in, spectra read from this file: {count}.")
