"""The table of numbers in an unknown text export, and what speaks for the way it is read."""

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

from speclake.importing.textrules import OTHER_MINUS_SIGNS
from speclake.importing.words import field_of

DELIMITERS = ("tab", ";", "|", ",", "spaces")
THOUSANDS_SIGNS = (",", ".", " ", "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}", "'")
MOST_LINES = 10_000
"""How far the search for a table goes; a description needs no more."""
FEWEST_ROWS = 3

_THREE_BEHIND = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_MISSING = re.compile(r"[^0-9]{1,24}|#?[A-Za-z][A-Za-z0-9/!*. _-]{0,11}[!?]?|")


@dataclass(frozen=True)
class Reading:
    """One way to read the rows of a table."""

    delimiter: str
    decimal_sign: str
    thousands_sign: str | None = None
    delimiter_at_line_end: bool = False
    quote: str | None = None
    minus_sign: str | None = None
    exponent_sign: str | None = None
    places: tuple[tuple[int, int], ...] = ()
    """First and last character of each cell, counted from 1, where cells stand at fixed places."""

    def cells(self, line: str) -> list[str]:
        """Cells of a line."""
        text = line.strip(" \r")
        if self.places:
            return [line[first - 1 : last].strip(" ") for first, last in self.places]
        if self.delimiter == "spaces":
            return [cell for cell in text.split(" ") if cell]
        cells = _quoted(text, self.mark, self.quote) if self.quote else text.split(self.mark)
        if self.delimiter_at_line_end and cells and not cells[-1].strip():
            cells.pop()
        return [cell.strip(" ") for cell in cells]

    @property
    def mark(self) -> str:
        """The text between two cells."""
        return {"tab": "\t", "spaces": " ", "fixed": " "}.get(self.delimiter, self.delimiter)

    @cached_property
    def _number(self) -> re.Pattern[str]:
        decimal, thousands = re.escape(self.decimal_sign), re.escape(self.thousands_sign or "")
        whole = rf"(?:[0-9]+|[0-9]{{1,3}}(?:{thousands}[0-9]{{3}})+)" if thousands else "[0-9]+"
        fraction = rf"(?:{whole}(?:{decimal}[0-9]*)?|{decimal}[0-9]+)"
        exponent = "eEdD" if self.exponent_sign else "eE"
        minus = f"+\u2212{self.minus_sign or ''}-"
        return re.compile(rf"[{minus}]?{fraction}(?:[{exponent}][+-]?[0-9]+)?")

    def number(self, cell: str) -> float | None:
        """Number in a cell; None where it is none in this reading."""
        if not self._number.fullmatch(cell):
            return None
        plain = cell.replace(self.thousands_sign, "") if self.thousands_sign else cell
        plain = plain.replace(self.decimal_sign, ".").replace("\u2212", "-")
        if self.minus_sign:
            plain = plain.replace(self.minus_sign, "-")
        return float(plain.upper().replace("D", "E"))


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
    repeats: tuple[str, ...]
    """Positions of the axis, as written, that stand there twice."""
    is_delimiter_sure: bool
    texts: tuple[int, ...]
    """Columns in which there is no number."""


def find_table(lines: Sequence[str]) -> FoundTable | None:
    """The longest table of numbers whose axis rises or falls; None where there is none."""
    lines = lines[:MOST_LINES]
    found = [(reading, runs) for reading in _readings(lines) if (runs := find_runs(lines, reading))]
    if not found:
        return None
    reading, runs = max(found, key=lambda each: sum(map(len, each[1])))
    rivals = [r for r, its_runs in found if r != reading and its_runs == runs]
    return _described(lines, reading, runs, rivals)


def _readings(lines: Sequence[str]) -> list[Reading]:
    """Readings worth a trial, the stricter first: of equals the first is taken."""
    marks = _marks_in(lines)
    readings = []
    has_quotes = any('"' in line for line in lines)
    for delimiter in DELIMITERS:
        if delimiter not in marks:
            continue
        for at_end in (True, False) if delimiter != "spaces" else (False,):
            for quote in ('"', None) if has_quotes and delimiter != "spaces" else (None,):
                readings += [
                    Reading(delimiter, decimal, None, at_end, quote)
                    for decimal in ".,"
                    if decimal != delimiter or quote
                ]
    readings += list(_grouped(lines, readings))
    if "spaces" in marks:
        readings += _fixed(lines)
    minus, exponent = _other_minus_sign(lines), _other_exponent_sign(lines)
    return [replace(each, minus_sign=minus, exponent_sign=exponent) for each in readings]


def _other_minus_sign(lines: Sequence[str]) -> str | None:
    """Sign that stands for a minus before a number at the beginning of a cell."""
    before_number = re.compile(rf"(?:^|[\s;,|\"])([{OTHER_MINUS_SIGNS}])[0-9]")
    found = {match[1] for line in lines if (match := before_number.search(line))}
    return found.pop() if len(found) == 1 else None


