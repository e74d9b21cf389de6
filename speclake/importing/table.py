"""Rows of numbers in text, read strictly: every cell a number or a declared missing word.

There are two readers. The fast one takes a whole table at once and gives up on the least oddity;
the strict one goes cell by cell, knows every rule, and words the refusal. Where both read a table
they agree bit for bit with ``float(text)``.
"""

import csv
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NoReturn

import numpy as np
import numpy.typing as npt

from speclake.errors import MalformedFile
from speclake.importing.fixedwidth import check_touching, fixed_cells
from speclake.importing.numbers import (
    any_grouped,
    number_reader,
    proves_groups,
    with_plain_signs,
)
from speclake.importing.plainrows import read_plainly
from speclake.importing.text import CutShort, shown
from speclake.importing.textrules import Text
from speclake.spectrum import Axis, FloatArray, ScanDirection
from speclake.units import AxisUnit, Medium


@dataclass(frozen=True)
class TablePlace:
    """Where a table stands, for messages."""

    file: str
    first_line: int
    block: str = ""
    """Place of the block in words, with a comma behind it; empty where there are no blocks."""
    word: str = "line"

    def line(self, row: int) -> str:
        """Place of a row; rows count from 0."""
        return f"{self.block}{self.word} {self.first_line + row}"

    def refuse(self, row: int, found: str, expected: str) -> NoReturn:
        """Raise the refusal of a row."""
        raise MalformedFile(self.file, self.line(row), found, expected)


def split_cells(line: str, rules: Text) -> list[str]:
    """Cells of a line without the blanks around them.

    Raises
    ------
    ValueError
        A quote is not closed, the delimiter that ends every line is missing, or text stands
        outside the places of cells.
    """
    if rules.delimiter == "spaces":
        return [cell for cell in line.strip(" ").split(" ") if cell]
    if rules.is_fixed:
        return [cell.strip(" ") for cell in fixed_cells(line, rules)]
    if rules.quote and rules.quote in line:
        cells = _quoted_cells(line, rules)
    else:
        cells = line.split(rules.separator)
    cells = [cell.strip(" ") for cell in cells]
    if rules.delimiter_at_line_end and cells.pop() != "":
        raise ValueError("the delimiter at the end of the line")
    return cells


def _quoted_cells(line: str, rules: Text) -> list[str]:
    reader = csv.reader([line], delimiter=rules.separator, quotechar=rules.quote, strict=True)
    try:
        return next(reader, [""])
    except csv.Error as error:
        raise ValueError(f"cells whose quotes are closed ({error})") from error


@dataclass
class Tolerated:
    """What was tolerated in the rows of a table."""

    signs: dict[str, int] = field(default_factory=dict)
    lacks_newline: bool = False
    thousands_sign: str | None = None
    grouped: int = 0
    """How many numbers have a thousands sign."""
    first_grouped: tuple[str, str] = ("", "")
    """Place of the first of them, and the number."""
    are_groups_proven: bool = False

    @property
    def notes(self) -> tuple[str, ...]:
        """Reading notes of it."""
        signs = [f"{what}, {times} times" for what, times in self.signs.items() if times]
        if self.grouped:
            place, number = self.first_grouped
            what = f"the sign {self.thousands_sign!r} between groups of digits left out"
            signs.append(f"{what}, {self.grouped} times, first from {number!r} in {place}")
        end = "the last line ends without a newline, as the format allows"
        return (*signs, end) if self.lacks_newline else tuple(signs)


@dataclass(frozen=True)
class Rows:
    """Numbers of a table, in pieces of shape (some rows, columns), and what was tolerated."""

    pieces: tuple[FloatArray, ...]
    notes: tuple[str, ...]

    def __getitem__(self, index: int) -> FloatArray:
        """One column, shape (n rows,)."""
        if len(self.pieces) == 1:
            return self.pieces[0][:, index]
        return np.concatenate([piece[:, index] for piece in self.pieces])


