"""A band of a set cut out: its points and its ends, ready for what looks along the whole band."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from speclake.conversion import turns_round
from speclake.quantities.bands import holes_at, holes_said
from speclake.quantities.places import Place
from speclake.quantities.rowsums import trapezoid_weights, weighted_rises
from speclake.quantities.windows import Between, Window
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import AxisUnit, Medium, SpectralUnit, convert_positions, convert_values


@dataclass(frozen=True, eq=False)
class Stretch:
    """A band cut out of every spectrum of a set, its ends included.

    Parameters
    ----------
    positions : shape (q,), in the unit of the axis, ordered by rising wavelength.
    values : shape (n, q), in the unit that was asked for.
    place : the band that was asked for.
    axis_unit, axis_medium : what `positions` are counted in.
    reasons : by row, why a spectrum cannot answer.
    """

    positions: FloatArray
    values: FloatArray
    place: Place
    axis_unit: AxisUnit
    axis_medium: Medium | None
    reasons: Mapping[int, str]

    @cached_property
    def highest(self) -> npt.NDArray[np.intp]:
        """Number of the largest value of each row, of a missing one first; shape (n,)."""
        found: npt.NDArray[np.intp] = self.values.argmax(axis=1)
        return found

    @cached_property
    def weights(self) -> FloatArray:
        """Weight of each point in the mean over the band by trapezoids; their sum is one."""
        return trapezoid_weights(self.counted(self.positions))

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean by trapezoids over the unit of the band of each row of values at the positions."""
        mean: FloatArray = values[:, 0] + weighted_rises(values, self.weights)
        return mean

    def counted(self, positions: FloatArray) -> FloatArray:
        """Positions of the axis in the unit and medium of the band; NaN stays NaN."""
        unit, medium = self.place.unit, self.place.medium
        if unit == self.axis_unit and medium in (None, self.axis_medium):
            return positions
        found = np.full(positions.shape, np.nan)
        known = ~np.isnan(positions)
        found[known] = convert_positions(
            positions[known], self.axis_unit, self.axis_medium, unit, medium
        )
        return found


def stretch_of(
    spectra: SpectrumSet, place: Place, unit: SpectralUnit | None = None
) -> Stretch | str:
    """Stretch of each spectrum over a band; in words, why the axis cannot give one.

    Parameters
    ----------
    unit : in which the spectrum is straight between its points; None is that of the set.
    """
    window = place.on(spectra)
    if window.problem is not None:
        return window.problem
    values = convert_values(spectra.values[:, window.needed], spectra.unit, unit or spectra.unit)
    axis, points = spectra.axis, spectra.axis.values
    reasons = holes_said(holes_at(values, points[window.needed]), axis.unit)
    inside, where = _with_ends(values, window)
    if turns_round(axis.unit, "nm"):
        inside, where = inside[:, ::-1], where[::-1]
    return Stretch(where, _row_by_row(inside), place, axis.unit, axis.medium, reasons)


def _with_ends(values: FloatArray, window: Window) -> tuple[FloatArray, FloatArray]:
    """Values and positions in a window, with those of its ends that lie between two points.

    Parameters
    ----------
    values : at the points that the window needs.
    """
    positions = window.axis.values[window.start : window.stop]
    first = 0 if window.before is None else 1
    inside = values[:, first : first + positions.size]
    if window.before is None and window.after is None:
        return inside, positions
    parts, where = [inside], [positions]
    if window.before is not None:
        parts.insert(0, _end(values[:, :2], window.before))
        where.insert(0, np.array([window.at_start]))
    if window.after is not None:
        parts.append(_end(values[:, -2:], window.after))
        where.append(np.array([window.at_stop]))
    return np.concatenate(parts, axis=1), np.concatenate(where)


def _end(two: FloatArray, between: Between) -> FloatArray:
    below, above = two[:, :1], two[:, 1:]
    return below + (above - below) * between.share


def _row_by_row(values: FloatArray) -> FloatArray:
    """Values as they are if the points of a row follow one another in memory, else a copy so."""
    if values.strides[1] == values.itemsize:
        return values
    return np.ascontiguousarray(values)
