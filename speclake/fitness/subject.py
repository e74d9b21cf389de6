"""Spectra as the checks look at them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from speclake.fitness.circumstances import Circumstances
from speclake.fitness.pointnoise import ORDER, squared_differences
from speclake.fitness.regions import Rows, in_blocks, taken
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import SpectralUnit, convert_positions

BoolArray = npt.NDArray[np.bool_]

_PERCENT: Mapping[SpectralUnit, float] = {"T": 100.0, "R": 100.0, "%T": 1.0, "%R": 1.0}


@dataclass(frozen=True, eq=False)
class Subject:
    """Spectra of one axis and unit with what is known of each.

    Parameters
    ----------
    known : one for each spectrum, in the order of the set.
    limits : what the checks go by.
    """

    spectra: SpectrumSet
    known: Sequence[Circumstances]
    limits: Fitness

    @cached_property
    def nm(self) -> FloatArray:
        """Wavelength of each point, shape (p,); falling where the axis is one of energy."""
        axis = self.spectra.axis
        if axis.unit == "nm":
            return axis.values
        medium = axis.medium or "vacuum"
        return convert_positions(axis.values, axis.unit, medium, "nm", medium)

    @cached_property
    def percent(self) -> float | None:
        """Factor from the unit of the values to percent; None for absorbance and its like."""
        return _PERCENT.get(self.spectra.unit)

    @cached_property
    def by_ranges(self) -> Mapping[tuple[Range, ...], list[int]]:
        """Rows by how stretches of the axis were measured, where that is known."""
        found: dict[tuple[Range, ...], list[int]] = {}
        last: tuple[Range, ...] = ()
        rows: list[int] = []
        for row, known in enumerate(self.known):
            if known.ranges:
                # spectra of one configuration mostly share the very object
                if known.ranges is not last:
                    last, rows = known.ranges, found.setdefault(known.ranges, [])
                rows.append(row)
        return found

    @cached_property
    def missing(self) -> BoolArray | None:
        """Which values are missing, shape (n, p); None where none is."""
        values = self.spectra.values
        # one sum tells: a value that is missing makes it missing
        if np.isfinite(values.sum()):
            return None
        found = np.isnan(values)
        return found if found.any() else None

    @cached_property
    def filled(self) -> FloatArray:
        """Values with a straight line over what is missing, shape (n, p), in their unit.

        The ends go on level; a spectrum without any value is 0. What a check finds at a point that
        was filled it has to leave out.
        """
        if self.missing is None:
            return self.spectra.values
        filled = self.spectra.values.copy()
        points = np.arange(filled.shape[1])
        for row in np.flatnonzero(self.missing.any(axis=1)):
            gone = self.missing[row]
            known = points[~gone]
            filled[row, gone] = (
                np.interp(points[gone], known, filled[row, known]) if known.size else 0
            )
        return filled

    @cached_property
    def light(self) -> FloatArray:
        """`filled` as light in percent of full scale, shape (n, p).

        The noise of a detector is that of light: the logarithm of it is lopsided where little is
        left.
        """
        if self.spectra.unit in ("A", "log(1/R)"):
            # a number below -6 is no absorbance; it must not become infinite either
            return 100.0 * np.power(10.0, -np.maximum(self.filled, -6.0))
        factor = self.percent or 1.0
        return self.filled if factor == 1.0 else self.filled * factor

    @cached_property
    def steps(self) -> FloatArray:
        """From each value of `filled` to the next, shape (n, p - 1)."""
        return np.diff(self.filled, axis=1)

    @cached_property
    def digits(self) -> FloatArray:
        """Step of the last digit of each spectrum, in its unit, shape (n,).

        As the export tells, else the smallest step that there is between neighbours; infinite
        where all values are the same.
        """
        told = np.array([known.last_digit or np.nan for known in self.known])
        rows = np.flatnonzero(np.isnan(told))
        if rows.size and self.steps.shape[1]:
            steps = np.abs(self.steps if rows.size == len(told) else self.steps[rows])
            steps[steps == 0] = np.inf
            told[rows] = steps.min(axis=1)
        return np.where(np.isnan(told), np.inf, told)

    @cached_property
    def bends(self) -> FloatArray:
        """How far each value of `light` lies off its neighbours, in percent, shape (n, p - 4).

        The neighbours are the two before and the two after it, with a cubic through them: the
        fourth difference over 6. White noise of standard deviation s makes √70/6 s of it; what is
        smooth over five points leaves next to nothing.
        """
        y = self.light
        if y.shape[1] < 5:
            return np.zeros((len(y), 0))
        near = y[:, 1:-3] + y[:, 3:-1]
        near *= 2.0 / 3.0
        far = y[:, :-4] + y[:, 4:]
        far *= 1.0 / 6.0
        far -= near
        far += y[:, 2:-2]
        return far

    @cached_property
    def roughness(self) -> FloatArray:
        """Squares of sixth differences, as `pointnoise` takes the noise from, shape (n, p - 6)."""
        values, axis = self.spectra.values, self.spectra.axis.values
        found = np.empty((len(values), max(axis.size - ORDER, 0)))
        if found.shape[1]:
            for some in in_blocks(np.arange(len(values)), axis.size):
                found[some] = squared_differences(values[some[0] : some[-1] + 1], axis)
        return found

    def rough(self, rows: Rows, start: int, stop: int) -> FloatArray:
        """The part of `roughness` that belongs to points of some rows, as of a slice."""
        return taken(self.roughness, rows, start, max(stop - ORDER, start))

    def place(self, nm: float) -> float:
        """Position on the axis, in its unit, of a wavelength in nm."""
        axis = self.spectra.axis
        if axis.unit == "nm":
            return nm
        medium = axis.medium or "vacuum"
        return float(convert_positions(nm, "nm", medium, axis.unit, medium))
