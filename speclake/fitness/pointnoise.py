"""Noise from point to point, told apart from structure by differences of a high order.

The sixth difference of seven neighbouring points takes away every polynomial up to the fifth
degree and nearly all of what is broader than the seven points. Of the amplitude of a fringe it
leaves, as rms, 0.065 at 5 points a period, 0.0014 at 10 and 0.00002 at 20. What remains is noise;
with a sum of squared weights of one it has the variance of one point. The mean square is taken in
blocks of about 16 differences and the median over the blocks is the noise, so that bands, edges and
spikes in a few of them hardly count: in a quarter of them they raise it by a fifth. Noise that
neighbours share, as after smoothing, is seen in part only; `shared_noise` tells how far.

That differences of a high order show the noise of one point is common practice for spectra and time
series; for the sequence of orders see J. von Neumann and others, The mean square successive
difference, Annals of Mathematical Statistics 12 (1941) 153-162.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import comb, pi

import numpy as np

from speclake.spectrum import FloatArray

ORDER = 6
BLOCK = 16
"""Differences of one block."""
FEWEST = 10
"""Differences below which a noise says too little: it would be known to 40 %."""
STEEPER_ORDER = 10
STRUCTURE_FROM = 1.5
"""Noise by differences of order 6 over that of order 10 from which it is structure, not noise."""
EVEN = 1e-6
"""Relative to a step; steps that differ by less count as equal."""


@dataclass(frozen=True, eq=False)
class PointNoise:
    """Noise of each row, shape (n,), in the unit of the values; NaN where nothing could be said.

    Parameters
    ----------
    relative_uncertainty : standard uncertainty of `noise` over it, for independent normal noise.
    """

    noise: FloatArray
    relative_uncertainty: float


def point_noise(values: FloatArray, positions: FloatArray, order: int = ORDER) -> PointNoise:
    """Standard deviation of the noise of single points, shape (n,).

    A difference with a missing value in it is left out with its block.

    Parameters
    ----------
    values : shape (n, q).
    positions : shape (q,), strictly rising, in the unit in which the steps are most even.
    order : even; higher ones see less of structure and less of the noise that neighbours share.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(0, 0.05, 4000)
    >>> x = np.arange(4000.0)
    >>> found = point_noise((90 + 5 * np.sin(x / 5) + noise)[np.newaxis], x)
    >>> print(f"{found.noise[0]:.3f} {found.relative_uncertainty:.3f}")
    0.049 0.024
    """
    if positions.size - order < FEWEST:
        return PointNoise(np.full(len(values), np.nan), np.nan)
    return noise_of(squared_differences(values, positions, order), order)


def noise_of(squares: FloatArray, order: int = ORDER) -> PointNoise:
    """The noise that `point_noise` finds, from differences already taken.

    Parameters
    ----------
    squares : shape (n, q - order), of neighbouring `squared_differences`; they may be a slice, in
        which case the points are those from its start to `order` points behind its end.
    """
    count = squares.shape[1]
    if count < FEWEST:
        return PointNoise(np.full(len(squares), np.nan), np.nan)
    blocks = max(1, count // BLOCK)
    starts = np.arange(blocks) * count // blocks
    means = np.add.reduceat(squares, starts, axis=1) / np.diff(np.append(starts, count))
    means.sort(axis=1)  # missing ones last
    there = means.shape[1] - np.isnan(means).sum(axis=1)
    rows = np.arange(len(means))
    low, high = np.maximum(there - 1, 0) // 2, np.minimum(there // 2, blocks - 1)
    middle = (means[rows, low] + means[rows, high]) / 2.0
    freedom = _freedom(order, count // blocks)
    noise = np.sqrt(middle / _median_of_mean_square(freedom, blocks))
    spread = 1 / (2 * freedom) if blocks < 3 else pi / (4 * freedom * blocks)
    return PointNoise(noise, float(np.sqrt(spread)))


def squared_differences(
    values: FloatArray, positions: FloatArray, order: int = ORDER
) -> FloatArray:
    """Squares of differences with the variance of one point, shape (n, q - order).

    Parameters
    ----------
    values, positions, order : as for `point_noise`; more points than the order.
    """
    steps = positions[1:] - positions[:-1]
    if steps.max() - steps.min() <= EVEN * steps[0]:
        found = values
        for _ in range(order):
            found = found[:, 1:] - found[:, :-1]
        squares: FloatArray = found * found
        squares /= comb(2 * order, order)
        return squares
    weights = _divided(positions.tobytes(), order)
    count = positions.size - order
    total = values[:, :count] * weights[:, 0]
    for number in range(1, order + 1):
        total += values[:, number : number + count] * weights[:, number]
    return total * total


@lru_cache(maxsize=32)
def _divided(positions: bytes, order: int) -> FloatArray:
    """Weights of divided differences, squares summing to one, shape (q - order, order + 1)."""
    points = np.lib.stride_tricks.sliding_window_view(np.frombuffer(positions), order + 1)
    scaled = (points - points[:, :1]) / (points[:, -1:] - points[:, :1])
    apart = scaled[:, :, np.newaxis] - scaled[:, np.newaxis, :]
    apart[:, np.arange(order + 1), np.arange(order + 1)] = 1.0
    weights: FloatArray = 1.0 / apart.prod(axis=2)
    weights /= np.sqrt((weights * weights).sum(axis=1, keepdims=True))
    return weights


@lru_cache(maxsize=64)
def _freedom(order: int, count: int) -> float:
    """Degrees of freedom of the mean square of neighbouring differences, which are alike.

    F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114: squared trace over trace of square.
    """
    alike = [comb(2 * order, order + lag) / comb(2 * order, order) for lag in range(order + 1)]
    pairs = count + 2 * sum(
        (count - lag) * alike[lag] ** 2 for lag in range(1, min(order + 1, count))
    )
    return count * count / pairs


@lru_cache(maxsize=64)
def _median_of_mean_square(freedom: float, blocks: int) -> float:
    """Median of a mean square over its expectation; of one or two blocks the mean is taken."""
    if blocks < 3:
        return 1.0
    from scipy.special import gammaincinv

    return float(2.0 * gammaincinv(freedom / 2.0, 0.5) / freedom)


@dataclass(frozen=True, eq=False)
class SharedNoise:
    """Noise seen with points left out between, each of shape (n,).

    Parameters
    ----------
    noise : largest of what was seen at each number of points left out.
    points : over how many neighbouring points the noise is alike; 1 where it is not.
    relative_uncertainty : that of `point_noise`, a lower end.
    """

    noise: FloatArray
    points: FloatArray
    relative_uncertainty: float


SPACINGS = (2, 3, 5, 8)
"""Distances of the points taken, in points."""
ALIKE_FROM = 1.4
"""Noise at a wider spacing over that of all points from which neighbours count as alike.

