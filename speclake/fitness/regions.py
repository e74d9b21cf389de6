"""Stretches of an axis between change-overs, and rows that share what is known of them."""

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from speclake.fitness.circumstances import ChangeOver, Circumstances
from speclake.spectrum import FloatArray

SAME_PLACE_NM = 0.5
"""Change-overs closer than this are one, said by several."""

VALUES_AT_ONCE = 32_768
"""Values that are worked on at once, few enough to stay in the processor's cache."""

Key = TypeVar("Key", bound=Hashable)
Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Region:
    """Points ``start`` to ``stop`` of the axis (as a slice), which lie between two change-overs.

    Parameters
    ----------
    first_nm, last_nm : wavelengths of its outermost points, the lower one first.
    """

    start: int
    stop: int
    first_nm: float
    last_nm: float


def changeovers_of(known: Circumstances) -> tuple[ChangeOver, ...]:
    """Change-overs by rising wavelength; what several say of one place is told once.

    Examples
    --------
    >>> said = (ChangeOver(860.0, "header"), ChangeOver(860.2, "method"))
    >>> [(each.at_nm, each.evidence) for each in changeovers_of(Circumstances(changeovers=said))]
    [(860.0, 'header, method')]
    """
    found: list[ChangeOver] = []
    for each in sorted(known.changeovers, key=lambda one: one.at_nm):
        if found and each.at_nm - found[-1].at_nm < SAME_PLACE_NM:
            said = found[-1].evidence
            if each.evidence not in said.split(", "):
                found[-1] = ChangeOver(found[-1].at_nm, f"{said}, {each.evidence}")
        else:
            found.append(each)
    return tuple(found)


def places_of(known: Circumstances) -> tuple[float, ...]:
    """Wavelengths of the change-overs in nm, rising."""
    return tuple(each.at_nm for each in changeovers_of(known))


def regions_between(nm: FloatArray, places: Sequence[float]) -> tuple[Region, ...]:
    """Stretches of an axis between change-overs, by rising wavelength; empty ones are left out.

    A point that lies on a change-over belongs to the stretch above it.

    Parameters
    ----------
    nm : wavelengths of the points, shape (p,), rising or falling.
    places : of the change-overs in nm, rising.
    """
    rising = nm if nm.size < 2 or nm[0] < nm[-1] else nm[::-1]
    bounds = [0, *np.searchsorted(rising, places).tolist(), nm.size]
    found = []
    for low, high in pairwise(bounds):
        if high > low:
            ends = (low, high) if rising is nm else (nm.size - high, nm.size - low)
            found.append(Region(*ends, float(rising[low]), float(rising[high - 1])))
    return tuple(found)


def rows_by(
    known: Sequence[Circumstances], key: Callable[[Circumstances], Key]
) -> Iterator[tuple[Key, Rows]]:
    """Rows of a set that share what a check goes by, in the order of the first of each."""
    found: dict[Key, list[int]] = {}
    seen: dict[int, Key] = {}  # most rows share one object, which is looked at once
    for row, each in enumerate(known):
        if (shared := seen.get(id(each))) is None:
            shared = seen[id(each)] = key(each)
        found.setdefault(shared, []).append(row)
    for shared, rows in found.items():
        yield shared, np.array(rows, dtype=np.intp)


def in_blocks(rows: Rows, points: int) -> Iterator[Rows]:
    """Rows in portions of which `points` values each stay in the cache."""
    size = max(1, VALUES_AT_ONCE // max(points, 1))
    for begin in range(0, rows.size, size):
        yield rows[begin : begin + size]


def taken(values: FloatArray, rows: Rows, start: int, stop: int) -> FloatArray:
    """Values of some rows and a slice of points; a view where the rows follow one another."""
    if rows.size and rows[-1] - rows[0] == rows.size - 1:
        return values[rows[0] : rows[-1] + 1, start:stop]
    return values[rows, start:stop]
