"""Data lines of JCAMP-DX undone: ordinates of (X++(Y..Y)) and points of (XY..XY), and their checks.

A line of (X++(Y..Y)) is an abscissa and its ordinates. Where the last ordinate of a line is written
as a difference, the next line begins by repeating it in full: that is the Y-check, and the repeated
ordinate is no new point (McDonald and Wilks 1988, section 5.8). The abscissa of each line belongs
to its first ordinate, repeated or not.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
from speclake_plugins.jcamp.content import Sliceable
from speclake_plugins.jcamp.decimals import FloatArray, Integers
from speclake_plugins.jcamp.tokens import (
    AFFN,
    DIF,
    DUP,
    MISSING,
    Positions,
    Tokens,
    Unreadable,
    lines_in_chunks,
    tokens_of,
)

Flags = npt.NDArray[np.bool_]
_SAFE = 2**62
_MINUS_ZERO = 255
"""Form of a zero with a minus, which no whole number is."""


@dataclass(frozen=True, eq=False)
class Numbers:
    """Some numbers of one column: number over ten to the decimals.

    `missing` marks ``?``, `minus_zero` a zero that is written with a minus.
    """

    number: Integers
    decimals: int
    missing: Flags
    minus_zero: Flags


@dataclass(frozen=True, eq=False)
class Labels:
    """Abscissae that begin the lines.

    Parameters
    ----------
    abscissa, last_digit : as written, and what a step in the last written digit amounts to.
    point : which point each belongs to, from 0.
    line : line each stands on, from 0 at the first data line.
    """

    abscissa: FloatArray
    last_digit: FloatArray
    point: Positions
    line: Positions


@dataclass
class Ordinates:
    """What the lines of a table (X++(Y..Y)) hold."""

    pieces: list[Numbers] = field(default_factory=list)
    labels: list[Labels] = field(default_factory=list)
    points: int = 0
    last_line: int = 0
    awaits_check: bool = False
    """Whether the last ordinate is a difference that no line has confirmed."""
    last: Fraction = Fraction(0)
    """Last ordinate so far."""


@dataclass
class Points:
    """What the lines of a table (XY..XY) hold; `line` says where each point stands."""

    x: list[Numbers] = field(default_factory=list)
    y: list[Numbers] = field(default_factory=list)
    line: list[Positions] = field(default_factory=list)
    points: int = 0
    last_line: int = 0


def read_ordinates(content: Sliceable, start: int, stop: int, most_points: int) -> Ordinates:
    """Ordinates and line abscissae of a table (X++(Y..Y)), every Y-check done.

    Parameters
    ----------
    content, start, stop : the file, and where in it the data lines stand.
    most_points : how many points there may be; a duplicate count cannot ask for more memory.

    Raises
    ------
    Unreadable
        A line breaks the rules of its form, or a Y-check fails.
    """
    table = Ordinates()
    for lines_before, lines in lines_in_chunks(content, start, stop):
        with _lines_counted_from(lines_before):
            tokens = tokens_of(lines, in_pairs=False)
            if len(tokens):
                _add_ordinates(table, tokens, lines_before, most_points)
    return table


def read_points(content: Sliceable, start: int, stop: int, most_points: int) -> Points:
    """Points of a table (XY..XY).

    Parameters
    ----------
    content, start, stop : the file, and where in it the data lines stand.
    most_points : how many points there may be.

    Raises
    ------
    Unreadable
        A line does not hold pairs of plain numbers.
    """
    table = Points()
    for lines_before, lines in lines_in_chunks(content, start, stop):
        with _lines_counted_from(lines_before):
            tokens = tokens_of(lines, in_pairs=True)
            if len(tokens):
                _add_points(table, tokens, lines_before, most_points)
    return table


@contextmanager
def _lines_counted_from(lines_before: int) -> Iterator[None]:
    try:
        yield
    except Unreadable as error:
        error.line += lines_before
        raise


def _add_ordinates(table: Ordinates, tokens: Tokens, lines_before: int, most: int) -> None:
    labels = np.flatnonzero(np.r_[True, np.diff(tokens.line) > 0])
    _check_grammar(tokens, labels)
    written = _Written.of(tokens, labels)
    room = most - table.points
    if written.asks_for_more_than(room + len(labels)):
        raise Unreadable(int(tokens.line[0]), f"more than {most} ordinates", f"{most}")
    ordinates = written.out()
    kept = _without_repeats(table, ordinates, written.decimals, tokens.line[labels])
    point = np.cumsum(kept)[ordinates.line_first] - 1 + table.points
    decimals = tokens.decimals[labels]
    table.labels.append(
        Labels(
            (tokens.number[labels] / 10.0**decimals).astype(np.float64),
            10.0 ** -decimals.astype(np.float64),
            point,
            tokens.line[labels] + lines_before,
        )
    )
    form = ordinates.form[kept]
    table.pieces.append(
        Numbers(ordinates.number[kept], written.decimals, form == MISSING, form == _MINUS_ZERO)
    )
    table.points += int(np.count_nonzero(kept))
    table.last_line = int(tokens.line[-1]) + lines_before
    if table.points > most:
        raise Unreadable(int(tokens.line[-1]), f"{table.points} ordinates up to here", f"{most}")


def _check_grammar(tokens: Tokens, labels: Positions) -> None:
    form, line = tokens.form, tokens.line
    after_label = labels + 1
    alone = after_label >= len(tokens)
    alone[:-1] |= after_label[:-1] == labels[1:]
    first = np.where(alone, AFFN, form[np.minimum(after_label, len(tokens) - 1)])
    is_label = np.zeros(len(tokens), np.bool_)
    is_label[labels] = True
    before = np.r_[np.uint8(AFFN), form[:-1]]
    letter_e = (tokens.letter == ord("E")) | (tokens.letter == ord("e"))
    has_digits = np.abs(tokens.number) > 9
    unclear = tokens.follows & letter_e & has_digits & (before == AFFN) & ~np.r_[
        False, is_label[:-1]
    ]  # fmt: skip
    for wrong, found, expected in (
        (line[labels][form[labels] != AFFN], "no plain abscissa", "an abscissa in front of a line"),
        (line[labels][alone], "an abscissa without ordinates", "ordinates behind the abscissa"),
        (line[labels][(first == DIF) | (first == DUP)], "a line that begins with a difference or a"
         " duplicate count", "a line that begins with an ordinate in full"),
        (line[(form == DUP) & (before == DUP)], "two duplicate counts in a row", "one"),
        (line[(form == DUP) & (tokens.decimals > 0)], "a duplicate count with a point", "a count"),
        (line[unclear], "digits, E and digits again, which is either a power of ten or two"
         " ordinates", "a power of ten with its sign, or a blank before the E"),
    ):  # fmt: skip
        if wrong.size:
            raise Unreadable(int(wrong[0]), found, expected)


@dataclass(frozen=True, eq=False)
class _Written:
    """Ordinates as written, duplicates not yet written out."""

    number: Integers
    form: npt.NDArray[np.uint8]
    decimals: int
    count: Integers
    line_first: Positions
    """Index of the first ordinate of each line."""

    @classmethod
    def of(cls, tokens: Tokens, labels: Positions) -> "_Written":
        is_value = tokens.form != DUP
        is_value[labels] = False
        value = np.flatnonzero(is_value)
        count: Integers = np.ones(value.size, np.int64)
        counts = np.flatnonzero(tokens.form == DUP)
        if counts.size:
            count = count.astype(tokens.number.dtype)
            count[np.searchsorted(value, counts) - 1] = tokens.number[counts]
        number, decimals = _on_one_scale(tokens.number[value], tokens.decimals[value])
        form = np.where(_is_minus_zero(tokens), np.uint8(_MINUS_ZERO), tokens.form)[value]
        cut_off = np.flatnonzero((form[1:] == DIF) & (form[:-1] == MISSING))
        if cut_off.size:
            raise Unreadable(
                int(tokens.line[value[cut_off[0]]]),
                "a difference to a missing ordinate",
                "an ordinate in full behind '?'",
            )
        return cls(number, form, decimals, count, np.searchsorted(value, labels))

    def asks_for_more_than(self, most: int) -> bool:
        return bool(self.count.max() > most) or int(self.count.sum()) > most

    def out(self) -> "_WrittenOut":
        """Ordinates with differences summed and duplicates repeated."""
        count = self.count.astype(np.int64)
        stop = np.cumsum(count)
        number = np.repeat(self.number, count) if stop[-1] > count.size else self.number
        form = np.repeat(self.form, count) if stop[-1] > count.size else self.form
        first = (stop - count)[self.line_first]
        last = np.r_[first[1:], stop[-1]] - 1
        return _WrittenOut(_summed(number, form), form, first, last)


@dataclass(frozen=True, eq=False)
class _WrittenOut:
    """Every ordinate, and the index of the first and the last one of each line."""

    number: Integers
    form: npt.NDArray[np.uint8]
    line_first: Positions
    line_last: Positions


def _is_minus_zero(tokens: Tokens) -> Flags:
    found: Flags = (tokens.form == AFFN) & (tokens.letter == ord("-"))
    found &= np.asarray(tokens.number == 0, np.bool_)
    return found


def _on_one_scale(number: Integers, decimals: Positions) -> tuple[Integers, int]:
    most = int(decimals.max()) if decimals.size else 0
    if most == 0:
        return number, 0
    if number.dtype != object and int(np.abs(number).max()) * 10**most >= _SAFE:
        number = number.astype(object)
    if number.dtype == object:
        power: Integers = np.array([10 ** (most - each) for each in decimals.tolist()], object)
    else:
        power = 10 ** (most - decimals)
    scaled: Integers = number * power
    return scaled, most


def _summed(number: Integers, form: npt.NDArray[np.uint8]) -> Integers:
    is_step = form == DIF
    if not is_step.any():
        return number
    if number.dtype != object and int(np.abs(number).max()) * number.size >= _SAFE:
        number = number.astype(object)
    zero = number.dtype.type(0) if number.dtype != object else 0
    steps = np.cumsum(np.where(is_step, number, zero))
    start = np.maximum.accumulate(np.where(is_step, 0, np.arange(number.size)))
    summed: Integers = number[start] + steps - steps[start]
    return summed


def _without_repeats(
    table: Ordinates, ordinates: "_WrittenOut", decimals: int, line: Positions
) -> Flags:
    """Flags of the ordinates that are points; one that repeats for the Y-check is none."""
    number, form = ordinates.number, ordinates.form
    first, last = ordinates.line_first, ordinates.line_last
    ends_in_step = form[last] == DIF
    repeats = np.r_[table.awaits_check, ends_in_step[:-1]]
    wrong = repeats & (form[first] == MISSING)
    wrong[1:] |= repeats[1:] & (number[first[1:]] != number[last[:-1]])
    if repeats[0]:
        wrong[0] |= table.last != Fraction(int(number[first[0]]), 10**decimals)
    if wrong.any():
        place = int(np.flatnonzero(wrong)[0])
        found = "?" if form[first[place]] == MISSING else _shown(number[first[place]], decimals)
        arrived = _shown(number[last[place - 1]], decimals) if place else f"{float(table.last):g}"
        raise Unreadable(
            int(line[place]),
            f"{found} as first ordinate (Y-check)",
            f"{arrived}, at which the differences of the line before arrive",
        )
    table.awaits_check = bool(ends_in_step[-1])
    table.last = Fraction(int(number[-1]), 10**decimals)
    kept = np.ones(number.size, np.bool_)
    kept[first[repeats]] = False
    return kept


def _shown(number: Any, decimals: int) -> str:
    return f"{number / 10**decimals:.17g}" if decimals else str(number)


def _add_points(table: Points, tokens: Tokens, lines_before: int, most: int) -> None:
    first = np.flatnonzero(np.r_[True, np.diff(tokens.line) > 0])
    length = np.diff(np.r_[first, len(tokens)])
    place_in_line = np.arange(len(tokens)) - np.repeat(first, length)
    is_x = place_in_line % 2 == 0
    for wrong, found, expected in (
        (tokens.line[tokens.follows], "two numbers without a blank or comma between", "pairs"),
        (tokens.line[first][length % 2 == 1], "an odd count of numbers", "pairs of X and Y"),
        (tokens.line[is_x & (tokens.form == MISSING)], "'?' for an abscissa", "a number"),
    ):
        if wrong.size:
            raise Unreadable(int(wrong[0]), found, expected)
    is_missing, is_minus_zero = tokens.form == MISSING, _is_minus_zero(tokens)
    for column, chosen in ((table.x, is_x), (table.y, ~is_x)):
        number, decimals = _on_one_scale(tokens.number[chosen], tokens.decimals[chosen])
        column.append(Numbers(number, decimals, is_missing[chosen], is_minus_zero[chosen]))
    table.line.append(tokens.line[is_x] + lines_before)
    table.points += int(np.count_nonzero(is_x))
    table.last_line = int(tokens.line[-1]) + lines_before
    if table.points > most:
        raise Unreadable(int(tokens.line[-1]), f"{table.points} points up to here", f"{most}")
