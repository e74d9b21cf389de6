"""Cells at fixed places of a line. A cell cut by a wrong place is refused, never read shorter."""

import re
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from speclake.importing.textrules import Text

_BLANK, _ZERO, _NINE = ord(" "), ord("0"), ord("9")


def fixed_cells(line: str, rules: Text) -> list[str]:
    """Cells of a line, with the blanks around them.

    Raises
    ------
    ValueError
        Text stands outside the cells, or runs on from one cell into the next.
    """
    places = [(first - 1, last) for first, last in rules.cells or ()]
    stop = 0
    for first, last in [*places, (max(len(line), places[-1][1]), 0)]:
        if line[stop:first].strip(" "):
            raise ValueError(f"blanks alone {_between(stop, first)}")
        stop = last
    if not rules.cells_touch:
        for (_, last), (first, _) in pairwise(places):
            if last == first and line[last - 1 : last + 1].count(" ") == 0 and last < len(line):
                raise ValueError(
                    f"a blank at character {last} or {last + 1}, or cells_touch in the format"
                )
    return [line[first:last] for first, last in places]


def _between(stop: int, first: int) -> str:
    return f"at characters {stop + 1} to {first}" if stop else f"before character {first + 1}"


def check_touching(line: str, cells: Sequence[str], rules: Text) -> None:
    """Nothing, if no cell of a row in which cells touch can have been cut at a wrong place.

    A cell that is cut too early leaves a digit to its neighbour, and one that is cut too late takes
    one: so each number must end at the end of its cell, and none begins with a needless zero.

    Raises
    ------
    ValueError
        A number does not fill its cell to the end, or begins with a needless zero.
    """
    for cell, (first, last) in zip(cells, rules.cells or (), strict=True):
        if cell.strip(" ") and (len(cell) <= last - first or cell.endswith(" ")):
            raise ValueError(f"a number that ends at character {last}, since cells touch")
        if re.match("0[0-9]", cell) and first > 1 and line[first - 2] != " ":
            raise ValueError(f"no needless zero at character {first}, where two cells touch")


def as_tabbed(raw: bytes, rules: Text) -> bytes | None:
    """Rows with a tab between cells; None where a row must be looked at more closely."""
    line_end = b"\r\n" if raw.endswith(b"\r\n") else b"\n"
    width = raw.find(b"\n") + 1
    if len(raw) % width or b"\t" in raw:
        return None
    signs = np.frombuffer(raw, dtype=np.uint8).reshape(-1, width)
    wanted = np.frombuffer(line_end, dtype=np.uint8)
    if (signs[:, -len(line_end) :] != wanted).any() or raw.count(b"\n") != len(signs):
        return None
    places = [(first - 1, last) for first, last in rules.cells or ()]
    signs = signs[:, : -len(line_end)]
    if signs.shape[1] < places[-1][1] or not _are_whole(signs, places, rules):
        return None
    parts: list[npt.NDArray[np.uint8]] = []
    for first, last in places:
        parts += [signs[:, first:last], np.full((len(signs), 1), ord("\t"), dtype=np.uint8)]
    parts[-1] = np.full((len(signs), 1), ord("\n"), dtype=np.uint8)
    return np.concatenate(parts, axis=1).tobytes()


def _are_whole(
    signs: npt.NDArray[np.uint8], places: Sequence[tuple[int, int]], rules: Text
) -> bool:
    """Whether all text stands in cells and none runs on into the next."""
    outside = np.ones(signs.shape[1], dtype=bool)
    for first, last in places:
        outside[first:last] = False
    if (signs[:, outside] != _BLANK).any():
        return False
    for (_, last), (first, _) in pairwise(places):
        touches = (signs[:, last - 1] != _BLANK) & (signs[:, first] != _BLANK)
        if last == first and not rules.cells_touch and touches.any():
            return False
    return not rules.cells_touch or _fill_cells(signs, places)


def _fill_cells(signs: npt.NDArray[np.uint8], places: Sequence[tuple[int, int]]) -> bool:
    for first, last in places:
        cells = signs[:, first:last]
        if ((cells[:, -1] == _BLANK) & (cells != _BLANK).any(axis=1)).any():
            return False
        if first and last - first > 1:
            begins = (cells[:, 0] == _ZERO) & (cells[:, 1] >= _ZERO) & (cells[:, 1] <= _NINE)
            if (begins & (signs[:, first - 1] != _BLANK)).any():
                return False
    return True