def read_rows(
    pieces: Iterable[str],
    columns: int,
    rules: Text,
    place: TablePlace,
    ignored: frozenset[int] = frozenset(),
) -> Rows:
    """Numbers of a table.

    Parameters
    ----------
    pieces : the text of the rows, cut between lines; blank lines may follow in the last piece.
    columns : number of cells that each row must have.
    ignored : indices of columns whose cells need not be numbers.

    Raises
    ------
    speclake.errors.MalformedFile
        A row has another number of cells, a cell is no number, or the last line is not complete.
    """
    read: list[FloatArray] = []
    tolerated = Tolerated(thousands_sign=rules.thousands_sign)
    for text, at in plain_pieces(pieces, rules, place, tolerated):
        fast = read_plainly(text, columns, rules)
        read.append(read_strictly(text, columns, rules, at, ignored) if fast is None else fast)
    if not read:
        place.refuse(0, "no row of numbers", f"rows of {columns} cells")
    return Rows(tuple(read), tolerated.notes)


def plain_pieces(
    pieces: Iterable[str], rules: Text, place: TablePlace, tolerated: Tolerated
) -> Iterator[tuple[str, TablePlace]]:
    """Text of rows with plain signs, and where each piece begins; `tolerated` is added to.

    Raises
    ------
    speclake.errors.MalformedFile
        The last line is not complete.
    """
    for piece, is_last in _with_last(pieces):
        text = with_plain_signs(piece, rules, tolerated.signs)
        if is_last:
            if text and not text.endswith("\n"):
                text = _with_last_line(text, rules, place) + "\n"
                tolerated.lacks_newline = True
            text = _without_blank_end(text)
        _look_for_groups(text, rules, place, tolerated)
        if text:
            yield text, place
        if not is_last:
            place = replace(place, first_line=place.first_line + text.count("\n"))
    if tolerated.grouped and not tolerated.are_groups_proven:
        at, number = tolerated.first_grouped
        sign = rules.thousands_sign or ""
        found = f"{number!r}, which is {number.replace(sign, '')} or {number.replace(sign, '.')}"
        expected = f"a number in the table that proves that {sign!r} parts groups of digits"
        raise MalformedFile(place.file, at, found, expected)


def _look_for_groups(text: str, rules: Text, place: TablePlace, tolerated: Tolerated) -> None:
    """Count the numbers with a thousands sign, and look for one that proves it to be one.

    A point or a comma could be a decimal sign in disguise, which makes all values 1000 times as
    large; no other sign could.
    """
    sign = rules.thousands_sign
    if sign is None:
        return
    if sign in text and (grouped := any_grouped(rules).search(text)):
        if not tolerated.grouped:
            row = text.count("\n", 0, grouped.start())
            tolerated.first_grouped = (place.line(row), grouped[0])
        tolerated.grouped += len(any_grouped(rules).findall(text))
    if not tolerated.are_groups_proven:
        tolerated.are_groups_proven = sign not in ".," or _has_proof(text, rules, place)


def _has_proof(text: str, rules: Text, place: TablePlace) -> bool:
    proves = proves_groups(rules.thousands_sign or "", rules.decimal_sign)
    return any(
        proves(cell)
        for row, line in enumerate(text.split("\n")[:-1])
        for cell in cells_of_row(line.removesuffix("\r"), rules, place, row)
        if cell not in rules.missing
    )


def _with_last(pieces: Iterable[str]) -> Iterator[tuple[str, bool]]:
    """Pieces, each with whether it is the last."""
    rest = iter(pieces)
    piece = next(rest, "")
    for following in rest:
        yield piece, False
        piece = following
    yield piece, True


def _without_blank_end(text: str) -> str:
    end = len(text)
    while end > 0:
        start = text.rfind("\n", 0, end - 1) + 1
        if text[start:end].strip(" \r\n"):
            break
        end = start
    return text[:end]


def _with_last_line(text: str, rules: Text, place: TablePlace) -> str:
    """Text whose last line lacks its newline, after making sure that its last number is whole.

    A number that is cut short is still a number. That it is whole shows only where it has as many
    decimals as the one above it.
    """
    rows = text.split("\n")
    last, above = rows[-1], rows[-2] if len(rows) > 1 else ""
    if not rules.last_line_may_lack_newline:
        raise CutShort(
            place.file,
            place.line(len(rows) - 1),
            f"a last line without its end: {shown(last)}",
            "a newline; the file may be half written",
        )
    tails = [line.rstrip().rpartition(rules.decimal_sign) for line in (last, above)]
    shapes = [re.sub(r"[0-9]", "0", tail) for _, sign, tail in tails if sign]
    if len(shapes) < 2 or shapes[0] != shapes[1]:
        place.refuse(
            len(rows) - 1,
            f"a last line without a newline: {shown(last)}",
            "a last number written like the one above it; the file may be half written",
        )
    return text.rstrip()


