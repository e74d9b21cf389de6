"""One scan as the checks of a run look at it: by rising wavelength, without missing points."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from speclake.fitness.pointnoise import shared_by
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import Medium, SpectralUnit, can_convert, convert_positions, convert_values

LARGEST_HOLE = 2.5
"""Times the usual interval; a value is not interpolated across more."""

NOISE_POINTS = 25
"""Points around a wavelength from which the noise there is taken."""
AROUND = 201
"""Points around a wavelength that tell how far neighbours share their noise."""


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
    whole : the scan that this is a stretch of, in the same unit; it shows the last digit better.
    """

    nm: FloatArray
    values: FloatArray
    unit: SpectralUnit
    medium: Medium | None
    whole: "Scan | None" = None

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
        whole = self.whole or self
        return Scan(self.nm[inside], self.values[inside], self.unit, self.medium, whole)

    @cached_property
    def _shared(self) -> tuple[float, int]:
        """Noise of a value over what neighbours show of it, and how many points share theirs."""
        seen = noise_of(self.values)
        noise, points = shared_by(self.values, self.nm)
        return (max(noise / seen, 1.0), points) if noise > 0 and seen > 0 else (1.0, points)

    @cached_property
    def points_alike(self) -> int:
        """Over how many neighbouring points the noise is alike; 1 where it is independent."""
        return self._shared[1]

    @cached_property
    def _rounding(self) -> float:
        return last_digit_of((self.whole or self).values) / math.sqrt(12)

    @cached_property
    def independent_noise(self) -> float:
        """Standard deviation of a single value as its neighbours show it; see `noise_of`."""
        # of points that are all alike by their digits, the digits of the others tell
        return max(noise_of(self.values), self._rounding)

    @cached_property
    def noise(self) -> float:
        """The same with what neighbours share of their noise, as after smoothing."""
        return max(noise_of(self.values) * self._shared[0], self._rounding)

    def noise_at(self, nm: float) -> float:
        """The same around a wavelength."""
        near = self._around(nm, NOISE_POINTS)
        return max(noise_of(near.values) * self._around(nm, AROUND)._shared[0], self._rounding)

    def _around(self, nm: float, points: int) -> "Scan":
        middle = int(np.searchsorted(self.nm, nm))
        first = max(0, min(middle - points // 2, self.nm.size - points))
        near = slice(first, first + points)
        return Scan(self.nm[near], self.values[near], self.unit, self.medium, self.whole or self)

    def scatter(self, weights: FloatArray) -> float:
        """Standard deviation of a weighted sum of neighbouring values, over that of one value.

        Noise that m points share is taken to be alike as after a mean of m: by 1 - k/m at a
        distance of k points.
        """
        alike = self.points_alike
        square = float(weights @ weights)
        for k in range(1, min(alike, weights.size)):
            square += 2.0 * (1.0 - k / alike) * float(weights[k:] @ weights[:-k])
        return math.sqrt(max(square, 0.0))

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

        Its uncertainty is that of the noise, divided by the root of the number of points that do
        not share theirs.
        """
        part = self.between(low, high)
        reason = part.is_short_of(low, high, self.interval)
        if reason is not None:
            return reason
        noise = part.noise
        if math.isnan(noise):
            return f"there are {part.nm.size} values in the band, too few for their noise"
        mean = float(np.trapezoid(part.values, part.nm) / (part.nm[-1] - part.nm[0]))
        equal = np.full(part.nm.size, 1.0 / part.nm.size)
        return Measured(mean, noise * part.scatter(equal))

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
    F.2.2.1). Neighbouring values that are smoothed show less than their noise, which
    `Scan.noise` makes up for. NaN below 6 values.

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
