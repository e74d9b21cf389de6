"""The grid of an axis: where points are missing, and whether they lie evenly."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from speclake.spectrum import Axis, FloatArray
from speclake.units import AxisUnit

UNIT_WORDS: dict[AxisUnit, str] = {"nm": "nm", "um": "µm", "cm-1": "cm⁻¹", "eV": "eV"}
"""How the unit of an axis is written in a sentence."""

_NEIGHBOURS = 11
_GAP = 1.6
"""Times the usual step: a missing point makes 2, a wavelength written with few digits up to 1.5."""
_UNEVEN = 0.25
_UNEVEN_SHARE = 0.02


@dataclass(frozen=True)
class Gap:
    """Where the grid is wider than beside: its two ends, and the usual step, in the axis' unit."""

    start: float
    stop: float
    step: float

    @property
    def points(self) -> int:
        """How many points are missing."""
        return max(round((self.stop - self.start) / self.step) - 1, 1)


@dataclass(frozen=True)
class Uneven:
    """Steps that differ from those beside them.

    Parameters
    ----------
    count, of : how many steps do, of how many.
    worst : step that differs most, in the axis' unit, where it starts, and the usual one there.
    """

    count: int
    of: int
    worst: float
    at: float
    usual: float


@dataclass(frozen=True)
class Grid:
    """What there is to say of the points of an axis, whatever was measured at them."""

    gaps: tuple[Gap, ...]
    uneven: Uneven | None


@lru_cache(maxsize=8)
def grid_of(axis: Axis) -> Grid:
    """Gaps and uneven steps of an axis.

    The usual step of a place is the median of the 11 steps around it, so that a grid of several
    intervals, or one that is even in another unit, is neither uneven nor full of gaps.
    """
    steps = np.diff(axis.values)
    if steps.size < _NEIGHBOURS or steps.max() <= (1 + _UNEVEN) * steps.min():
        return Grid((), None)
    usual = _usual(steps)
    ratio = steps / usual
    gaps = np.flatnonzero(ratio >= _GAP)
    uneven = np.flatnonzero((np.abs(ratio - 1) > _UNEVEN) & (ratio < _GAP))
    if gaps.size + uneven.size > max(_UNEVEN_SHARE * steps.size, 3) and gaps.size > 3:
        # wide steps everywhere are no holes in a regular grid
        uneven, gaps = np.union1d(uneven, gaps), gaps[:0]
    x = axis.values
    found = tuple(Gap(float(x[i]), float(x[i + 1]), float(usual[i])) for i in gaps)
    if uneven.size <= max(_UNEVEN_SHARE * steps.size, 3):
        return Grid(found, None)
    worst = uneven[np.argmax(np.abs(ratio[uneven] - 1))]
    told = Uneven(
        int(uneven.size), int(steps.size), float(steps[worst]), float(x[worst]), float(usual[worst])
    )
    return Grid(found, told)


def _usual(steps: FloatArray) -> FloatArray:
    padded = np.pad(steps, _NEIGHBOURS // 2, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, _NEIGHBOURS), axis=1)
