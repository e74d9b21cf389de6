"""Column titles, and which column is the axis and which are spectra."""

from dataclasses import dataclass

from speclake.importing.formats import Column, Format
from speclake.importing.sheetformat import TableFormat
from speclake.importing.table import TablePlace, split_cells
from speclake.importing.text import CutShort, Lines, shown
from speclake.importing.textrules import Text


@dataclass(frozen=True)
class Columns:
    """Which columns a table has. Indices count from 0; `titles` is empty where it has none."""

    count: int
    titles: tuple[str, ...]
    axis: int
    spectra: tuple[int, ...]
    is_one_pair: bool = False
    """Whether the table has more spectra, each with an axis column of its own."""

    def title(self, index: int) -> str:
        """Title of a column; empty where there are none."""
        return self.titles[index] if self.titles else ""


def choose_columns(lines: Lines, form: Format, file: str, block: str) -> Columns:
    """Columns of the table that begins at the next line; its titles are left behind.

    Raises
    ------
    speclake.errors.MalformedFile
        The table lacks a column that the format names, or has one that it does not.
    """
    place = TablePlace(file, lines.number, block)
    titles = _titles(lines, form, place)
    first = lines.peek()
    if first is None:
        raise CutShort(
            file, f"{block}line {lines.number}", "the end of the file", "a whole row of numbers"
        )
    count = len(titles) or _count_cells(first, form.text, place)
    if form.values.pairs:
        return Columns(count, titles, 0, ())
    columns = assigned(count, titles, form, place)
    if not columns.spectra:
        place.refuse(0, f"{count} cells: {shown(first)}", "a column beside the axis")
    return columns


def assigned(count: int, titles: tuple[str, ...], form: TableFormat, place: TablePlace) -> Columns:
    """Which of so many columns are what; none need be a spectrum.

    Raises
    ------
    speclake.errors.MalformedFile
        There is a column that the format neither reads nor ignores, or one is missing.
    """
    axis = _index(form.axis.column, titles, count, place)
    ignored = {_ignored(column, titles) for column in form.values.ignore}
    rest = tuple(i for i in range(count) if i != axis and i not in ignored)
    spectra = rest
    if form.values.columns is not None:
        spectra = tuple(_index(c, titles, count, place) for c in form.values.columns)
        if left := sorted(set(rest) - set(spectra)):
            names = ", ".join(_name(i, titles) for i in left)
            place.refuse(0, f"also {names}", "only columns that the format reads or ignores")
    return Columns(count, titles, axis, spectra)


def pairs_of_columns(columns: Columns, form: Format, place: TablePlace) -> list[Columns]:
    """Columns of each spectrum of a table in which every one has an axis column of its own.

    The title of a spectrum is that of both its columns.

    Raises
    ------
    speclake.errors.MalformedFile
        The columns that are not ignored are no pairs.
    """
    ignored = {_ignored(column, columns.titles) for column in form.values.ignore}
    left = [index for index in range(columns.count) if index not in ignored]
    if len(left) % 2 or not left:
        place.refuse(0, f"{len(left)} columns", "pairs of an axis and a spectrum")
    pairs = list(zip(left[::2], left[1::2], strict=True))
    titles = list(columns.titles)
    for axis, values in pairs:
        if titles:
            titles[values] = f"{columns.titles[axis]} {columns.titles[values]}".strip()
    return [
        Columns(columns.count, tuple(titles), axis, (values,), is_one_pair=len(pairs) > 1)
        for axis, values in pairs
    ]


def _titles(lines: Lines, form: Format, place: TablePlace) -> tuple[str, ...]:
    rows: list[list[str]] = []
    for number in range(form.table.title_lines):
        line = lines.take()
        if line is None:
            raise CutShort(
                place.file, place.line(number), "the end of the file", "a whole line of titles"
            )
        cells = _title_cells(line, form.text, place, number)
        if rows and len(cells) != len(rows[0]):
            place.refuse(number, f"{len(cells)} titles: {shown(line)}", f"{len(rows[0])}, as above")
        rows.append(cells)
    return tuple(" ".join(filter(None, cells)) for cells in zip(*rows, strict=True))


def _title_cells(line: str, rules: Text, place: TablePlace, number: int) -> list[str]:
    """Titles of a line, which may lack the delimiter that ends every row."""
    if rules.delimiter_at_line_end and not line.rstrip(" ").endswith(rules.separator):
        line += rules.separator
    try:
        return split_cells(line, rules)
    except ValueError as error:
        place.refuse(number, shown(line), str(error))


def _count_cells(line: str, rules: Text, place: TablePlace) -> int:
    try:
        return len(split_cells(line, rules))
    except ValueError as error:
        place.refuse(0, shown(line), str(error))


def _index(column: Column, titles: tuple[str, ...], count: int, place: TablePlace) -> int:
    if isinstance(column, int):
        if column > count:
            place.refuse(0, f"{count} columns", f"a column {column}")
        return column - 1
    if titles.count(column) != 1:
        found = f"{titles.count(column)} columns of that title among {', '.join(titles)}"
        place.refuse(0, shown(found) if len(found) > 200 else found, f"one column {column!r}")
    return titles.index(column)


def _ignored(column: Column, titles: tuple[str, ...]) -> int | None:
    """Index of a column to be ignored; a title that is not there has nothing to ignore."""
    if isinstance(column, int):
        return column - 1
    return titles.index(column) if column in titles else None


def _name(index: int, titles: tuple[str, ...]) -> str:
    return f"column {index + 1} {titles[index]!r}" if titles else f"column {index + 1}"