def _other_exponent_sign(lines: Sequence[str]) -> str | None:
    return "D" if any(re.search(r"[0-9][dD][+-][0-9]{2}\b", line) for line in lines) else None


def _marks_in(lines: Sequence[str]) -> set[str]:
    """Delimiters that may part cells: not spaces or commas where a surer mark is in the rows."""
    rows = [line for line in lines if re.match(r"[\s\"]*[+-]?[.,]?[0-9]", line)]
    counts = Counter(mark for line in rows for mark in set(line.strip(" \r")) if mark in "\t;|,")
    marks = {{"\t": "tab"}.get(mark, mark) for mark in counts}
    surer = {mark for mark in "\t;|" if counts[mark] > 0.5 * len(rows)}
    return marks - {","} if surer else marks | {"spaces"}


def _fixed(lines: Sequence[str]) -> Iterator[Reading]:
    """Readings by fixed places, where cells end below one another and some are blank."""
    for decimal in ".,":
        number = rf"[+\-\u2212]?[0-9]+(?:{re.escape(decimal)}[0-9]+)?(?:[eE][+-]?[0-9]+)?"
        row = re.compile(rf"\s*{number}(?:\s+(?:{number}|[-*.#]{{1,12}}|[A-Za-z/]{{2,8}}))*\s*")
        rows = [line for line in lines if row.fullmatch(line)]
        ends = Counter(match.end() for line in rows for match in re.finditer(r"\S+", line))
        widths = {len(line.split()) for line in rows}
        if len(rows) < FEWEST_ROWS or len(widths) < 2 or len(ends) != max(widths):
            continue
        stops = sorted(ends)
        places = tuple(zip([1, *(stop + 1 for stop in stops[:-1])], stops, strict=True))
        yield Reading("fixed", decimal, places=places)


def _grouped(lines: Sequence[str], readings: Sequence[Reading]) -> Iterator[Reading]:
    for sign in THOUSANDS_SIGNS:
        parts_thousands = re.compile(rf"(?<![0-9])[0-9]{{1,3}}{re.escape(sign)}[0-9]{{3}}(?![0-9])")
        if not any(parts_thousands.search(line) for line in lines):
            continue
        for reading in readings:
            is_mark = sign == reading.mark and not reading.quote
            if sign != reading.decimal_sign and not is_mark:
                yield replace(reading, thousands_sign=sign)


def find_runs(lines: Sequence[str], reading: Reading) -> tuple[Run, ...]:
    """Runs of rows that are tables in this reading, all with the cells of the longest."""
    runs: list[Run] = []
    first, width = 0, 0
    for number, line in enumerate([*lines, ""]):
        cells = _count_of_row(line, reading)
        if cells == width:
            continue
        if width and number - first >= FEWEST_ROWS:
            axis = _axis_of(lines[first:number], reading)
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
    if reading.number(cells[0]) is None or (reading.places and runs_on(line, reading)):
        return 0
    fits = all(reading.number(c) is not None or _MISSING.fullmatch(c) for c in cells[1:])
    return len(cells) if fits else 0


def runs_on(line: str, reading: Reading) -> bool:
    """Whether text stands behind the last place, or runs on from one into the next."""
    if line[reading.places[-1][1] :].strip():
        return True
    pairs = (line[last - 1 : last + 1] for _, last in reading.places)
    return any(len(pair) == 2 and " " not in pair for pair in pairs)


def _ends_with_mark(line: str, reading: Reading) -> bool:
    return line.rstrip(" \r").endswith(reading.mark)


def columns_of(lines: Sequence[str], run: Run, reading: Reading) -> list[tuple[float | None, ...]]:
    """Numbers of a run, column by column; None where a cell is none."""
    return _columns(lines[run.first : run.stop], reading)


def _columns(rows: Sequence[str], reading: Reading) -> list[tuple[float | None, ...]]:
    return list(zip(*(map(reading.number, reading.cells(row)) for row in rows), strict=True))


def _axis_of(rows: Sequence[str], reading: Reading) -> int | None:
    """First column that rises or falls all the way, but not a running number before another."""
    columns = _columns(rows, reading)
    steady = [index for index, column in enumerate(columns[:2]) if is_steady(column)]
    if len(steady) == 2 and list(columns[0]) in (
        [float(n) for n in range(len(rows))],
        [float(n) for n in range(1, len(rows) + 1)],
    ):
        return steady[1]
    return steady[0] if steady else None


