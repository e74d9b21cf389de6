"""One scan as the checks of a run look at it: by rising wavelength, without missing points."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import Medium, SpectralUnit, can_convert, convert_positions, convert_values

LARGEST_HOLE = 2.5
"""Times the usual interval; a value is not interpolated across more."""

NOISE_POINTS = 25
"""Points around a wavelength from which the noise there is taken."""


class Measured(NamedTuple):
    """A number with its standard uncertainty, both in the unit of the scan."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, eq=False)
class Scan:
    """Values by wavelength.

    Parameters
    ----------
    nm : shape (q,), strictly rising, counted in `medium`.
    values : shape (q,), in `unit`, no NaN.
    medium : None where nobody said; positions of standards are then taken to be of the same scale.
    """

    nm: FloatArray
    values: FloatArray
    unit: SpectralUnit
    medium: Medium | None

    @classmethod
    def of(cls, spectra: SpectrumSet, row: int = 0) -> "Scan":
        """Scan in one row of a set."""
        axis = spectra.axis
        medium = axis.medium if axis.unit in ("nm", "um") else "vacuum"
        nm, values = axis.values, spectra.values[row]
        if axis.unit != "nm":
            nm = convert_positions(nm, axis.unit, medium, "nm", medium)
        if nm[0] > nm[-1]:
            nm, values = nm[::-1], values[::-1]
        known = np.isfinite(values)
        return cls(nm[known], values[known], spectra.unit, medium)

    def as_unit(self, unit: SpectralUnit) -> "Scan":
        """The same scan in another unit; a point without a logarithm is left out.

        Raises
        ------
        speclake.errors.UnitError
            The units do not say the same thing.
        """
        values = convert_values(self.values, self.unit, unit)
        known = np.isfinite(values)
        return Scan(self.nm[known], values[known], unit, self.medium)

    def as_percent(self) -> "Scan":
        """The same scan in %T or %R.

        Raises
        ------
        speclake.errors.UnitError
            It is neither.
        """
        return self.as_unit("%T" if can_convert(self.unit, "%T") else "%R")

    def position(self, nm: float, medium: Medium) -> float:
        """Where light of a wavelength lies on the scale of the scan, nm.

        Raises
        ------
        speclake.errors.UnitError
            Air and vacuum have no conversion there.
        """
        if self.medium is None or self.medium == medium:
            return nm
        return float(convert_positions(nm, "nm", medium, "nm", self.medium))

    def covers(self, nm: float) -> bool:
        """Whether a wavelength lies within the scan."""
        return bool(self.nm.size) and bool(self.nm[0] <= nm <= self.nm[-1])

    @cached_property
    def interval(self) -> float:
        """Usual distance of neighbouring points, nm."""
        return float(np.median(np.diff(self.nm))) if self.nm.size > 1 else math.nan

    def between(self, low: float, high: float) -> "Scan":
        """The stretch from `low` to `high`, ends included."""
        inside = slice(*np.searchsorted(self.nm, (low, np.nextafter(high, np.inf))))
        return Scan(self.nm[inside], self.values[inside], self.unit, self.medium)

    def noise_at(self, nm: float) -> float:
        """Standard deviation of a single value around a wavelength; see `noise_of`."""
        middle = int(np.searchsorted(self.nm, nm))
        first = max(0, min(middle - NOISE_POINTS // 2, self.nm.size - NOISE_POINTS))
        return noise_of(self.values[first : first + NOISE_POINTS])

    def value_at(self, nm: float) -> Measured | str:
        """Value at a wavelength on the scan's own scale, or why there is none.

        It is interpolated linearly between the two neighbouring points; a point that lies there is
        taken as it is. The uncertainty is that of the noise around it.
        """
        if not self.covers(nm):
            return f"there is no value at {nm:g} nm"
        right = int(np.searchsorted(self.nm, nm))
        noise = self.noise_at(nm)
        if math.isnan(noise):
            return f"there are too few values around {nm:g} nm for their noise"
        if self.nm[right] == nm:
            return Measured(float(self.values[right]), noise)
        left_nm, right_nm = self.nm[right - 1], self.nm[right]
        if right_nm - left_nm > LARGEST_HOLE * self.interval:
            return f"values are missing around {nm:g} nm"
        return Measured(float(np.interp(nm, self.nm, self.values)), noise)

    def mean_over(self, low: float, high: float) -> Measured | str:
        """Mean over a stretch by wavelength (trapezoid), or why there is none.

        Its uncertainty is that of independent noise, divided by the root of the number of points.
        """
        part = self.between(low, high)
        reason = part.is_short_of(low, high, self.interval)
        if reason is not None:
            return reason
        noise = noise_of(part.values)
        if math.isnan(noise):
            return f"there are {part.nm.size} values in the band, too few for their noise"
        mean = float(np.trapezoid(part.values, part.nm) / (part.nm[-1] - part.nm[0]))
        return Measured(mean, noise / math.sqrt(part.nm.size))

    def is_short_of(self, low: float, high: float, interval: float) -> str | None:
        """What of a stretch the scan lacks, in words; None where it covers it without a hole."""
        if self.nm.size < 2:
            return f"there are no values from {low:g} nm to {high:g} nm"
        reach = LARGEST_HOLE * interval
        if self.nm[0] - low > interval or high - self.nm[-1] > interval:
            found = f"{self.nm[0]:g} nm to {self.nm[-1]:g} nm"
            return f"there are values from {found} only, not from {low:g} nm to {high:g} nm"
        widest = int(np.argmax(np.diff(self.nm)))
        if self.nm[widest + 1] - self.nm[widest] > reach:
            return f"values are missing after {self.nm[widest]:g} nm"
        return None


def noise_of(values: FloatArray) -> float:
    """Standard deviation of independent noise in neighbouring values, in their unit.

    1.4826 times the median of the absolute third differences over sqrt(20), their gain for
    independent noise: what a parabola follows does not count, and single outliers hardly do. It is
    not less than a step of the last digit over sqrt(12), the uncertainty of rounding (GUM:1995,
    F.2.2.1). Neighbouring values that are smoothed show less than their noise. NaN below 6 values.

    Examples
    --------
    >>> print(f"{noise_of(np.array([1.0, -1.0] * 10)):.3f}")  # alternating: the worst case
    2.652
    """
    if values.size < 6:
        return math.nan
    third = np.abs(np.diff(values, 3))
    spread = 1.4826 * float(np.median(third)) / math.sqrt(20)
    return max(spread, last_digit_of(values) / math.sqrt(12))


def last_digit_of(values: FloatArray) -> float:
    """Smallest step between neighbouring values that is not of rounding; 0 where all are equal."""
    steps = np.abs(np.diff(values))
    real = steps[steps > 1e-9 * max(float(np.abs(values).max()), 1e-30)]
    return float(real.min()) if real.size else 0.0
