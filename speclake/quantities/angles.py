"""A series over the angle of incidence: one number of each angle, and what they say together.

The numbers of n series at k angles stand in arrays of shape (n, k); where they come from (an edge,
the place of an extreme, a mean) is for the caller to choose, and must be the same at every angle. A
series that lacks one number has no answer.
"""

from typing import Literal

import numpy as np

from speclake.quantities.rowsums import weighted_rises
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray

Spread = Literal["range", "smallest", "largest", "mean"]
Shift = Literal["lowest", "highest", "at the largest angle"]


def spread_over_angles(numbers: FloatArray, spread: Spread) -> FloatArray:
    """One number of each series, shape (n,), in the unit of the numbers.

    Parameters
    ----------
    numbers : shape (n, k); a NaN makes the answer of its series NaN.
    spread : ``range``, the largest less the smallest; ``smallest``; ``largest``; or ``mean``, the
        plain average, each angle counting the same.

    Examples
    --------
    >>> spread_over_angles(np.array([[550.0, 548.5, 544.0]]), "range")
    array([6.])
    """
    by_row = np.ascontiguousarray(numbers)
    if spread == "range":
        return _largest(by_row) - _smallest(by_row)
    if spread == "mean":
        shares = np.full(by_row.shape[1], 1.0 / by_row.shape[1])
        return by_row[:, 0] + weighted_rises(by_row, shares)
    return _smallest(by_row) if spread == "smallest" else _largest(by_row)


def shift_over_angles(numbers: FloatArray, angles_deg: FloatArray, shift: Shift) -> FloatArray:
    """Shift of the number from the smallest angle, shape (n,), with its sign.

    Parameters
    ----------
    numbers, angles_deg : shape (n, k); two angles or more, in any order.
    shift : which of the k - 1 shifts: the ``lowest``, so the one farthest down; the ``highest``; or
        the one ``at the largest angle``.

    Examples
    --------
    >>> angles = np.array([[0.0, 15.0, 30.0]])
    >>> shift_over_angles(np.array([[550.0, 548.5, 544.0]]), angles, "lowest")
    array([-6.])
    """
    order = np.argsort(angles_deg, axis=1, kind="stable")
    by_angle = np.take_along_axis(numbers, order, axis=1)
    shifts: FloatArray = by_angle[:, 1:] - by_angle[:, :1]
    if shift == "at the largest angle":
        return shifts[:, -1]
    return _smallest(shifts) if shift == "lowest" else _largest(shifts)


def effective_index(
    wavelengths: FloatArray, angles_deg: FloatArray, largest_misfit: float | None = None
) -> Values:
    """Effective index of a coating, from how a feature moves with the angle in air.

    lambda(theta) = lambda0 sqrt(1 - sin^2(theta) / n^2): the square of the wavelength is a straight
    line over sin^2(theta), which is fitted by least squares, every angle counting the same. Two
    angles give it exactly; none of them needs to be 0 degrees.

    Parameters
    ----------
    wavelengths : shape (n, k), place of the feature at each angle; all in one unit of wavelength.
    angles_deg : shape (n, k), angles of incidence in air.
    largest_misfit : largest distance from the fitted curve that is tolerated, in the unit of the
        wavelengths; None tolerates any.

    Notes
    -----
    n is a property of the feature and not of a material: it lies between the indices of the layers
    and depends on the design, on the order, on polarisation beyond moderate angles, and a little on
    the angle itself, which is what `largest_misfit` is for.

    References
    ----------
    Common practice for interference filters; the formula as handbooks of thin-film filters give it,
    from memory.

    Examples
    --------
    A feature of index 2 at 1000 nm: sin^2(30 degrees) = 1/4, and 1 - 1/16 = 0.9375.

    >>> places = np.array([[1000.0, 1000.0 * np.sqrt(0.9375)]])
    >>> effective_index(places, np.array([[0.0, 30.0]])).value.round(9)
    array([2.])
    """
    sines = np.sin(np.deg2rad(angles_deg)) ** 2
    squares = wavelengths**2
    mean_x, mean_y = _row_means(sines), _row_means(squares)
    x, y = sines - mean_x, squares - mean_y
    slope = _row_means(x * y) / _row_means(x * x)
    intercept = mean_y - slope * mean_x
    reasons: dict[int, str] = {}
    for row in np.flatnonzero(slope >= 0):
        reasons[int(row)] = "the position does not move to shorter wavelengths with the angle"
    falls = slope < 0
    index = np.sqrt(np.divide(intercept, -slope, out=np.full_like(slope, np.nan), where=falls))
    for row in np.flatnonzero(index < 1.0):
        reasons[int(row)] = "the position moves farther with the angle than an index of 1 allows"
    if largest_misfit is not None:
        fitted = np.sqrt(np.maximum(intercept + slope * sines, 0.0))
        misfit = np.abs(wavelengths - fitted).max(axis=1)
        for row in np.flatnonzero(misfit > largest_misfit):
            reasons.setdefault(
                int(row),
                f"the positions lie up to {misfit[row]:.3g} from the fitted curve; the largest "
                f"tolerated is {largest_misfit:g}",
            )
    return Values(blanked(index[:, 0], reasons), None, reasons)


def _smallest(values: FloatArray) -> FloatArray:
    found: FloatArray = np.minimum.reduce(values, axis=1)
    return found


def _largest(values: FloatArray) -> FloatArray:
    found: FloatArray = np.maximum.reduce(values, axis=1)
    return found


def _row_means(values: FloatArray) -> FloatArray:
    """Mean of each row, shape (n, 1), each summed in one fixed order."""
    sums: FloatArray = np.add.reduce(np.ascontiguousarray(values), axis=1, keepdims=True)
    means: FloatArray = sums / values.shape[1]
    return means
