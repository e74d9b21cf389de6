"""Run sheets: tables that say which scan is which sample and site.

A run sheet is CSV or XLSX with one title row. Its column ``file`` (a file name, or a path below
the watched folder) or ``run`` (a run number that the header or a naming pattern gives) names the
scan; ``place`` narrows it to one spectrum of a file; every other column is a field.
"""

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePosixPath

from speclake.errors import MalformedFile
from speclake.measurement import FIELDS

KEY_COLUMNS = ("file", "run", "place")


@dataclass(frozen=True)
class RunSheet:
    """Rows of one run sheet, each with its line for messages."""

    name: str
    rows: tuple[tuple[int, Mapping[str, str]], ...]

    @cached_property
    def _by_file(self) -> dict[str, list[tuple[int, Mapping[str, str]]]]:
        index: dict[str, list[tuple[int, Mapping[str, str]]]] = {}
        for line, row in self.rows:
            index.setdefault(row.get("file", ""), []).append((line, row))
        return index

    def about(self, file: str) -> "RunSheet | None":
        """The rows that may speak of a file: those that name it and those that go by run."""
        keys = dict.fromkeys((file, PurePosixPath(file).name, ""))
        rows = tuple(row for key in keys for row in self._by_file.get(key, ()))
        return RunSheet(self.name, rows) if rows else None

    def entries_for(
        self, file: str, place: str, run: str | None
    ) -> list[tuple[int, dict[str, str]]]:
        """Fields that the sheet gives a scan, with the line of each row that names it."""
        return [
            (line, {k: v for k, v in row.items() if k not in KEY_COLUMNS and v})
            for line, row in self.rows
            if _names(row, file, place, run)
        ]


def _names(row: Mapping[str, str], file: str, place: str, run: str | None) -> bool:
    if row.get("place") and row["place"] != place:
        return False
    if row.get("file"):
        return row["file"] in (file, PurePosixPath(file).name)
    return bool(row.get("run")) and row["run"] == run


def read(name: str, content: bytes) -> RunSheet:
    """Run sheet from the bytes of a CSV (UTF-8) or XLSX file.

    Raises
    ------
    speclake.errors.MalformedFile
        It cannot be read, or its columns are not known.
    """
    table = _xlsx(name, content) if name.lower().endswith(".xlsx") else _csv(name, content)
    lines = [(line, cells) for line, cells in table if any(cells)]
    if not lines:
        raise MalformedFile(name, "", "no rows", "a title row and one row a scan")
    (title_line, titles), *body = lines
    _check_titles(name, title_line, titles)
    rows = []
    for line, cells in body:
        if len(cells) > len(titles) and any(cells[len(titles) :]):
            raise MalformedFile(
                name, f"line {line}", f"{len(cells)} cells", f"the {len(titles)} of the title row"
            )
        rows.append((line, dict(zip(titles, cells, strict=False))))
    return RunSheet(name, tuple(rows))


def _check_titles(name: str, line: int, titles: list[str]) -> None:
    if "file" not in titles and "run" not in titles:
        raise MalformedFile(
            name, f"line {line}", f"the columns {', '.join(titles)}", "a column 'file' or 'run'"
        )
    for title in titles:
        if title not in FIELDS and title not in KEY_COLUMNS:
            raise MalformedFile(
                name, f"line {line}", f"the column {title!r}",
                f"file, run, place or one of {', '.join(sorted(FIELDS))}",
            )  # fmt: skip
    if len(set(titles)) != len(titles):
        raise MalformedFile(name, f"line {line}", "a column twice", "each column once")


def _csv(name: str, content: bytes) -> Iterable[tuple[int, list[str]]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise MalformedFile(
            name, f"line {line}", f"the byte {content[error.start]:#04x}", "text in UTF-8"
        ) from error
    first = text.split("\n", 1)[0]
    delimiter = max(";\t,", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    try:
        return [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except csv.Error as error:
        raise MalformedFile(name, f"line {reader.line_num}", str(error), "CSV") from error


def _xlsx(name: str, content: bytes) -> Iterable[tuple[int, list[str]]]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        sheet = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0)
    except (CalamineError, OSError, ValueError) as error:
        raise MalformedFile(name, "", str(error), "an XLSX workbook") from error
    top = (sheet.start or (0, 0))[0]
    return [
        (line, [_cell(cell) for cell in cells])
        for line, cells in enumerate(sheet.to_python(skip_empty_area=True), top + 1)
    ]


def _cell(cell: object) -> str:
    """Text of a cell as a person sees it: whole numbers without a decimal point."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()
