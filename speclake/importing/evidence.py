"""Evidence in an unknown text export: its encoding, its table of numbers, how dates are written.

Nothing here decides in silence. Every finding says what speaks for it, and what cannot be told
from the file stays None.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from speclake.importing.text import byte_order_mark

FALLBACK_ENCODINGS = ("cp1252", "cp932", "gb18030", "latin-1")
DELIMITERS = ("tab", ";", "|", ",", "spaces")
THOUSANDS_SIGNS = (",", ".", " ", "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}", "'")
MOST_LINES = 10_000
"""How far the search for a table goes; a description needs no more."""
FEWEST_ROWS = 3

_THREE_BEHIND = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_MISSING = re.compile(r"[-*.#?]{1,8}|#?[A-Za-z][A-Za-z/!*. ]{0,11}[!?]?|")


@dataclass(frozen=True)
class Encoding:
    """Encoding of a file, why, and whether the file proves it."""

    name: str
    text: str
    why: str
    is_proven: bool


def find_encoding(content: bytes) -> Encoding:
    """Encoding by byte-order mark, by being ASCII or UTF-8, or the first that would do."""
    length, marked = byte_order_mark(content)
    rest = content[length:]
    for name, why in ((marked, "its byte-order mark"), ("utf-8", "")):
        if name is None:
            continue
        try:
            text = rest.decode(name)
        except UnicodeDecodeError:
            continue
        why = why or ("all bytes are ASCII" if rest.isascii() else "all bytes are valid UTF-8")
        return Encoding(name, text, why, is_proven=True)
    fitting = [name for name in FALLBACK_ENCODINGS if _decodes(rest, name)]
    why = f"it is not UTF-8; as {' and as '.join(fitting)} it decodes, and bytes cannot tell which"
    return Encoding(fitting[0], rest.decode(fitting[0]), why, is_proven=False)


def _decodes(content: bytes, encoding: str) -> bool:
    try:
        content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


@dataclass(frozen=True)
class Reading:
    """One way to read the rows of a table."""

    delimiter: str
    decimal_sign: str
    thousands_sign: str | None = None
    delimiter_at_line_end: bool = False
    quote: str | None = None

    def cells(self, line: str) -> list[str]:
        """Cells of a line."""
        text = line.strip(" \r")
        if self.delimiter == "spaces":
            return text.split()
        cells = _quoted(text, self.mark, self.quote) if self.quote else text.split(self.mark)
        if self.delimiter_at_line_end and cells and not cells[-1].strip():
            cells.pop()
        return [cell.strip(" ") for cell in cells]

    @property
    def mark(self) -> str:
        """The text between two cells."""
        return {"tab": "\t", "spaces": " "}.get(self.delimiter, self.delimiter)

    @cached_property
    def _number(self) -> re.Pattern[str]:
        decimal, thousands = re.escape(self.decimal_sign), re.escape(self.thousands_sign or "")
        whole = rf"(?:[0-9]+|[0-9]{{1,3}}(?:{thousands}[0-9]{{3}})+)" if thousands else "[0-9]+"
        fraction = rf"(?:{whole}(?:{decimal}[0-9]*)?|{decimal}[0-9]+)"
        return re.compile(rf"[+\-\u2212]?{fraction}(?:[eE][+-]?[0-9]+)?")

    def number(self, cell: str) -> float | None:
        """Number in a cell; None where it is none in this reading."""
        if not self._number.fullmatch(cell):
            return None
        plain = cell.replace(self.thousands_sign, "") if self.thousands_sign else cell
        return float(plain.replace(self.decimal_sign, ".").replace("\u2212", "-"))


def _quoted(line: str, mark: str, quote: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=mark, quotechar=quote, strict=True), [""])
    except csv.Error:
        return []


@dataclass(frozen=True)
class Run:
    """Rows of numbers, one below the other: lines `first` to before `stop`, counted from 0."""

    first: int
    stop: int
    cells: int
    axis: int
    """Index of the column that rises or falls from row to row."""

    def __len__(self) -> int:
        return self.stop - self.first


@dataclass(frozen=True)
class FoundTable:
    """The table of an export in the best reading, and what speaks for its signs."""

    reading: Reading
    runs: tuple[Run, ...]
    missing: tuple[str, ...]
    decimal_why: str
    decimal_is_proven: bool


def find_table(lines: Sequence[str]) -> FoundTable | None:
    """The longest table of numbers whose axis rises or falls; None where there is none."""
    lines = lines[:MOST_LINES]
    for readings in (_plain_readings(lines), _grouped_readings(lines)):
        found = [(reading, runs) for reading in readings if (runs := find_runs(lines, reading))]
        if not found:
            continue
        reading, runs = max(found, key=lambda each: sum(map(len, each[1])))
        rivals = [r for r, its_runs in found if r != reading and its_runs == runs]
        return _described(lines, reading, runs, rivals)
    return None


def _plain_readings(lines: Sequence[str]) -> list[Reading]:
    readings = []
    has_quotes = any('"' in line for line in lines)
    for delimiter in DELIMITERS:
        # the stricter reading first: of equals the first is taken
        for at_end in (True, False) if delimiter != "spaces" else (False,):
            for quote in ('"', None) if has_quotes and delimiter != "spaces" else (None,):
                readings += [
                    Reading(delimiter, decimal, None, at_end, quote)
                    for decimal in ".,"
                    if decimal != delimiter or quote
                ]
    return readings


def _grouped_readings(lines: Sequence[str]) -> list[Reading]:
    return [
        Reading(r.delimiter, r.decimal_sign, sign, r.delimiter_at_line_end, r.quote)
        for r in _plain_readings(lines)
        for sign in THOUSANDS_SIGNS
        if sign not in (r.decimal_sign, r.delimiter) and (sign, r.delimiter) != (" ", "spaces")
    ]


def find_runs(lines: Sequence[str], reading: Reading) -> tuple[Run, ...]:
    """Runs of rows that are tables in this reading, all with the cells of the longest."""
    runs: list[Run] = []
    first, width = 0, 0
    for number, line in enumerate([*lines, ""]):
        cells = _count_of_row(line, reading)
        if cells == width:
            continue
        if width and number - first >= FEWEST_ROWS:
            axis = _axis_of(lines[first:number], reading, width)
            if axis is not None:
                runs.append(Run(first, number, width, axis))
        first, width = number, cells
    longest = max(runs, key=len, default=None)
    if longest is None:
        return ()
    return tuple(r for r in runs if (r.cells, r.axis) == (longest.cells, longest.axis))


def _count_of_row(line: str, reading: Reading) -> int:
    """Number of cells of a row of numbers; 0 for any other line."""
    cells = reading.cells(line)
    if len(cells) < 2 or (reading.delimiter_at_line_end and not _ends_with_mark(line, reading)):
        return 0
    if reading.number(cells[0]) is None:
        return 0
    fits = all(reading.number(c) is not None or _MISSING.fullmatch(c) for c in cells[1:])
    return len(cells) if fits else 0


def _ends_with_mark(line: str, reading: Reading) -> bool:
    return line.rstrip(" \r").endswith(reading.mark)


def _axis_of(rows: Sequence[str], reading: Reading, width: int) -> int | None:
    """First column that rises or falls all the way, but not a running number before another."""
    columns = list(zip(*(map(reading.number, reading.cells(row)) for row in rows), strict=True))
    steady = [index for index in range(min(width, 2)) if _is_steady(columns[index])]
    if len(steady) == 2 and list(columns[0]) in (
        [float(n) for n in range(len(rows))],
        [float(n) for n in range(1, len(rows) + 1)],
    ):
        return steady[1]
    return steady[0] if steady else None


def _is_steady(column: Sequence[float | None]) -> bool:
    numbers = [value for value in column if value is not None]
    if len(numbers) < len(column):
        return False
    steps = [b - a for a, b in pairwise(numbers)]
    return all(step > 0 for step in steps) or all(step < 0 for step in steps)


def _described(
    lines: Sequence[str], reading: Reading, runs: tuple[Run, ...], rivals: Sequence[Reading]
) -> FoundTable:
    cells = [c for run in runs for line in lines[run.first : run.stop] for c in reading.cells(line)]
    missing = tuple(dict.fromkeys(c for c in cells if reading.number(c) is None))
    rows = sum(map(len, runs))
    signed = [cell for cell in cells if reading.decimal_sign in cell]
    sign = {".": "point", ",": "comma"}[reading.decimal_sign]
    if not signed:
        why, proven = "no number in the file has a decimal sign", False
    elif all(_THREE_BEHIND.fullmatch(cell) for cell in signed):
        why, proven = f"every {sign} has three digits behind it: it may part thousands", False
    else:
        proven = all(rival.decimal_sign == reading.decimal_sign for rival in rivals)
        only = ", and only so," if proven else ""
        steps = _steps(lines, reading, runs[0])
        why = f"with a decimal {sign}{only} {rows} rows are numbers on an axis {steps}"
    return FoundTable(reading, runs, missing, why, proven)


def _steps(lines: Sequence[str], reading: Reading, run: Run) -> str:
    axis = [reading.number(reading.cells(row)[run.axis]) for row in lines[run.first : run.stop]]
    numbers = [value for value in axis if value is not None]
    steps = sorted({round(b - a, 9) for a, b in pairwise(numbers)})
    if steps[-1] - steps[0] <= 0.2 * abs(steps[0]):
        return f"in steps of {steps[0]:g}"
    return f"in steps of {steps[0]:g} to {steps[-1]:g}"
