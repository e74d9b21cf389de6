"""Weighted means of spectra: by an illuminant, the sun, a detector, the eye, or single lines.

The mean of a spectrum with weights w(x) is the integral of w times the spectrum over the integral
of w, so that a neutral spectrum has its own value by every table. Numbers depend on the table and
on the rule of integration; a specification has to name both. Results are in the unit of the set.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from speclake.errors import UnitError
from speclake.quantities.bands import holes_said
from speclake.quantities.summing import Counted, Fill, Sum, sums_of
from speclake.quantities.tables import WeightTable
from speclake.quantities.values import Values
from speclake.quantities.windows import counted_in, locate
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import Medium

Integration = Literal["table grid", "spectrum grid", "sum"]


@dataclass(frozen=True, kw_only=True)
class Weighting:
    """How the weighted mean of a spectrum is taken.

    Parameters
    ----------
    table : the weights.
    integration : for a density ``table grid``, trapezoids between the positions of the table, the
        spectrum read between its points; or ``spectrum grid``, trapezoids between the points of the
        spectrum, the table read between its positions. For all other tables ``sum``.
    largest_interval : longest stretch without a point that is tolerated, in the unit of the table;
        for lines only where a line lies.
    low, high : the part of the table that counts, in its unit; None for its own ends.
    medium : what the positions of the table are counted in; None is the scale of the axis.
    fill : what stands in for a part that was not measured; None if nothing does.

    Raises
    ------
    ValueError
        The rule does not fit the table.
    """

    table: WeightTable
    integration: Integration
    largest_interval: float
    low: float | None = None
    high: float | None = None
    medium: Medium | None = None
    fill: Fill | None = None

    def __post_init__(self) -> None:
        if (self.table.kind == "density") == (self.integration == "sum"):
            raise ValueError("'sum' for summed weights and lines, and a grid for a density")

    @property
    def ends(self) -> tuple[float, float]:
        """First and last position that counts, none of them outside the table."""
        at = self.table.positions
        low = at[0] if self.low is None else max(self.low, at[0])
        high = at[-1] if self.high is None else min(self.high, at[-1])
        return low, high

    def density(self, at: FloatArray) -> FloatArray:
        """Weights of the table, on the straight line between its positions."""
        return np.interp(at, self.table.positions, self.table.weights)

    def nodes(self) -> tuple[FloatArray, FloatArray]:
        """Positions of the table that count, and the weight of each in the whole."""
        at, (low, high) = np.array(self.table.positions), self.ends
        at = at[(at >= low) & (at <= high)]
        if self.integration == "sum":
            return at, self.density(at)
        if low < high:
            at = np.unique(np.concatenate(([low], at, [high])))
        return at, self.density(at) * _trapezoids(at)


def weighted_mean(spectra: SpectrumSet, weighting: Weighting) -> Values:
    """Weighted mean of each spectrum.

    Examples
    --------
    Everything that is neutral stays what it is.

    >>> from speclake.quantities.tables import shipped
    >>> from speclake.spectrum import Axis
    >>> flat = SpectrumSet(Axis([280.0, 4000.0], "nm"), [[92.0, 92.0]], "%T", ("a",))
    >>> sun = shipped("ASTM G173-03 global")
    >>> rule = Weighting(table=sun, integration="table grid", largest_interval=4000)
    >>> weighted_mean(flat, rule).value
    array([92.])
    """
    found = _sum_on(spectra.axis, weighting)
    if isinstance(found, str):
        return Values.of_none(len(spectra), found)
    mean = found.of(spectra.values)
    return Values(mean, None, missing(spectra, mean[:, np.newaxis], [found]))


def missing(spectra: SpectrumSet, means: FloatArray, sums: Sequence[Sum]) -> dict[int, str]:
    """By row, which value is missing that made a mean missing.

    Parameters
    ----------
    means : shape (n, k), of each of `sums`.
    """
    reasons: dict[int, str] = {}
    for each, mean in zip(sums, means.T, strict=True):
        rows = np.flatnonzero(np.isnan(mean))
        holes = np.full(len(spectra), np.nan)
        holes[rows] = each.holes(spectra.axis, spectra.values[rows])
        reasons = holes_said(holes, spectra.axis.unit) | reasons
    return reasons


@lru_cache(maxsize=64)
def _sum_on(axis: Axis, weighting: Weighting) -> Sum | str:
    """The sum over the points of an axis that a weighting amounts to."""
    at, weights = weighting.nodes()
    if not weights.any():
        return f"no weight of {weighting.table.name} lies in the band"
    if weighting.integration == "spectrum grid":
        grid = _on_the_points(axis, weighting)
        if isinstance(grid, str):
            return grid
        at, weights = grid
        if not weights.any():
            return f"no point of the spectrum has a weight of {weighting.table.name}"
    counted = Counted(
        weighting.table.unit,
        weighting.medium,
        weighting.largest_interval,
        weighting.fill,
        each_alone=weighting.table.kind == "lines",
    )
    found = sums_of(axis, at, [weights], counted)
    return found if isinstance(found, str) else found[0]


def _on_the_points(axis: Axis, weighting: Weighting) -> tuple[FloatArray, FloatArray] | str:
    """Weights at the points of a spectrum, and at the ends of the table what lies beyond them."""
    unit, medium = weighting.table.unit, weighting.medium
    try:
        ends = np.sort(counted_in(axis, axis.values[[0, -1]], unit, medium))
    except UnitError as error:
        return str(error)
    low, high = weighting.ends
    begin, end = max(low, float(ends[0])), min(high, float(ends[1]))
    if not begin < end:
        return weighting.nodes()
    window = locate(axis, begin, end, unit=unit, medium=medium,
                    largest_interval=weighting.largest_interval)  # fmt: skip
    if window.problem is not None:
        return window.problem
    at = np.sort(window.positions)
    weights = weighting.density(at) * _trapezoids(at)
    beyond = [(low, begin), (end, high)]
    for edge, (start, stop) in zip((low, high), beyond, strict=True):
        if start < stop:
            outside = _integral(weighting, start, stop)
            at, weights = np.append(at, edge), np.append(weights, outside)
    order = np.argsort(at)
    return at[order], weights[order]


def _integral(weighting: Weighting, low: float, high: float) -> float:
    """Integral of a table between two positions by trapezoids on its own grid."""
    positions = np.array(weighting.table.positions)
    inner = positions[(positions > low) & (positions < high)]
    at = np.concatenate(([low], inner, [high]))
    return float((weighting.density(at) * _trapezoids(at)).sum())


def _trapezoids(at: FloatArray) -> FloatArray:
    """Width that each position stands for: half of the interval on either side."""
    half = np.diff(at) / 2.0
    widths = np.zeros(at.size)
    widths[:-1] += half
    widths[1:] += half
    return widths