With independent noise the ratio is 1; after a mean of three points it is 2.4.
"""
AS_GOOD_AS_ALL = 0.9


def shared_noise(values: FloatArray, positions: FloatArray) -> SharedNoise:
    """Noise where neighbouring points share it, as after smoothing or with a slow response.

    Differences of neighbours do not show what these have in common; those of every second, third,
    fifth and eighth point do, as long as the noise is alike over fewer points than that. Structure
    of the sample rises likewise, so the result is an upper end where there is any.

    Parameters
    ----------
    values, positions : as for `point_noise`.
    """
    own = point_noise(values, positions)
    noise, points = own.noise.copy(), np.ones(len(values))
    for spacing in SPACINGS:
        wider = point_noise(values[:, ::spacing], positions[::spacing])
        doubt = np.hypot(own.relative_uncertainty, wider.relative_uncertainty)
        with np.errstate(invalid="ignore"):
            alike = wider.noise > own.noise * max(ALIKE_FROM, 1 + 3 * doubt)
            more = alike & (wider.noise * AS_GOOD_AS_ALL > noise)
        noise[more], points[more] = wider.noise[more], spacing
    return SharedNoise(noise, points, own.relative_uncertainty)


FARTHER = (2, 3, 5, 8, 13)
"""Distances of the points taken, in points, as long as no structure is seen."""

MOST_SHARED = 8.0
"""Noise of points far apart over that of neighbours that is believed; after a mean of nine points
it is 4.2, after one of 15 it is 5.2, and a curve without noise shows any."""


def shared_by(values: FloatArray, positions: FloatArray) -> tuple[float, int]:
    """Noise of single points of one scan, and over how many of them it is alike.

    As `shared_noise`, but for scans in which a value or a mean is taken: bands and fringes rise
    with the distance of the points too, and are no noise. Differences of an even higher order tell:
    they see as much of noise, and less of structure. Beyond it nothing is looked at.

    Parameters
    ----------
    values, positions : shape (q,).

    Returns
    -------
    Noise, NaN where there are too few points, and the number of points, 1 where it is independent.
    """
    row = values[np.newaxis]
    own = point_noise(row, positions)
    noise, points = float(own.noise[0]), 1
    for spacing in (1, *FARTHER):
        wider = point_noise(row[:, ::spacing], positions[::spacing])
        steeper = point_noise(row[:, ::spacing], positions[::spacing], STEEPER_ORDER)
        seen = float(wider.noise[0])
        own_noise = float(own.noise[0])
        if not seen <= min(STRUCTURE_FROM * float(steeper.noise[0]), MOST_SHARED * own_noise):
            break
        doubt = float(np.hypot(own.relative_uncertainty, wider.relative_uncertainty))
        alike = seen > own_noise * max(ALIKE_FROM, 1.0 + 2.0 * doubt)
        if alike and seen * AS_GOOD_AS_ALL > noise:
            noise, points = seen, spacing
    return noise, points
