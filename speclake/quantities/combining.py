"""What two measurements of one part say together, spectrum by spectrum.

The spectra must lie on one and the same axis; `resampled` brings one to the axis of another. That
they belong to one part, site, side and angle is for the caller to know.
"""

import numpy as np

from speclake.quantities.decimals import hundredfold, summed
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import SpectralUnit, convert_values, exact_factor

LOGARITHMS = ("A", "log(1/R)")


def unpolarised(s: SpectrumSet, p: SpectrumSet) -> SpectrumSet:
    """Mean of s and p: what unpolarised light would show; row by row, with the keys of `s`.

    The mean of two exported decimals is that decimal, without a rounding.

    Parameters
    ----------
    s, p : transmittance or reflectance, both in one linear unit.

    Raises
    ------
    ValueError
        The axes, the units or the numbers of spectra differ, or the unit is a logarithm.
    """
    _must_match(s, p)
    if s.unit != p.unit or s.unit in LOGARITHMS:
        raise ValueError(
            f"found s in {s.unit} and p in {p.unit}; the mean needs one linear unit for both"
        )
    mean = summed(0, [(1, s.values), (1, p.values)], over=2)
    return SpectrumSet(s.axis, mean, s.unit, s.keys)


def absorptance_and_scatter(transmittance: SpectrumSet, reflectance: SpectrumSet) -> SpectrumSet:
    """100 - T - R in %A+S: what is absorbed and scattered away; with the keys of T.

    It is absorptance alone only where T and R are both total, taken with an integrating sphere.
    Values below zero are kept: beyond the uncertainty they show that T or R is wrong. The result of
    two exported decimals is that decimal, without a rounding.

    Raises
    ------
    ValueError
        The axes or the numbers of spectra differ.
    speclake.errors.UnitError
        The one is no transmittance or the other no reflectance.
    """
    _must_match(transmittance, reflectance)
    t, r = in_unit(transmittance, "%T").values, in_unit(reflectance, "%R").values
    rest = summed(100, [(-1, t), (-1, r)])
    return SpectrumSet(transmittance.axis, rest, "%A+S", transmittance.keys)


def resampled(spectra: SpectrumSet, axis: Axis, *, largest_interval: float) -> SpectrumSet:
    """The spectra at the positions of another axis, on the straight line between two points.

    Where a position is a point already its value is taken as it stands. Nothing is extrapolated:
    beyond the ends, beside a missing value, and between two points that lie too far apart, the
    result is NaN.

    Parameters
    ----------
    largest_interval : longest distance of two points between which a line is drawn, in the unit of
        the axes.

    Raises
    ------
    ValueError
        The axes do not count in one unit and one medium.

    Examples
    --------
    >>> coarse = SpectrumSet(Axis(np.array([400.0, 410.0]), "nm"), [[90.0, 80.0]], "%T", ("a",))
    >>> wanted = Axis(np.array([395.0, 400.0, 405.0, 410.0]), "nm")
    >>> resampled(coarse, wanted, largest_interval=10.0).values
    array([[nan, 90., 85., 80.]])
    """
    if (spectra.axis.unit, spectra.axis.medium) != (axis.unit, axis.medium):
        raise ValueError(
            f"found an axis in {_counted(spectra.axis)} and one in {_counted(axis)}; expected both "
            "in one unit and medium"
        )
    values = linear_at(spectra, axis.values, largest_interval)
    return SpectrumSet(axis, values, spectra.unit, spectra.keys)


def linear_at(
    spectra: SpectrumSet, positions: FloatArray, largest_interval: float = np.inf
) -> FloatArray:
    """Values at m positions of the axis, shape (n, m), as `resampled` takes them."""
    points = spectra.axis.values
    above = np.clip(np.searchsorted(points, positions), 0, points.size - 1)
    below = np.maximum(above - 1, 0)
    width = np.where(above > below, points[above] - points[below], 1.0)
    # the distance of two decimal positions is only as exact as their last bits
    slack = 8 * np.finfo(np.float64).eps * points[above]
    is_out = (positions < points[0]) | (positions > points[-1]) | (width > largest_interval + slack)
    share = np.where(is_out, np.nan, (positions - points[below]) / width)
    low, high = spectra.values[:, below], spectra.values[:, above]
    return np.where(points[above] == positions, high, low + (high - low) * share)


def in_unit(spectra: SpectrumSet, unit: SpectralUnit) -> SpectrumSet:
    """The spectra in another unit of the same light; a fraction becomes percent as its decimals do.

    Raises
    ------
    speclake.errors.UnitError
        The units do not say the same thing.
    """
    if exact_factor(spectra.unit, unit) == 100:
        values = hundredfold(spectra.values)
    else:
        values = convert_values(spectra.values, spectra.unit, unit)
    return SpectrumSet(spectra.axis, values, unit, spectra.keys)


def _counted(axis: Axis) -> str:
    return f"{axis.unit} in {axis.medium}" if axis.medium else axis.unit


def _must_match(first: SpectrumSet, second: SpectrumSet) -> None:
    if first.axis.id != second.axis.id:
        raise ValueError(
            f"found {len(first.axis)} points in {first.axis.unit} and {len(second.axis)} points in "
            f"{second.axis.unit} that are not the same positions; both must lie on one axis"
        )
    if len(first) != len(second):
        raise ValueError(f"found {len(first)} and {len(second)} spectra; expected one for one")
