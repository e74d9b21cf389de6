"""Run sheets: tables that say which scan is which sample and site.

A run sheet is CSV or XLSX with one title row. Its column ``file`` (a file name, or a path below
the watched folder) or ``run`` (a run number that the header or a naming pattern gives) names the
scan; ``place`` narrows it to one spectrum of a file, ``date`` to one day; every other column is a
field.

Run counters and file names start anew every morning, so a row that gives only a number or a bare
name speaks of files in the folder of its sheet and in the folders inside it, and of no others.
"""

import csv
import io
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo
from functools import cached_property
from pathlib import PurePosixPath

from speclake.errors import MalformedFile
from speclake.measurement import FIELDS

KEY_COLUMNS = ("file", "run", "place", "date")
LARGEST_MB = 16
"""A run sheet has a row a scan; one larger than this is something else."""
LARGEST_UNPACKED_MB = 256


@dataclass(frozen=True)
class Scan:
    """What a row can name a scan by: its file, its place therein, its run number, its day."""

    file: str
    place: str
    run: str | None
    day: date | None = None


@dataclass(frozen=True)
class RunSheet:
    """Rows of one run sheet, each with its line for messages; `name` is its path.

    `called` is how messages and origins name it. What only ever speaks of the scans beside it in
    one zip stands like what these say themselves, and other sheets do not go before it.
    """

    name: str
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    called: str = "run sheet"

    @cached_property
    def _by_key(self) -> dict[tuple[str, str], list[tuple[int, Mapping[str, str]]]]:
        """Rows by the file that they name, or by the run number where they name none."""
        index: dict[tuple[str, str], list[tuple[int, Mapping[str, str]]]] = {}
        for line, row in self.rows:
            file = row.get("file", "")
            key = ("file", file) if file else ("run", row.get("run", ""))
            index.setdefault(key, []).append((line, row))
        return index

    @cached_property
    def files(self) -> frozenset[str]:
        """Files that the rows name."""
        return frozenset(name for key, name in self._by_key if key == "file")

    @cached_property
    def runs(self) -> frozenset[str]:
        """Run numbers that rows without a file name."""
        return frozenset(name for key, name in self._by_key if key == "run" and name)

    def about(self, file: str, run: str | None) -> "RunSheet | None":
        """The rows that may speak of a file: by its name, or by its run, any where it is None."""
        keys = [("file", name) for name in dict.fromkeys((file, PurePosixPath(file).name))]
        if self._reaches(file):
            keys += [("run", each) for each in (self.runs if run is None else (run,))]
        rows = tuple(row for key in keys for row in self._by_key.get(key, ()))
        return replace(self, rows=tuple(sorted(rows, key=lambda r: r[0]))) if rows else None

    def entries_for(self, scan: Scan) -> list[tuple[int, dict[str, str]]]:
        """Fields that the sheet gives a scan, with the line of each row that names it."""
        narrowed = self.about(scan.file, scan.run or "")
        keys = {*KEY_COLUMNS, *(("scanned",) if scan.day else ())}
        return [
            (line, {k: v for k, v in row.items() if k not in keys and v})
            for line, row in (narrowed.rows if narrowed else ())
            if self._names(row, scan)
        ]

    def _names(self, row: Mapping[str, str], scan: Scan) -> bool:
        file, run = row.get("file"), row.get("run")
        if row.get("place") and row["place"] != scan.place:
            return False
        if not _is_of_day(row, scan.day, by_run=not file):
            return False
        if not file:
            return bool(run) and run == scan.run and self._reaches(scan.file)
        if run and scan.run and run != scan.run:
            return False
        name = PurePosixPath(scan.file).name
        return file == scan.file or (file == name and self._reaches(scan.file))

    def _reaches(self, file: str) -> bool:
        """Whether a file lies in the folder of the sheet or deeper."""
        return PurePosixPath(file).is_relative_to(PurePosixPath(self.name).parent)


def _is_of_day(row: Mapping[str, str], day: date | None, *, by_run: bool) -> bool:
    """Whether what a row says of the day does not speak against the scan.

    A row with a date, or one that gives a run number and a time, needs a scan whose header tells
    its day; a time beside the name of a file may tell it to a scan that knows none.
    """
    if row.get("date"):
        return day == day_of(row["date"], None)
    if stated := day_of(row.get("scanned"), None):
        return stated == day or (day is None and not by_run)
    return True


def day_of(text: str | None, zone: tzinfo | None) -> date | None:
    """Day of a time in the laboratory's zone; as it is written where it or the zone is unknown."""
    if not text:
        return None
    try:
        when = datetime.fromisoformat(text)
        return (when.astimezone(zone) if when.tzinfo and zone else when).date()
    except (ValueError, OverflowError):
        return None


@dataclass(frozen=True)
class Claim:
    """What one row of a run sheet says of one field of a scan."""

    source: str
    value: str


def claims(sheets: Sequence[RunSheet], scan: Scan) -> dict[str, list[Claim]]:
    """What all run sheets together say of a scan, field by field."""
    said: dict[str, list[Claim]] = {}
    for sheet in sheets:
        for line, fields in sheet.entries_for(scan):
            for name, value in fields.items():
                said.setdefault(name, []).append(
                    Claim(f"{sheet.called} {sheet.name}, line {line}", value)
                )
    return said


def read(name: str, content: bytes) -> RunSheet:
    """Run sheet from the bytes of a CSV (UTF-8) or XLSX file.

    Raises
    ------
    speclake.errors.MalformedFile
        It cannot be read, or its columns are not known.
    """
    if len(content) > LARGEST_MB * 2**20:
        raise MalformedFile(name, "", f"{len(content)} bytes", f"a run sheet of {LARGEST_MB} MB")
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
        row = dict(zip(titles, cells, strict=False))
        if row.get("date") and day_of(row["date"], None) is None:
            raise MalformedFile(
                name, f"line {line}", f"the date {row['date']!r}", "a date such as 2026-05-04"
            )
        rows.append((line, row))
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
                f"file, run, place, date or one of {', '.join(sorted(FIELDS))}",
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

    _check_unpacked(name, content)
    try:
        sheet = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0)
    except (CalamineError, OSError, ValueError) as error:
        raise MalformedFile(name, "", str(error), "an XLSX workbook") from error
    top = (sheet.start or (0, 0))[0]
    return [
        (line, [_cell(cell) for cell in cells])
        for line, cells in enumerate(sheet.to_python(skip_empty_area=True), top + 1)
    ]


def _check_unpacked(name: str, content: bytes) -> None:
    """A few bytes may unpack to more than the memory holds: the archive's own list tells."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            size = sum(each.file_size for each in packed.infolist())
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise MalformedFile(name, "", str(error), "an XLSX workbook") from error
    if size > LARGEST_UNPACKED_MB * 2**20:
        raise MalformedFile(
            name, "", f"{size} bytes once unpacked", f"at most {LARGEST_UNPACKED_MB} MB"
        )


def _cell(cell: object) -> str:
    """Text of a cell as a person sees it: whole numbers without a decimal point."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()
