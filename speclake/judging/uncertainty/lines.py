"""Lines of a budget on the points of an axis: their sizes, and what they come to in a sum."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from speclake.specs.requirements.uncertainty import BudgetLine
from speclake.spectrum import Axis, FloatArray
from speclake.units import SpectralUnit, convert_positions, exact_factor

SMALLEST_POSITION = 1e-6


def nanometres(axis: Axis) -> FloatArray:
    """Positions of an axis in nm; air and vacuum differ by 0.03 % only, which no budget tells."""
    if axis.unit == "nm":
        return axis.values
    # an axis in wavenumbers may begin at zero, which has no wavelength and no place in a band
    above = np.maximum(axis.values, SMALLEST_POSITION)
    return convert_positions(above, axis.unit, "vacuum", "nm", "vacuum")


@dataclass(frozen=True, eq=False)
class Points:
    """Values of spectra on some points of an axis.

    Parameters
    ----------
    values : shape (n, q), in `unit`.
    at_nm : shape (q,), or (n, q) where each spectrum has points of its own.
    slopes : gives those at the points, shape (n, q), in `unit` per nm, where a line asks for them.
    """

    values: FloatArray
    unit: SpectralUnit
    at_nm: FloatArray
    slopes: Callable[[], FloatArray]


def sizes(line: BudgetLine, points: Points) -> FloatArray:
    """Standard uncertainty that a line gives each value, with the sign in which the errors go.

    Shape (n, q), or (1, q) where the spectrum does not matter. A scale that reads too high by one
    nanometre makes a rising spectrum read too low by its slope.
    """
    if line.unit == "nm":
        return points.slopes() * -line.standard
    if line.unit == "% of the value":
        return points.values * (line.standard / 100.0)
    return np.full((1, points.values.shape[1]), size_in(line, points.unit))


def size_in(line: BudgetLine, unit: SpectralUnit) -> float:
    """Standard uncertainty of a line that counts in a unit of values, in another such unit."""
    assert line.unit != "nm" and line.unit != "% of the value"
    factor = exact_factor(line.unit, unit)
    assert factor is not None  # the requirement refuses other units
    return line.standard * float(factor)


def variance(line: BudgetLine, parts: FloatArray, at_nm: FloatArray) -> FloatArray:
    """Variance of a sum, shape (n,): of parts that a line gives it, with their correlation.

    Parameters
    ----------
    parts : shape (n, q), sensitivity of the sum to each value times the size of the line there.
    at_nm : shape (q,) or (n, q).

    References
    ----------
    JCGM 100:2008, equation 16: the sum over i and j of c_i c_j u_i u_j r_ij.
    """
    parts = np.ascontiguousarray(parts)
    if line.correlation == "full":
        total: FloatArray = np.add.reduce(parts, axis=1)
        return total**2
    found: FloatArray = np.add.reduce(parts**2, axis=1)
    if line.correlation == "none" or parts.shape[1] < 2:
        return found
    assert line.correlation_length_nm is not None  # the line asks for it
    kept = np.exp(-np.abs(np.diff(at_nm, axis=-1)) / line.correlation_length_nm)
    # what went before, weighted by how far it is alike, is carried along from point to point
    carried = np.zeros(parts.shape[0])
    for point in range(1, parts.shape[1]):
        carried = (carried + parts[:, point - 1]) * kept[..., point - 1]
        found = found + 2.0 * parts[:, point] * carried
    return np.maximum(found, 0.0)


def slopes(values: FloatArray, at_nm: FloatArray) -> FloatArray:
    """Slope of each spectrum at its points per nm, from the neighbours on both sides.

    At an end, and beside a missing value, from the one neighbour that is there; NaN without any.

    Parameters
    ----------
    values : shape (n, p).
    at_nm : shape (p,), rising or falling.
    """
    steps = np.diff(at_nm)
    rises = np.diff(values, axis=1) / steps
    gap = np.full((values.shape[0], 1), np.nan)
    before, after = np.hstack((gap, rises)), np.hstack((rises, gap))
    left, right = np.append(np.nan, steps), np.append(steps, np.nan)
    # the parabola through three points, of which the steps may differ
    between = (before * right + after * left) / (left + right)
    return np.where(np.isnan(before), after, np.where(np.isnan(after), before, between))
