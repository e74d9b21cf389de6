"""A band of a set cut out: its points and its ends, ready for what looks along the whole band."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from speclake.conversion import turns_round
from speclake.quantities.bands import holes_in, holes_said
from speclake.quantities.places import Place
from speclake.quantities.windows import Between
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import AxisUnit, Medium, convert_positions


@dataclass(frozen=True, eq=False)
class Stretch:
    """A band cut out of every spectrum of a set, its ends included.

    Parameters
    ----------
    positions : shape (q,), in the unit of the axis, ordered by rising wavelength.
    values : shape (n, q), in the unit of the set.
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


def stretch_of(spectra: SpectrumSet, place: Place) -> Stretch | str:
    """Stretch of each spectrum over a band; in words, why the axis cannot give one."""
    window = place.on(spectra)
    if window.problem is not None:
        return window.problem
    points, values = spectra.axis.values, spectra.values
    parts, positions = [values[:, window.start : window.stop]], [points[window.start : window.stop]]
    if window.before is not None:
        parts.insert(0, _end(values, window.before))
        positions.insert(0, np.array([window.at_start]))
    if window.after is not None:
        parts.append(_end(values, window.after))
        positions.append(np.array([window.at_stop]))
    inside, where = np.concatenate(parts, axis=1), np.concatenate(positions)
    if turns_round(spectra.axis.unit, "nm"):
        inside, where = inside[:, ::-1], where[::-1]
    unit, medium = spectra.axis.unit, spectra.axis.medium
    reasons = holes_said(holes_in(values, window), unit)
    return Stretch(where, np.ascontiguousarray(inside), place, unit, medium, reasons)


def _end(values: FloatArray, between: Between) -> FloatArray:
    below, above = values[:, between.point], values[:, between.point + 1]
    return (below + (above - below) * between.share)[:, np.newaxis]
