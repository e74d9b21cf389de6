"""Parabolas through three neighbouring points of spectra."""

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

Indices = npt.NDArray[np.intp]


def vertices(
    x: FloatArray, values: FloatArray, rows: Indices, middles: Indices
) -> tuple[FloatArray, FloatArray]:
    """Height and position of the vertex of the parabola through three neighbouring points.

    Three points on a straight line have the middle one for a vertex.

    Parameters
    ----------
    x : shape (q,), strictly rising or falling, of any spacing.
    values : shape (n, q).
    rows, middles : shape (k,), row and middle point of each parabola, no point at an end.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 3.0])
    >>> one = np.array([0])
    >>> height, at = vertices(x, np.array([4 - (x - 2) ** 2]), one, one)
    >>> print(height, at)
    [4.] [2.]
    """
    left, right = x[middles - 1] - x[middles], x[middles + 1] - x[middles]
    height = values[rows, middles]
    down_left, down_right = values[rows, middles - 1] - height, values[rows, middles + 1] - height
    curvature = (down_left / left - down_right / right) / (left - right)
    slope = down_left / left - curvature * left
    is_flat = curvature == 0
    shift = np.where(is_flat, 0.0, -slope / np.where(is_flat, 1.0, 2.0 * curvature))
    return height + shift * (slope + curvature * shift), x[middles] + shift
