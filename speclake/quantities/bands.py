"""Minimum, maximum and mean over a band, and the value at a position, of many spectra at once.

Every function takes a `SpectrumSet` and gives one number a spectrum, in the unit of the set; where
a spectrum cannot answer, the number is NaN and `coverage` says why. Between two points a spectrum
is the straight line through them, so the ends of a band count even where no point lies on them.
Nothing is extrapolated.

The number of one spectrum depends on that spectrum alone, to the last bit: sums run along the
points of one row in one fixed order, whatever else is in the set and however it is cut.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from speclake.quantities.rowsums import weighted_rises
from speclake.quantities.values import Values
from speclake.quantities.windows import Between, Window, locate
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import AxisUnit, Medium

What = Literal["minimum", "maximum", "mean", "value"]


@dataclass(frozen=True, eq=False)
class Coverage:
    """Whether each spectrum can answer for a band.

    Parameters
    ----------
    problem : what is wrong with the axis that all share; None if nothing is.
    hole : shape (n,), position of the first missing value that is needed, NaN where none is.
    axis_unit : unit of `hole`.
    """

    problem: str | None
    hole: FloatArray
    axis_unit: AxisUnit

    @property
    def reasons(self) -> tuple[str | None, ...]:
        """For each spectrum why it cannot answer, None where it can."""
        if self.problem is not None:
            return (self.problem,) * self.hole.size
        return tuple(None if np.isnan(at) else missing_said(at, self.axis_unit) for at in self.hole)


def coverage(
    spectra: SpectrumSet,
    low: float,
    high: float | None = None,
    largest_interval: float | None = None,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
) -> Coverage:
    """Whether each spectrum reaches over a band, without a gap and without a missing value.

    Parameters
    ----------
    low, high : ends of the band in `unit`; without `high` the one position `low`.
    largest_interval : longest stretch without a point that is tolerated, in `unit`; by default
        five times the median interval of the axis.
    medium : as for `speclake.quantities.windows.locate`.
    """
    window = locate(
        spectra.axis, low, high, unit=unit, medium=medium, largest_interval=largest_interval
    )
    if window.problem is not None:
        holes = np.full(len(spectra), np.nan)
    else:
        holes = holes_in(spectra.values, window)
    return Coverage(window.problem, holes, spectra.axis.unit)


def holes_in(values: FloatArray, window: Window) -> FloatArray:
    """Position of the first missing value that a window needs, of each row; NaN where none is."""
    return holes_at(values[:, window.needed], window.axis.values[window.needed])


def holes_at(values: FloatArray, positions: FloatArray) -> FloatArray:
    """Position of the first missing value of each row; NaN where none is.

    Parameters
    ----------
    values, positions : shapes (n, q) and (q,).
    """
    holes = np.full(values.shape[0], np.nan)
    # a missing value makes the least one missing, and rows without one are the rule
    rows = np.flatnonzero(np.isnan(np.minimum.reduce(values, axis=1)))
    holes[rows] = positions[np.isnan(values[rows]).argmax(axis=1)]
    return holes


def holes_said(holes: FloatArray, unit: AxisUnit) -> dict[int, str]:
    """By row, what `holes_in` found, in words."""
    return {int(row): missing_said(holes[row], unit) for row in np.flatnonzero(~np.isnan(holes))}


def missing_said(at: float, unit: AxisUnit) -> str:
    """Why a spectrum cannot answer that lacks the value at a position."""
    return f"the value at {at:.10g} {unit} is missing"


def minimum(
    spectra: SpectrumSet,
    low: float,
    high: float,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
    largest_interval: float | None = None,
) -> Values:
    """Smallest value of each spectrum in a band, and where it lies.

    The ends of the band count, interpolated between their neighbours. Of several equal values the
    one first on the ascending axis is named. Parameters as for `coverage`.
    """
    return _answer("minimum", spectra, low, high, unit, medium, largest_interval)


def maximum(
    spectra: SpectrumSet,
    low: float,
    high: float,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
    largest_interval: float | None = None,
) -> Values:
    """Largest value of each spectrum in a band, and where it lies; else as `minimum`."""
    return _answer("maximum", spectra, low, high, unit, medium, largest_interval)


def mean(
    spectra: SpectrumSet,
    low: float,
    high: float,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
    largest_interval: float | None = None,
    over: AxisUnit | None = None,
) -> Values:
    """Mean of each spectrum over a band: the integral by trapezoids, divided by the width.

    The integral runs over `unit`: a band in nm is averaged over wavelength even where the spectrum
    is spaced in wavenumbers. A spectrum of one value has exactly that mean. Parameters as for
    `coverage`.

    Parameters
    ----------
    over : what the integral runs over, if not `unit`, as for
        `speclake.quantities.windows.locate`.
    """
    return _answer("mean", spectra, low, high, unit, medium, largest_interval, over)


def value_at(
    spectra: SpectrumSet,
    at: float,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
    largest_interval: float | None = None,
) -> Values:
    """Value of each spectrum at a position: as exported on a point, else linear between two."""
    return _answer("value", spectra, at, None, unit, medium, largest_interval)


def _answer(
    what: What,
    spectra: SpectrumSet,
    low: float,
    high: float | None,
    unit: AxisUnit,
    medium: Medium | None,
    largest_interval: float | None,
    over: AxisUnit | None = None,
) -> Values:
    window = locate(
        spectra.axis, low, high, unit=unit, medium=medium, largest_interval=largest_interval,
        over=over,
    )  # fmt: skip
    return reduced(what, spectra.values, window)


def reduced(what: What, values: FloatArray, window: Window) -> Values:
    """One number a row of `values` over a window already located.

    Parameters
    ----------
    values : shape (n, p), on the axis of the window.
    """
    if window.problem is not None:
        nothing = np.full(values.shape[0], np.nan)
        return Values(nothing, None if what == "mean" else nothing)
    if what == "mean":
        needed = values[:, window.needed]
        return Values(needed[:, 0] + weighted_rises(needed, window.weights), None)
    if what == "value":
        found = _end(values, window.before, window.start)
        return Values(found, np.where(np.isnan(found), np.nan, window.at_start))
    return _extremum(values, window, what)


def _end(values: FloatArray, between: Between | None, point: int) -> FloatArray:
    """Value of each row at one position: on a point, or on the line between two."""
    if between is None:
        return values[:, point].copy()
    below, above = values[:, between.point], values[:, between.point + 1]
    return below + (above - below) * between.share


def _extremum(values: FloatArray, window: Window, what: What) -> Values:
    n = values.shape[0]
    candidates: list[tuple[FloatArray, FloatArray | float]] = []
    if window.before is not None:
        candidates.append((_end(values, window.before, 0), window.at_start))
    if window.stop > window.start:
        inner = values[:, window.start : window.stop]
        place = inner.argmin(axis=1) if what == "minimum" else inner.argmax(axis=1)
        candidates.append((inner[np.arange(n), place], window.axis.values[window.start + place]))
    if window.after is not None:
        candidates.append((_end(values, window.after, 0), window.at_stop))
    best, at = candidates[0][0], np.broadcast_to(candidates[0][1], n)
    for value, position in candidates[1:]:
        # written so that a NaN on either side wins: it must not be passed over
        better = ~(best <= value) if what == "minimum" else ~(best >= value)
        better &= ~np.isnan(best)
        best, at = np.where(better, value, best), np.where(better, position, at)
    return Values(best, np.where(np.isnan(best), np.nan, at))
