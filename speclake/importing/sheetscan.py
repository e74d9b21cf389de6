"""Cells of a sheet looked over before a library reads their values.

The library behind gives the last of two cells at one place, takes room for every cell between the
first and the last one, and gives errors as empty cells or gives up. All that must show here.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NoReturn

from speclake.errors import MalformedFile

MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
"""The largest sheet that spreadsheets write (from memory)."""
PIECE_BYTES = 1 << 20
MOST_EMPTY_CELLS = 1_000_000
"""So many, and twenty for each written one, may be empty between A1 and the last written one."""

_DATA_BEGINS = re.compile(rb"<(\w+:)?sheetData\s*>")
_TAG = re.compile(rb"""<(?:\w+:)?(row|c)(?=[\s/>])(?: r="([A-Z]*)([0-9]+)")?([^<>]*>?)""")
_ATTRIBUTES = re.compile(
    rb"""(?:\s+(?:(?(2)(?!))r=["']([A-Z]*)([0-9]+)["']|(?(3)(?!))t=["'](\w+)["']"""
    rb"""|(?!r=|t=)[\w:.-]+=(?:"[^"<]*"|'[^'<]*')))*\s*(/?)>"""
)
_ERROR_TYPE = re.compile(rb"""(<(?:\w+:)?c(?=\s)[^<>]*?\st=["'])e(?=["'])""")
_STYLE = re.compile(rb"""\ss=["']([0-9]{1,9})["']""")
_NAME = re.compile(rb"""\sr=["']([A-Z]+[0-9]+)["']""")
_PLAIN_CELL = re.compile(
    rb"""<c r="[A-Z]+[0-9]+"(?: s="[0-9]+")?(?: t="n")?><v>[0-9.eE+-]*</v></c>"""
)
"""The usual cell, in which nothing can be odd: taken away before the others are looked into."""
_ODD_VALUE = re.compile(
    rb"""<(?:\w+:)?c(?=[\s>])(?![^<>]*\st=["']inlineStr)(?:(?![^<>]*\st=["'](?!n["']))()|)([^<>]*)"""
    rb"""(?<!/)>(?!\s*(?:<(?:\w+:)?f(?:\s[^<>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)\s*)?"""
    rb"""(?:<(?:\w+:)?v(?:\sxml:space="preserve")?(?:/>|>(?(1)[0-9.eE+-]*|[^<]*)</(?:\w+:)?v>)\s*)?"""
    rb"""</(?:\w+:)?c>)([^\r\n]{0,60})"""
)
"""A cell with more in it than a formula and one plain value, of which the library takes a part."""
_WELL_FORMED = "cells such as C12, each named once"
_HIDDEN = re.compile(rb"""<(?:\w+:)?(?:row|col)\s[^<>]*?\shidden=["'](?:1|true)["']""")


@dataclass(frozen=True)
class SheetScan:
    """What a sheet says of its cells beside their values.

    `errors` are the places of error cells, row and column from 0; `shared_texts` is how many
    cells take their text from the table that all sheets share; `percents` are the rows of each
    column whose cells are shown in percent.
    """

    errors: tuple[tuple[int, int], ...]
    has_hidden: bool
    shared_texts: int
    percents: Mapping[int, Sequence[int]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Attributes:
    """What a tag says; `letters` and `digits` are the two parts of a name not at its beginning."""

    letters: bytes
    digits: bytes
    type: bytes
    has_value: bool
    in_percent: bool


def scan_sheet(
    part: bytes, name: str, file: str, percent_styles: frozenset[int] = frozenset()
) -> SheetScan:
    """What a sheet says of its cells beside their values, once they are found to be in order.

    Parameters
    ----------
    percent_styles : indices of the styles that show a number in percent.

    Raises
    ------
    speclake.errors.MalformedFile
        Cells or rows come twice or out of order, hold more than one plain value, or
        spread over an area that is nearly empty.
    """
    begin = _DATA_BEGINS.search(part)
    if begin is None:
        return SheetScan((), has_hidden=False, shared_texts=0)
    end = part.find(b"sheetData", begin.end())
    end = part.rfind(b"<", 0, end) if end > 0 else len(part)
    row_end = b"</" + (begin[1] or b"") + b"row>"
    walk = _Walk(file, name, percent_styles)
    for piece in _pieces(part, begin.end(), end, row_end):
        walk.over(piece)
    walk.check_area()
    has_hidden = b"hidden=" in part and _HIDDEN.search(part) is not None
    return SheetScan(tuple(walk.errors), has_hidden, walk.shared_texts, walk.percents)


def _pieces(part: bytes, start: int, end: int, row_end: bytes) -> Iterator[bytes]:
    """Pieces of whole rows: the tags of all of them together would fill the memory."""
    while start < end:
        stop = part.find(row_end, start + PIECE_BYTES, end)
        stop = end if stop < 0 else stop + len(row_end)
        yield part[start:stop]
        start = stop


def with_errors_as_text(part: bytes) -> bytes:
    """Part of a sheet whose error cells are text, which the library gives as it stands."""
    return _ERROR_TYPE.sub(rb"\1str", part)


class _Walk:
    """A walk over the rows of a sheet; rows and columns count from 1."""

    def __init__(self, file: str, sheet: str, percent_styles: frozenset[int]) -> None:
        self._percent_styles = percent_styles
        self._file, self._sheet = file, sheet
        self._row = self._last_row = self._last_column = self._written = 0
        # thousands of rows are alike: the same columns, and a handful of different attributes
        self._letters: tuple[bytes, ...] = ()
        self._plain: set[bytes] = set()
        self._attributes: dict[bytes, _Attributes] = {}
        self._columns: dict[bytes, int] = {}
        self.errors: list[tuple[int, int]] = []
        self.percents: dict[int, list[int]] = {}
        self.shared_texts = 0

    def refuse(self, found: str, expected: str) -> NoReturn:
        """Refuse the file at the row reached."""
        place = f"sheet {self._sheet!r}, row {max(self._row, 1)}"
        raise MalformedFile(self._file, place, found, expected)

    def over(self, data: bytes) -> None:
        """Go over some rows."""
        if b"<!" in data or b"<?" in data:
            self.refuse("remarks among the cells", "cells only")
        if odd := _ODD_VALUE.search(_PLAIN_CELL.sub(b"", data)):
            named = _NAME.search(odd[2])
            place = f", cell {named[1].decode()}" if named else ""
            found = odd[3].partition(b"</c>")[0].decode("utf-8", "replace")
            expected = "one plain value in a cell"
            raise MalformedFile(self._file, f"sheet {self._sheet!r}{place}", found, expected)
        tags = _TAG.findall(data)
        rows = [at for at, tag in enumerate(tags) if tag[0] == b"row"]
        if tags and rows[:1] != [0]:
            self.refuse("cells outside of rows", "cells in rows")
        for start, stop in pairwise((*rows, len(tags))):
            self._to_row(tags[start])
            self._over_cells(tags[start + 1 : stop])

    def _to_row(self, tag: tuple[bytes, ...]) -> None:
        letters, digits, _ = self._told(*tag[1:])
        row = int(digits[:8]) if digits else self._row + 1
        if letters or not self._row < row <= MOST_ROWS:
            self.refuse(f"a row {(letters + digits).decode()!r} behind it", "rows in order")
        self._row = row

    def _over_cells(self, cells: list[tuple[bytes, ...]]) -> None:
        if not cells:
            return
        _, letters, digits, rests = zip(*cells, strict=True)
        is_like_before = letters == self._letters and self._plain.issuperset(rests)
        if is_like_before and set(digits) == {str(self._row).encode()}:
            self._written += len(cells)
            self._last_row = self._row
            return
        self._look_at(cells)
        self._letters = letters if self._plain.issuperset(rests) else ()

    def _look_at(self, cells: list[tuple[bytes, ...]]) -> None:
        column, row_digits = 0, str(self._row).encode()
        for _, *told in cells:
            letters, digits, attributes = self._told(*told)
            if digits and digits != row_digits:
                self.refuse(f"a cell {(letters + digits).decode()!r} in it", "cells of this row")
            before, column = column, self._number_of(letters) if digits else column + 1
            if not before < column <= MOST_COLUMNS:
                self.refuse(f"a cell {(letters + digits).decode()!r} behind it", "each cell once")
            if attributes.has_value:
                self._add(column, attributes)

    def _told(self, letters: bytes, digits: bytes, rest: bytes) -> tuple[bytes, bytes, _Attributes]:
        """Letters and digits of a tag's name, wherever it stands, and its attributes."""
        attributes = self._attributes.get(rest) or self._parsed(rest)
        if not attributes.digits:
            return letters, digits, attributes
        if digits:
            self.refuse("a tag with two names", _WELL_FORMED)
        return attributes.letters, attributes.digits, attributes

    def _parsed(self, rest: bytes) -> _Attributes:
        match = _ATTRIBUTES.fullmatch(rest)
        if match is None:
            self.refuse("a tag that is none", _WELL_FORMED)
        letters, digits, cell_type, closed = (group or b"" for group in match.groups())
        style = _STYLE.search(rest)
        in_percent = style is not None and int(style[1]) in self._percent_styles
        attributes = _Attributes(letters, digits, cell_type, not closed, in_percent)
        if not digits:  # those that name a cell do not come again
            self._attributes[rest] = attributes
            if attributes.has_value and not in_percent and cell_type not in (b"s", b"e"):
                self._plain.add(rest)
        return attributes

    def _number_of(self, letters: bytes) -> int:
        number = self._columns.get(letters, 0)
        if not number:
            for letter in letters[:4]:
                number = number * 26 + letter - 64
            self._columns[letters] = number
        return number

    def _add(self, column: int, attributes: _Attributes) -> None:
        self._written += 1
        self._last_row = self._row
        self._last_column = max(self._last_column, column)
        if attributes.in_percent:
            self.percents.setdefault(column - 1, []).append(self._row - 1)
        if attributes.type == b"s":
            self.shared_texts += 1
        elif attributes.type == b"e":
            self.errors.append((self._row - 1, column - 1))

    def check_area(self) -> None:
        """Refuse a sheet whose cells spread over an area that is nearly empty."""
        area = self._last_row * self._last_column
        if area - self._written > MOST_EMPTY_CELLS + 20 * self._written:
            found = f"{self._written} cells in an area of {self._last_row} rows"
            expected = f"fewer than {self._last_column} columns, or more cells in them"
            raise MalformedFile(self._file, f"sheet {self._sheet!r}", found, expected)
