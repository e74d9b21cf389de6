"""Rows of a text that end before its end: at a line that ends them, or with what comes next."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from speclake.importing.formats import Blocks, Format
from speclake.importing.numbers import number_reader
from speclake.importing.table import TablePlace, split_cells
from speclake.importing.text import CutShort, Lines, shown
from speclake.importing.textrules import PROVEN, Text

_LINE = re.compile(r"([^\n]*)\n")
_PLAIN = re.compile(r"""(\^?)([\w #%&"'!,/:;<=>@~-]*)(\$?)""")


class Ending(Protocol):
    """How a line that ends rows is known."""

    def find(self, text: str, start: int) -> int:
        """Position of the first such whole line from a line's start on; negative where none is."""

    def is_in(self, line: str) -> bool:
        """Whether a line is one."""


@dataclass(frozen=True)
class _Matching:
    """A line in which a regular expression is found."""

    pattern: re.Pattern[str]

    def find(self, text: str, start: int) -> int:
        for match in _LINE.finditer(text, start):
            if self.pattern.search(match[1].removesuffix("\r")):
                return match.start()
        return -1

    def is_in(self, line: str) -> bool:
        return self.pattern.search(line) is not None


@dataclass(frozen=True)
class _Plain:
    """A line with a text, as an expression without any other sign says it: the same, but quick."""

    words: str
    at_start: bool
    to_end: bool

    def find(self, text: str, start: int) -> int:
        while start < len(text):
            if self.at_start and not text.startswith(self.words, start):
                start = text.find(f"\n{self.words}", start) + 1
                if not start:
                    return -1
            elif not self.at_start:
                at = text.find(self.words, start)
                if at < 0:
                    return -1
                start = max(start, text.rfind("\n", start, at) + 1)
            end = text.find("\n", start)
            if end < 0:
                return -1
            if self.is_in(text[start:end].removesuffix("\r")):
                return start
            start = end + 1
        return -1

    def is_in(self, line: str) -> bool:
        if self.at_start and self.to_end:
            return line == self.words
        if self.to_end:
            return line.endswith(self.words)
        return line.startswith(self.words) if self.at_start else self.words in line


@lru_cache(maxsize=64)
def ending(pattern: str) -> Ending:
    """How the line that a regular expression says is found."""
    plain = _PLAIN.fullmatch(pattern)
    if plain is None:
        return _Matching(re.compile(pattern))
    return _Plain(plain[2], bool(plain[1]), bool(plain[3]))


_BLANK = re.compile(r"\n\s*?\n")


class _Blank:
    """A blank line."""

    def find(self, text: str, start: int) -> int:
        end = text.find("\n", start)
        if end >= 0 and self.is_in(text[start:end]):
            return start
        match = _BLANK.search(text, max(end, start)) if end >= 0 else None
        return match.start() + 1 if match else -1

    def is_in(self, line: str) -> bool:
        return not line.strip()


@dataclass(frozen=True)
class _Taken:
    """Whole rows that were taken, in pieces, and whether the text ended before they were ended."""

    pieces: list[str]
    count: int
    is_text_over: bool


def _take(lines: Lines, ends: Sequence[Ending], most: int | None) -> _Taken:
    """Rows before a line that ends them, which is left, or before one more than the most rows."""
    pieces: list[str] = []
    count = 0
    while True:
        start = lines.position
        left = None if most is None else most - count
        stop, rows, is_over = _end_in_window(lines.text, start, ends, left)
        count += rows
        pieces.append(lines.text[start:stop])
        lines.position, lines.number = stop, lines.number + rows
        if is_over or not _goes_on(lines, count == most):
            return _Taken(pieces, count, not is_over)


def _goes_on(lines: Lines, has_all: bool) -> bool:
    """Whether more text has come; rows that are all there are not refused for what follows."""
    try:
        return lines.extend()
    except CutShort:
        if not has_all:
            raise
        return False


def _end_in_window(
    text: str, start: int, ends: Sequence[Ending], most: int | None
) -> tuple[int, int, bool]:
    """Where rows end in a text, how many there are, and whether a whole line follows them."""
    found = [at for end in ends if (at := end.find(text, start)) >= 0]
    whole = text.rfind("\n", start) + 1 or start
    stop = min(found, default=whole)
    if most is not None and (after := _after_lines(text, start, stop, most)) is not None:
        return after, most, after < whole
    return stop, text.count("\n", start, stop), bool(found)


def _after_lines(text: str, start: int, stop: int, count: int) -> int | None:
    """Position behind so many lines from `start` on; None where `stop` comes before."""
    while count:
        # about as much as the lines that are left, lest a long text is counted for a short block
        part = text[start : min(stop, start + 32 * count)]
        if not part:
            return None
        lines = part.count("\n")
        if lines == count:
            return start + part.rfind("\n") + 1
        if lines > count:
            return start + len(part) - len(part.split("\n", count)[-1])
        start, count = start + len(part), count - lines
    return start


def rows_of_block(lines: Lines, form: Format, points: int | None, place: TablePlace) -> list[str]:
    """Text of a block's rows; they and the line that ends the block are left behind.

    Parameters
    ----------
    points : number of rows that the header of the block announces, if it does.

    Raises
    ------
    CutShort
        The block is not finished.
    speclake.errors.MalformedFile
        There are more rows than the header announces, or the line that ends the block is missing.
    """
    assert form.blocks is not None
    end_line = form.table.end_line
    ends, begins = _end_of(form.blocks, end_line), form.blocks.begin_line
    begin = [ending(begins)] if begins is not None else []
    taken = _take(lines, [*ends, *begin], points if end_line is None else None)
    if taken.is_text_over:
        return _at_the_end(lines, taken, points, end_line, place)
    line = lines.peek() or ""
    if any(end.is_in(line) for end in ends):
        lines.take()
    elif any(each.is_in(line) for each in begin):
        if end_line is not None:
            place.refuse(taken.count, shown(line), f"a line before it that matches {end_line!r}")
    else:
        _refuse_one_more_row(line, taken.count, form.text, place)
    return taken.pieces


def _end_of(blocks: Blocks, end_line: str | None) -> list[Ending]:
    if blocks.parted_by_blank_lines:
        return [_Blank()]
    return [ending(end_line)] if end_line is not None else []


def _at_the_end(
    lines: Lines, taken: _Taken, points: int | None, end_line: str | None, place: TablePlace
) -> list[str]:
    """Rows that only the end of the text ends."""
    at = place.line(taken.count)
    if end_line is not None:
        expected = f"a line that ends the block and matches {end_line!r}"
        raise CutShort(place.file, at, "the end of the file", expected)
    if points is None:
        rest = lines.text[lines.position :]
        lines.position = len(lines.text)
        return [*taken.pieces, rest]
    if taken.count < points:
        expected = f"{points} rows, as the header says, not {taken.count}"
        raise CutShort(place.file, at, "the end of the file", expected)
    return taken.pieces


def _refuse_one_more_row(line: str, count: int, rules: Text, place: TablePlace) -> None:
    """Refuse a row behind the last one announced; any other line begins what comes next."""
    signs = ".," if rules.decimal_sign == PROVEN else rules.decimal_sign
    for sign in signs:
        each = rules.model_copy(update={"decimal_sign": sign})
        try:
            number_reader(each)(split_cells(line, each)[0])
        except (ValueError, IndexError):
            continue
        place.refuse(count, f"one more row: {shown(line)}", f"{count} rows, as the header says")


def rows_above_footer(lines: Lines, end_line: str, place: TablePlace) -> list[str]:
    """Text of the rows before the line that ends them, which is left.

    Raises
    ------
    CutShort
        No line ends them.
    """
    taken = _take(lines, [ending(end_line)], None)
    if taken.is_text_over:
        expected = f"a line that ends the rows and matches {end_line!r}"
        raise CutShort(place.file, place.line(taken.count), "the end of the file", expected)
    return taken.pieces


def rows_to_the_end(lines: Lines, end_line: str | None, place: TablePlace) -> Iterator[str]:
    """Text of the rows up to the last line that is not blank, which ends them where one must.

    Raises
    ------
    CutShort
        The last line is not the one that ends the rows.
    """
    if end_line is None:
        yield from lines.take_pieces()
        return
    held, rows = "", 0
    for piece in lines.take_pieces():
        if held:
            yield held
            rows += held.count("\n")
        held = piece
    yield _before_end_line(held, end_line, place, rows)


def _before_end_line(rows: str, end_line: str, place: TablePlace, first: int) -> str:
    # from the end on, so that a table of thousands of rows costs one look
    end = len(rows)
    while end > 0:
        start = rows.rfind("\n", 0, end - 1) + 1
        line = rows[start:end].rstrip("\r\n")
        if re.search(end_line, line):
            return rows[:start]
        if line.strip():
            break
        end = start
    last = place.line(first + rows.count("\n", 0, max(end - 1, 0)))
    found = shown(rows[:end].rstrip("\r\n").rpartition("\n")[2])
    expected = f"a line that ends the rows and matches {end_line!r}"
    raise CutShort(place.file, last, f"{found} at the end", expected)
