"""Smoothing and derivatives by local polynomials, with a window stated in nm.

At each point a polynomial of least squares runs through the points within half a window of it; the
smoothed value is the value of the polynomial there, a derivative its derivative. On equal steps
these are the coefficients of Savitzky and Golay; on unequal ones, as of an axis in wavenumbers, the
window still has the same width in nm and another number of points.

References
----------
A. Savitzky, M. J. E. Golay, Smoothing and differentiation of data by simplified least squares
procedures, Analytical Chemistry 36 (1964) 1627-1639; corrections by J. Steinier, Y. Termonia and
J. Deltour, Analytical Chemistry 44 (1972) 1906-1909.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import factorial
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.conversion import turns_round
from speclake.quantities.bands import holes_in, reduced
from speclake.quantities.places import Place
from speclake.quantities.rowsums import as_slice
from speclake.quantities.values import Values
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import convert_positions

EDGE = 1e-9
"""Relative distance within which a point lies on the edge of a window; decimals differ by less."""

MATRICES_AT_ONCE = 4096
"""Local polynomials that are solved together, few enough for little memory."""


def smoothed(spectra: SpectrumSet, window_nm: float, degree: int) -> SpectrumSet:
    """Spectra with each value replaced by that of a local polynomial.

    A polynomial up to `degree` stays what it is. There is no value (NaN) within half a window of an
    end of the spectrum, at a point without another on either side in the window, where the window
    has fewer than `degree` + 2 points (with one less nothing would be smoothed), and where one of
    its values is missing; nor anywhere on an axis that begins at zero or below.

    Parameters
    ----------
    window_nm : full width of the window in nm; a point on its edge is in it, so that 4 nm on steps
        of 1 nm are 5 points. On an axis in cm⁻¹ or eV it is counted in vacuum.
    degree : 0 to 5.

    Raises
    ------
    ValueError
        The window is not above zero, or the degree is not one of these.
    """
    values = _fitted(spectra, window_nm, degree, 0)
    return SpectrumSet(spectra.axis, values, spectra.unit, spectra.keys)


def derivative(spectra: SpectrumSet, window_nm: float, degree: int, order: int = 1) -> FloatArray:
    """Derivative of each spectrum along the wavelength, shape (n, p), in its unit per nm^`order`.

    Parameters
    ----------
    order : 1 to `degree`.
    window_nm, degree : as for `smoothed`; `degree` + 1 points are enough.

    Raises
    ------
    ValueError
        As for `smoothed`, or the polynomial has no such derivative.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> x = np.arange(400.0, 403.0, 0.5)
    >>> spectra = SpectrumSet(Axis(x, "nm"), (x * x)[np.newaxis], "T", ("a",))
    >>> print(f"{derivative(spectra, 2.0, 2, 2)[0, 2]:.6f}")
    2.000000
    """
    if not 1 <= order <= degree:
        raise ValueError(f"a derivative of order 1 to the degree {degree}, found {order}")
    return _fitted(spectra, window_nm, degree, order)


def extreme_derivative(
    spectra: SpectrumSet,
    place: Place,
    extreme: Literal["minimum", "maximum"],
    window_nm: float,
    degree: int,
) -> Values:
    """Largest or smallest first derivative in a band, in the unit of the set per nm, and its place.

    Between two points the derivative is the straight line through them. Other parameters as for
    `derivative`.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> x = np.arange(400.0, 411.0)
    >>> spectra = SpectrumSet(Axis(x, "nm"), ((x - 400) ** 2)[np.newaxis], "T", ("a",))
    >>> found = extreme_derivative(spectra, Place(low=403, high=407), "maximum", 4.0, 2)
    >>> print(f"{found.value[0]:.6f} {found.at[0]:g}")
    14.000000 407
    """
    where = place.on(spectra)
    if where.problem is not None:
        return Values.of_none(len(spectra), where.problem)
    slopes = derivative(spectra, window_nm, degree)
    found, holes = reduced(extreme, slopes, where), holes_in(slopes, where)
    reasons = {
        int(row): f"there is no derivative at {holes[row]:.10g} {spectra.axis.unit}: it needs the "
        "spectrum over half the window on both sides, with no value missing and points enough"
        for row in np.flatnonzero(~np.isnan(holes))
    }
    return Values(found.value, found.at, reasons)


@dataclass(frozen=True, eq=False)
class _Windows:
    """Windows of one number of points: around which points, where they begin, and the weights.

    `points` and `begins` have shape (k,), `weights` has shape (k, m).
    """

    points: npt.NDArray[np.intp]
    begins: npt.NDArray[np.intp]
    weights: FloatArray


def _fitted(spectra: SpectrumSet, window_nm: float, degree: int, order: int) -> FloatArray:
    if not 0 < window_nm < np.inf or degree not in range(6):
        raise ValueError(f"a window above zero and degree 0 to 5, found {window_nm} and {degree}")
    if spectra.axis.values[0] <= 0:
        return np.full(spectra.values.shape, np.nan)
    positions = _in_nm(spectra.axis)
    turned = turns_round(spectra.axis.unit, "nm")
    values = spectra.values[:, ::-1] if turned else spectra.values
    found = np.full(values.shape, np.nan)
    for each in _plan(positions.tobytes(), window_nm, degree, order):
        # differences to the point itself: a constant stays exactly what it is. One point of the
        # windows after the other, so that no sum depends on how many rows there are.
        own = values[:, as_slice(each.points)]
        total = np.zeros(own.shape)
        for number in range(each.weights.shape[1]):
            total += (values[:, as_slice(each.begins + number)] - own) * each.weights[:, number]
        found[:, each.points] = total if order else own + total
    return np.ascontiguousarray(found[:, ::-1]) if turned else found


def _in_nm(axis: Axis) -> FloatArray:
    """Positions of an axis in nm, ascending."""
    positions = convert_positions(axis.values, axis.unit, axis.medium, "nm")
    return positions[::-1] if turns_round(axis.unit, "nm") else positions


@lru_cache(maxsize=16)
def _plan(axis: bytes, window_nm: float, degree: int, order: int) -> tuple[_Windows, ...]:
    """Windows of all points of an axis that have a value; the axis as bytes, in nm."""
    return tuple(_windows(np.frombuffer(axis), window_nm, degree, order))


def _windows(x: FloatArray, window_nm: float, degree: int, order: int) -> Iterator[_Windows]:
    half = window_nm / 2.0
    reach, inside = half * (1 + EDGE), half * (1 - EDGE)
    begins = np.searchsorted(x, x - reach, side="left")
    counts = np.searchsorted(x, x + reach, side="right") - begins
    own = np.arange(x.size)
    fewest = degree + (1 if order else 2)
    has_value = (x - x[0] >= inside) & (x[-1] - x >= inside) & (counts >= fewest)
    has_value &= (begins < own) & (own < begins + counts - 1)
    for count in np.unique(counts[has_value]):
        all_points = np.flatnonzero(has_value & (counts == count))
        for first in range(0, all_points.size, MATRICES_AT_ONCE):
            points = all_points[first : first + MATRICES_AT_ONCE]
            within = begins[points, np.newaxis] + np.arange(count)
            offsets = (x[within] - x[points, np.newaxis]) / half
            powers = offsets[:, :, np.newaxis] ** np.arange(degree + 1)
            weights = np.linalg.pinv(powers)[:, order] * (factorial(order) / half**order)
            yield _Windows(points, begins[points], np.ascontiguousarray(weights))
