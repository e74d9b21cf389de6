"""Workbooks in XLSX, sheet by sheet, as rows of cells."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from speclake.errors import MalformedFile
from speclake.importing.sheetcells import Cell, CellError, cell_text
from speclake.importing.sheetpercent import percent_styles
from speclake.importing.sheetscan import SheetScan, scan_sheet, with_errors_as_text
from speclake.importing.workbookparts import (
    SheetPart,
    check_shared_texts,
    repacked,
    sheets_of,
    unpack,
)

if TYPE_CHECKING:
    from python_calamine import CalamineWorkbook


@dataclass(frozen=True)
class Sheet:
    """Cells of one sheet from A1 on; every row has as many."""

    name: str
    rows: list[list[Cell]]
    has_hidden: bool
    """Whether rows or columns are hidden in it; they are among the rows like all others."""
    percents: Mapping[int, Sequence[int]] = field(default_factory=dict)
    """Rows of each column whose cells are shown in percent, and hold fractions."""

    def row_text(self, row: int) -> str:
        """Texts of a row's cells with tabs between them, without those of empty cells at its end.

        A line of text, as far as patterns are concerned.
        """
        return "\t".join(map(cell_text, self.rows[row])).rstrip("\t")


class Workbook:
    """A workbook whose sheets are read when they are asked for, each once.

    Raises
    ------
    speclake.errors.MalformedFile
        It is no whole XLSX workbook.
    """

    def __init__(self, content: bytes, file: str) -> None:
        self._file = file
        self._parts = unpack(content, file)
        self.sheets: tuple[SheetPart, ...] = sheets_of(self._parts, file)
        self._read: dict[str, Sheet] = {}

    def sheet(self, part: SheetPart) -> Sheet:
        """Cells of a sheet; a chart has none.

        Raises
        ------
        speclake.errors.MalformedFile
            The sheet is damaged.
        """
        if part.name not in self._read:
            self._read[part.name] = self._cells_of(part)
        return self._read[part.name]

    def first_texts(self, part: SheetPart, rows: int) -> list[str]:
        """Texts of the first rows of a sheet."""
        sheet = self.sheet(part)
        return [sheet.row_text(row) for row in range(min(rows, len(sheet.rows)))]

    def _cells_of(self, part: SheetPart) -> Sheet:
        if part.part is None:
            return Sheet(part.name, [], has_hidden=False)
        opened, scan = self._opened, self._scans[part.name]
        try:
            sheet = opened.get_sheet_by_name(part.name)
            rows: list[list[Cell]] = sheet.to_python(skip_empty_area=False)  # type: ignore[assignment]  # a list of its own cells, of which errors are put below
        except BaseException as error:
            if not _is_of_library(error):
                raise
            raise _damaged(self._file, f"sheet {part.name!r}", error) from error
        for row, column in scan.errors:
            if row < len(rows) and column < len(rows[row]):
                rows[row][column] = CellError(cell_text(rows[row][column]))
        return Sheet(part.name, rows, scan.has_hidden, scan.percents)

    @cached_property
    def _scans(self) -> dict[str, SheetScan]:
        styles = percent_styles(self._parts, self._file)
        scans = {
            each.name: scan_sheet(self._parts[each.part], each.name, self._file, styles)
            for each in self.sheets
            if each.part is not None
        }
        most = max((scan.shared_texts for scan in scans.values()), default=0)
        check_shared_texts(self._parts, most, self._file)
        return scans

    @cached_property
    def _opened(self) -> "CalamineWorkbook":
        from python_calamine import load_workbook

        for each in self.sheets:
            if each.part is not None and self._scans[each.name].errors:
                self._parts[each.part] = with_errors_as_text(self._parts[each.part])
        stream = repacked(self._parts)
        self._parts.clear()  # a large workbook is not held twice
        try:
            return load_workbook(stream)
        except BaseException as error:
            if not _is_of_library(error):
                raise
            raise _damaged(self._file, "", error) from error


def _is_of_library(error: BaseException) -> bool:
    from python_calamine import CalamineError

    # a failed assertion of the library comes as a class that no module gives a name to
    is_panic = type(error).__name__ == "PanicException"
    return is_panic or isinstance(error, CalamineError | ValueError | OverflowError | OSError)


def _damaged(file: str, place: str, error: BaseException) -> MalformedFile:
    return MalformedFile(file, place, f"a damaged workbook ({error})", "a whole one")
