"""Probability that a true value lies inside its limits."""

import math
from collections.abc import Sequence

import numpy as np

from speclake.judging.uncertainty import Uncertainty
from speclake.spectrum import FloatArray


def conformity_of(
    value: FloatArray,
    limits: Sequence[float | None],
    uncertainty: Uncertainty,
) -> FloatArray:
    """Probability of each value that the true one lies inside the limits, shape (n,).

    `limits` are the lower and the upper one, None where there is none.

    The true value is taken as normal about the value found, with the standard uncertainty u and
    nothing known before: F((high - y)/u) - F((low - y)/u) with the normal distribution F. NaN where
    the uncertainty is not known or zero.

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4; clause numbers from memory.

    Examples
    --------
    >>> u = Uncertainty(np.array([0.1]), np.array([2.0]), np.array([np.nan]))
    >>> round(float(conformity_of(np.array([-5.47]), (None, -5.40), u)[0]), 4)
    0.9192
    """
    found = np.full(value.shape, np.nan)
    standard = uncertainty.standard
    rows = (standard > 0) & ~np.isnan(value)
    if not rows.any():
        return found
    beyond = np.zeros(np.count_nonzero(rows))
    for limit, inwards in zip(limits, (1.0, -1.0), strict=True):
        if limit is not None:
            beyond += _tail(inwards * (value[rows] - limit) / standard[rows])
    # what lies beyond is summed, not what lies inside: the sum of two small tails keeps its digits
    found[rows] = 1.0 - np.minimum(beyond, 1.0)
    return found


def _tail(distance: FloatArray) -> FloatArray:
    """Probability of a normal number that is farther out than a distance in its unit."""
    return np.array([0.5 * math.erfc(each / math.sqrt(2)) for each in distance.tolist()])