def is_steady(column: Sequence[float | None]) -> bool:
    """Whether a column rises or falls, but for few positions that stand there twice in a row."""
    numbers = [value for value in column if value is not None]
    if len(numbers) < len(column):
        return False
    steps = [b - a for a, b in pairwise(numbers)]
    moving = [step for step in steps if step != 0]
    if len(steps) - len(moving) > max(len(steps) // 6, len(steps) > 3):
        return False
    return all(step > 0 for step in moving) or all(step < 0 for step in moving)


def broken_row(lines: Sequence[str], found: FoundTable) -> int | None:
    """Number of a line beside the rows that goes on with the axis but is no row of numbers."""
    reading = found.reading
    for run in found.runs:
        axis = [value for value in columns_of(lines, run, reading)[run.axis] if value is not None]
        step = max(abs(b - a) for a, b in pairwise(axis))
        for number, end in ((run.first - 1, axis[0]), (run.stop, axis[-1])):
            cells = reading.cells(lines[number]) if 0 <= number < len(lines) else []
            position = reading.number(cells[run.axis]) if len(cells) > run.axis else None
            if position is not None and 0 < abs(position - end) <= 3 * step:
                return number
    return None


def has_bare_decimal_commas(lines: Sequence[str], found: FoundTable) -> bool:
    """Whether titles say that of the cells between commas every two are one number."""
    run, reading = found.runs[0], found.reading
    if found.is_delimiter_sure or run.cells % 2 or run.first == 0:
        return False
    titles = reading.cells(lines[run.first - 1])
    is_half = len(titles) == run.cells // 2
    return is_half and not any(reading.number(title) is not None for title in titles)


def counts_rows(lines: Sequence[str], found: FoundTable) -> bool:
    """Whether the first column only counts the rows."""
    run = found.runs[0]
    counted = list(columns_of(lines, run, found.reading)[0])
    return counted in (list(range(len(run))), list(range(1, len(run) + 1)))


def stands_in_rows(lines: Sequence[str], found: FoundTable) -> bool:
    """Whether the line above the table is an axis, so that each row is a spectrum."""
    run, reading = found.runs[0], found.reading
    if run.first == 0 or run.cells < 4:
        return False
    cells = reading.cells(lines[run.first - 1])
    above = [reading.number(cell) for cell in cells]
    if not (counts_rows(lines, found) or field_of(cells[0]) or field_of(cells[0], "perhaps")):
        return False
    if len(above) != run.cells or above[0] is not None or not is_steady(above[1:]):
        return False
    steps = [b - a for a, b in pairwise(above[1:]) if a is not None and b is not None]
    return 0 not in steps and max(steps) - min(steps) < 0.2 * max(map(abs, steps))


def _described(
    lines: Sequence[str], reading: Reading, runs: tuple[Run, ...], rivals: Sequence[Reading]
) -> FoundTable:
    rows = [reading.cells(line) for run in runs for line in lines[run.first : run.stop]]
    texts = {
        index
        for index, column in enumerate(zip(*rows, strict=True))
        if not any(reading.number(cell) is not None for cell in column)
    }
    cells = [cell for row in rows for index, cell in enumerate(row) if index not in texts]
    missing = tuple(dict.fromkeys(cell for cell in cells if reading.number(cell) is None))
    why, proven = _decimal_evidence(cells, reading, rivals)
    if proven:
        why += f" {len(rows)} rows are numbers on an axis {_steps(lines, reading, runs[0])}"
    has_points = any("." in cell for cell in cells)
    is_ambiguous = reading.delimiter == "," and not reading.quote and not has_points
    repeats = _repeats(lines, reading, runs)
    return FoundTable(
        reading, runs, missing, why, proven, repeats, not is_ambiguous, tuple(sorted(texts))
    )


def _decimal_evidence(
    cells: Sequence[str], reading: Reading, rivals: Sequence[Reading]
) -> tuple[str, bool]:
    """What speaks for the decimal sign, and whether it decides."""
    sign = {".": "point", ",": "comma"}[reading.decimal_sign]
    signed = [cell for cell in cells if reading.decimal_sign in cell]
    if not signed:
        return "no number in the file has a decimal sign", False
    if all(_THREE_BEHIND.fullmatch(cell) for cell in signed):
        return f"every {sign} has three digits behind it: it may part thousands", False
    if any(r.decimal_sign != reading.decimal_sign and not r.thousands_sign for r in rivals):
        return f"rows are numbers with a decimal {sign} and otherwise too", False
    return f"with a decimal {sign}, and only so,", True


def _repeats(lines: Sequence[str], reading: Reading, runs: Sequence[Run]) -> tuple[str, ...]:
    found = []
    for run in runs:
        axis = [reading.cells(line)[run.axis] for line in lines[run.first : run.stop]]
        found += [a for a, b in pairwise(axis) if reading.number(a) == reading.number(b)]
    return tuple(dict.fromkeys(found))


def _steps(lines: Sequence[str], reading: Reading, run: Run) -> str:
    axis = [value for value in columns_of(lines, run, reading)[run.axis] if value is not None]
    steps = sorted({round(b - a, 9) for a, b in pairwise(axis)} - {0.0})
    if steps[-1] - steps[0] <= 0.2 * abs(steps[0]):
        return f"in steps of {steps[0]:g}"
    return f"in steps of {steps[0]:g} to {steps[-1]:g}"