def read_strictly(
    text: str,
    columns: int,
    rules: Text,
    place: TablePlace,
    ignored: frozenset[int] = frozenset(),
) -> FloatArray:
    """Numbers of a table cell by cell, shape (rows, columns); NaN for text that is ignored.

    Raises
    ------
    speclake.errors.MalformedFile
        A row has another number of cells, or a cell is no number.
    """
    number = number_reader(rules)
    lines = text.split("\n")[:-1]
    values = np.empty((len(lines), columns))
    for row, line in enumerate(line.removesuffix("\r") for line in lines):
        cells = cells_of_row(line, rules, place, row)
        if len(cells) != columns:
            found = f"{len(cells)} cells" if line.strip() else "an empty line"
            place.refuse(row, f"{found}: {shown(line)}", f"{columns} cells, as above")
        for column, cell in enumerate(cells):
            try:
                values[row, column] = number(cell)
            except ValueError as error:
                if column not in ignored:
                    place.refuse(row, f"{shown(cell)} in column {column + 1}", str(error))
                values[row, column] = np.nan
    return values


def cells_of_row(line: str, rules: Text, place: TablePlace, row: int) -> list[str]:
    """Cells of a row of numbers.

    Raises
    ------
    speclake.errors.MalformedFile
        The line cannot be parted into cells.
    """
    try:
        cells = split_cells(line, rules)
        if rules.cells_touch:
            check_touching(line, fixed_cells(line, rules), rules)
    except ValueError as error:
        place.refuse(row, shown(line), str(error))
    return cells


def as_axis(
    positions: FloatArray,
    unit: AxisUnit,
    medium: Medium | None,
    place: TablePlace,
    rows: npt.NDArray[np.intp] | None = None,
) -> tuple[Axis, ScanDirection]:
    """Axis of the positions as listed, and the direction in which they were listed.

    Parameters
    ----------
    rows : row of the table in which each position stands, where it is not its own index.

    Raises
    ------
    speclake.errors.MalformedFile
        A position is missing, repeated, not above zero, or turns back.
    """
    row_of = np.arange(positions.size) if rows is None else rows
    if (low := np.flatnonzero(positions <= 0)).size:
        found = f"the position {positions[low[0]]} {unit}"
        expected = "wavelengths, wavenumbers or energies above zero"
        place.refuse(int(row_of[low[0]]), found, expected)
    known = _axis_of_bytes(positions.tobytes(), unit, medium)
    if known is not None:
        return known
    missing = np.flatnonzero(np.isnan(positions))
    if missing.size:
        expected = f"a position in {unit} in every row"
        place.refuse(int(row_of[missing[0]]), "a missing position", expected)
    steps = np.diff(positions)
    rising = np.count_nonzero(steps > 0) >= np.count_nonzero(steps < 0)
    wrong = int(np.flatnonzero((steps <= 0) if rising else (steps >= 0))[0])
    place.refuse(
        int(row_of[wrong + 1]),
        f"the position {positions[wrong + 1]} after {positions[wrong]}",
        f"positions that {'rise' if rising else 'fall'} from row to row",
    )


@lru_cache(maxsize=64)
def _axis_of_bytes(
    positions: bytes, unit: AxisUnit, medium: Medium | None
) -> tuple[Axis, ScanDirection] | None:
    """Axis and direction, or None: thousands of exports share one grid, so it is made once."""
    listed = np.frombuffer(positions, dtype=np.float64)
    falling = listed.size > 1 and bool(listed[0] > listed[-1])
    try:
        axis = Axis(listed[::-1] if falling else listed, unit, medium)
    except ValueError:
        return None
    return axis, "descending" if falling else "ascending"
