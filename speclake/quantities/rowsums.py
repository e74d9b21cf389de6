"""Weighted sums along each spectrum of many, in an order that depends on that spectrum alone."""

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

VALUES_AT_ONCE = 32_768
"""Values that a sum works on at once, few enough to stay in the processor's cache."""


def weighted_rises(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sum of what each value of a row lies above the first one, shape (n,).

    With weights that sum to one, a row's mean is its first value and this: a constant then has
    exactly its own value as mean. NumPy adds each row on its own, pairwise along its points; a
    matrix product would add in an order that depends on how many rows there are.

    Parameters
    ----------
    values : shape (n, q), q not zero.
    weights : shape (q,).
    """
    rows = max(1, VALUES_AT_ONCE // weights.size)
    products = np.empty((min(rows, values.shape[0]), weights.size))
    sums = np.empty(values.shape[0])
    for begin in range(0, values.shape[0], rows):
        block = values[begin : begin + rows]
        part = products[: block.shape[0]]
        np.subtract(block, block[:, :1], out=part)
        np.multiply(part, weights, out=part)
        np.add.reduce(part, axis=1, out=sums[begin : begin + rows])
    return sums


def trapezoid_weights(positions: FloatArray) -> FloatArray:
    """Weight of each point in the mean by trapezoids; their sum is one.

    Parameters
    ----------
    positions : shape (q,), strictly rising or falling, q at least 2.
    """
    widths = np.abs(np.diff(positions))
    weights = (np.append(widths, 0.0) + np.append(0.0, widths)) / 2.0
    shares: FloatArray = weights / weights.sum()
    return shares


def as_slice(points: npt.NDArray[np.intp]) -> slice | npt.NDArray[np.intp]:
    """Points as a slice where they come at even steps, so that nothing need be copied."""
    steps = np.diff(points)
    step = int(steps[0]) if steps.size else 1
    if step < 1 or (steps != step).any():
        return points
    return slice(int(points[0]), int(points[-1]) + 1, step)
