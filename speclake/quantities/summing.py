"""Weighted sums over a spectrum: where their weights come to lie, and what lies outside."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.errors import UnitError
from speclake.quantities.bands import holes_at
from speclake.quantities.rowsums import as_slice, weighted_rises
from speclake.quantities.windows import SAME_POSITION, locate, on_axis
from speclake.spectrum import Axis, FloatArray
from speclake.units import AxisUnit, Medium


@dataclass(frozen=True)
class Fill:
    """What stands in for the spectrum where it was not measured.

    Parameters
    ----------
    how : ``end value`` counts a weight beyond an end with the last value measured there; ``zero``
        counts it with zero.
    up_to_percent : most of the weight that may lie outside, in percent of all of it.
    """

    how: Literal["end value", "zero"]
    up_to_percent: float


@dataclass(frozen=True)
class Counted:
    """How positions of weights are counted and what a spectrum has to offer there.

    Parameters
    ----------
    unit, medium : as for `speclake.quantities.windows.locate`.
    largest_interval : longest stretch between two points that is tolerated, in `unit`.
    fill : None if nothing may be filled.
    each_alone : whether only the stretches in which a weight lies must be short enough, as for
        lines; else all from the first weight to the last.
    """

    unit: AxisUnit
    medium: Medium | None
    largest_interval: float
    fill: Fill | None = None
    each_alone: bool = False


@dataclass(frozen=True, eq=False)
class Sum:
    """A weighted mean of the points of an axis.

    Parameters
    ----------
    points : the points that carry weight.
    factors : weight of each; their sum is one.
    share : what the mean is to be multiplied by, below one where a part is filled with zero.
    """

    points: npt.NDArray[np.intp]
    factors: FloatArray
    share: float

    def of(self, values: FloatArray) -> FloatArray:
        """Weighted mean of each row, shape (n,); NaN where a value that counts is missing."""
        chosen = values[:, as_slice(self.points)]
        return (chosen[:, 0] + weighted_rises(chosen, self.factors)) * self.share

    def holes(self, axis: Axis, values: FloatArray) -> FloatArray:
        """Position of the first missing value that counts, shape (n,), NaN where none is."""
        points = as_slice(self.points)
        return holes_at(values[:, points], axis.values[points])


def sums_of(
    axis: Axis, positions: FloatArray, weights: Sequence[FloatArray], counted: Counted
) -> tuple[Sum, ...] | str:
    """A sum for each list of weights at the same positions; in words, why there is none.

    A weight between two points of the axis is shared by them, as on the straight line through
    them. One of exactly zero asks nothing of the spectrum.

    Parameters
    ----------
    positions : shape (m,), in the unit of `counted`.
    weights : each of shape (m,), not summing to zero.
    """
    asked = np.any([each != 0 for each in weights], axis=0)
    positions, weights = positions[asked], [each[asked] for each in weights]
    try:
        at = on_axis(axis, positions, counted.unit, counted.medium)
    except UnitError as error:
        return str(error)
    begin, end = axis.values[0], axis.values[-1]
    slack = SAME_POSITION * end
    inside = (at >= begin - slack) & (at <= end + slack)
    outside = max(float(np.abs(each[~inside]).sum() / np.abs(each).sum()) for each in weights)
    problem = _outside(axis, positions, outside, counted.fill, counted.unit)
    problem = problem or _gap(axis, positions[inside], counted)
    if problem is not None:
        return problem
    is_kept = inside if counted.fill is None or counted.fill.how == "zero" else np.ones_like(inside)
    return tuple(_sum(axis, np.clip(at, begin, end), each, is_kept) for each in weights)


def _outside(
    axis: Axis, positions: FloatArray, outside: float, fill: Fill | None, unit: AxisUnit
) -> str | None:
    """What is wrong with the part of the weight beyond the ends of the axis, if anything."""
    if outside == 0:
        return None
    said = (
        f"the spectrum runs from {axis.values[0]:.10g} {axis.unit} to {axis.values[-1]:.10g} "
        f"{axis.unit}; of weights from {positions[0]:.10g} {unit} to {positions[-1]:.10g} {unit}, "
        f"{100 * outside:.3g} % lies outside"
    )
    if outside == 1:
        return said
    if fill is None:
        return f"{said} and the specification allows no fill"
    if 100 * outside > fill.up_to_percent:
        return f"{said}, and the specification lets at most {fill.up_to_percent:g} % be filled"
    return None


def _gap(axis: Axis, positions: FloatArray, counted: Counted) -> str | None:
    """What is wrong with the intervals of the axis among the positions, if anything."""
    ends = positions.tolist()
    stretches: list[tuple[float, float | None]] = [(ends[0], ends[-1])]
    if counted.each_alone or ends[0] == ends[-1] or axis.values.size == 1:
        stretches = [(each, None) for each in ends]
    for low, high in stretches:
        window = locate(
            axis,
            low,
            high,
            unit=counted.unit,
            medium=counted.medium,
            largest_interval=counted.largest_interval,
        )
        if window.problem is not None:
            return window.problem
    return None


def _sum(axis: Axis, at: FloatArray, weights: FloatArray, is_kept: npt.NDArray[np.bool_]) -> Sum:
    """Weights at positions of the axis, shared among its points."""
    points, whole = axis.values, float(weights.sum())
    at, weights = at[is_kept], weights[is_kept]
    below = np.clip(np.searchsorted(points, at, side="right") - 1, 0, max(points.size - 2, 0))
    above = np.minimum(below + 1, points.size - 1)
    near = SAME_POSITION * at
    step = np.where(above > below, points[above] - points[below], 1.0)
    share = np.clip((at - points[below]) / step, 0.0, 1.0)
    share = np.where(np.abs(at - points[below]) <= near, 0.0, share)
    share = np.where((np.abs(at - points[above]) <= near) & (above > below), 1.0, share)
    factors = np.zeros(points.size)
    np.add.at(factors, below, weights * (1.0 - share))
    np.add.at(factors, above, weights * share)
    used = np.flatnonzero(factors)
    total = float(factors.sum())
    return Sum(used, factors[used] / total, total / whole if not is_kept.all() else 1.0)
