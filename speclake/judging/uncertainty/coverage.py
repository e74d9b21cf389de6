"""From a standard to an expanded uncertainty: coverage factors and degrees of freedom."""

from functools import cache
from math import cos, inf, pi, sin, sqrt, tan
from statistics import NormalDist

import numpy as np

from speclake.spectrum import FloatArray

MANY_DEGREES = 10_000
"""From so many degrees of freedom on the normal distribution stands in; k differs by 0.01 %."""


def effective_degrees_of_freedom(
    standard: FloatArray, contributions: FloatArray, degrees_of_freedom: FloatArray
) -> FloatArray:
    """Degrees of freedom of combined standard uncertainties, shape (n,), cut to whole numbers.

    Parameters
    ----------
    standard : shape (n,), combined standard uncertainties.
    contributions : shape (n, m), standard uncertainties that are parts of them.
    degrees_of_freedom : shape (m,), of the contributions.

    References
    ----------
    JCGM 100:2008, G.4.1 and equation G.2b (Welch-Satterthwaite).

    Examples
    --------
    Example H.1 of JCGM 100:2008, an end gauge, in nm.

    >>> parts = np.array([[25.0, 5.8, 3.9, 6.7, 2.9, 16.6]])
    >>> whole = np.sqrt((parts**2).sum(axis=1))
    >>> effective_degrees_of_freedom(whole, parts, np.array([18.0, 24.0, 5.0, 8.0, 50.0, 2.0]))
    array([16.])
    """
    spread = np.add.reduce(contributions**4 / degrees_of_freedom, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # where one contribution is the whole, rounding must not take a degree of freedom
        found = np.floor(standard**4 / spread * (1 + 1e-9))
    return np.where(spread > 0, np.fmax(found, 1.0), inf)


@cache
def coverage_factor(coverage: float, degrees_of_freedom: float) -> float:
    """Factor k of an interval that covers a share of Student's distribution, on both sides.

    References
    ----------
    M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4; JCGM
    100:2008, table G.2.

    Examples
    --------
    >>> print(f"{coverage_factor(0.95, 16):.2f} {coverage_factor(0.99, 16):.2f}")
    2.12 2.92
    """
    if degrees_of_freedom >= MANY_DEGREES:
        return NormalDist().inv_cdf((1 + coverage) / 2)
    freedom = int(degrees_of_freedom)
    low, high = 0.0, pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        is_less = _covered(middle, freedom) < coverage
        low, high = (middle, high) if is_less else (low, middle)
    return sqrt(freedom) * tan((low + high) / 2)


def _covered(angle: float, freedom: int) -> float:
    """Share of Student's distribution within ±t, where t is tan(`angle`) times the root."""
    if freedom == 1:
        return 2 * angle / pi
    term, total, first = 1.0, 0.0, freedom % 2
    if first:
        term = cos(angle)
    for number in range(first + 2, freedom + 1, 2):
        total += term
        term *= (number - 1) / number * cos(angle) ** 2
    return total * sin(angle) if not first else 2 / pi * (angle + sin(angle) * total)
