"""A known structure on the points of a spectrum, and what could be mistaken for it."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from speclake.fitness.gaslines import Lines
from speclake.spectrum import FloatArray

NEARBY = 0.25
"""Of a region, within which the noise of a point is taken to be that of its neighbours."""


@dataclass(frozen=True, eq=False)
class Region:
    """Where a structure is looked for.

    Parameters
    ----------
    low_nm, high_nm : ends in vacuum.
    core_nm : the stretch that a spectrum has to cover.
    degree_nm : width for which the trend gets one degree more, beyond 3.
    least_bandwidth_nm : the structure is drawn no finer than this.
    bands_nm : widths of rival single bands.
    """

    name: str
    low_nm: float
    high_nm: float
    core_nm: tuple[float, float]
    degree_nm: float
    least_bandwidth_nm: float
    bands_nm: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Design:
    """A structure on the points of a region, with all it is compared with.

    Parameters
    ----------
    at_nm : the points in vacuum, shape (p,).
    trend : orthonormal columns, shape (p, k).
    shapes : the structure for little of the gas and for much, each with its largest value 1.
    length : for each shape the quadratic form of the trend's coefficients that gives the sum of
        squares of level times shape without its trend, shape (2, k, k).
    nearby : weights that give the variance at each point, for each shape, shape (2, p, p).
    local_freedom : degrees of freedom of the local uncertainty, shape (2,).
    length_of_log : sum of squares of each shape without its trend, shape (2,).
    power : share of each frequency in the structure without its trend, shape (2, p // 2 + 1).
    rivals : pairs of orthonormal columns without a trend, shape (p, 2 m).
    coarse : every third of these pairs.
    displaced : single such columns, shape (p, d).
    """

    at_nm: FloatArray
    trend: FloatArray
    shapes: FloatArray
    length: FloatArray
    length_of_log: FloatArray
    nearby: FloatArray
    local_freedom: FloatArray
    power: FloatArray
    rivals: FloatArray
    coarse: FloatArray
    displaced: FloatArray


def drawn(lines: Lines, at_nm: FloatArray, bandwidth_nm: float, power: float = 1.0) -> FloatArray:
    """Lines seen through a triangular slit function, the largest value 1, shape (p,).

    Parameters
    ----------
    at_nm : in vacuum.
    bandwidth_nm : full width at half maximum of the triangle, which two equal slits give.
    power : 1 for weak lines, which absorb in proportion; 0.5 for strong ones, which absorb with the
        square root of their strength (curve of growth of broadened lines).
    """
    centre = 1e7 / lines.cm1
    strength = lines.strength**power
    away = np.abs(at_nm[:, None] - centre) / bandwidth_nm
    shape = np.maximum(1 - away, 0) @ strength
    top = shape.max(initial=0)
    return shape / top if top > 0 else shape


def design_for(lines: Lines, region: Region, at_nm: FloatArray, bandwidth_nm: float) -> Design:
    """Structure of some lines on given points, kept for the next spectrum that needs it."""
    width = max(bandwidth_nm, region.least_bandwidth_nm)
    return _design(lines, region, at_nm.tobytes(), width)


@lru_cache(maxsize=64)
def _design(lines: Lines, region: Region, points: bytes, bandwidth_nm: float) -> Design:
    at = np.frombuffer(points)
    span = at.max() - at.min()
    degree = 3 + round(span / region.degree_nm)
    scaled = 2 * (at - at.min()) / span - 1
    trend, _ = np.linalg.qr(np.polynomial.legendre.legvander(scaled, degree))
    shapes = np.stack([drawn(lines, at, bandwidth_nm, power) for power in (1.0, 0.5)])
    inner = [trend.T @ (shape[:, None] * trend) for shape in shapes]
    whole = [trend.T @ (shape[:, None] ** 2 * trend) for shape in shapes]
    bare = without(trend, shapes.T)
    local = [_nearby(at, trend, each) for each in bare.T]
    power = np.abs(np.fft.rfft(bare, axis=0).T) ** 2
    pairs = [_fringes(at), _bands(at, region.bands_nm)]
    rivals = [without(trend, each) for each in pairs if each.size]
    all_rivals = np.concatenate([_orthonormal(each) for each in rivals], axis=1)
    return Design(
        at_nm=at,
        trend=trend,
        shapes=shapes,
        length=np.stack([w - m @ m for w, m in zip(whole, inner, strict=True)]),
        length_of_log=(bare**2).sum(axis=0),
        nearby=np.stack([weights for weights, _ in local]),
        local_freedom=np.array([freedom for _, freedom in local]),
        power=power / power.sum(axis=1, keepdims=True),
        rivals=all_rivals,
        coarse=np.ascontiguousarray(
            all_rivals.reshape(at.size, -1, 2)[:, ::3].reshape(at.size, -1)
        ),
        displaced=_displaced(lines, at, bandwidth_nm, trend),
    )


def without(trend: FloatArray, columns: FloatArray) -> FloatArray:
    """Columns less what orthonormal ones explain of them, shape (p, m)."""
    left: FloatArray = columns - trend @ (trend.T @ columns)
    return left


def _orthonormal(columns: FloatArray) -> FloatArray:
    """Each pair of columns made orthonormal, shape (p, 2 m) as before."""
    p = columns.shape[0]
    pairs = columns.reshape(p, -1, 2).transpose(1, 0, 2)
    q, r = np.linalg.qr(pairs)
    # a column that the trend has eaten explains nothing
    sound = np.abs(np.diagonal(r, axis1=1, axis2=2)) > 1e-6
    q = q * sound[:, None, :]
    return np.ascontiguousarray(q.transpose(1, 0, 2)).reshape(p, -1)


def _fringes(at_nm: FloatArray) -> FloatArray:
    wavenumber = 1e7 / at_nm
    span = wavenumber.max() - wavenumber.min()
    most = at_nm.size / 2.2
    cycles = np.arange(1.0, most, 1 / 3)
    phase = 2 * np.pi * (wavenumber - wavenumber.min())[:, None] / span * cycles
    return np.stack([np.cos(phase), np.sin(phase)], axis=2).reshape(at_nm.size, -1)


def _bands(at_nm: FloatArray, widths_nm: tuple[float, ...]) -> FloatArray:
    columns = []
    for width in widths_nm:
        centres = np.arange(at_nm.min(), at_nm.max(), width / 3)
        away = (at_nm[:, None] - centres) / (width / 2.3548)
        bell = np.exp(-(away**2) / 2)
        # with its derivative beside it a band may sit between two of the places, or be skewed
        columns.append(np.stack([bell, bell * away], axis=2).reshape(at_nm.size, -1))
    return np.concatenate(columns, axis=1) if columns else np.empty((at_nm.size, 0))


def _displaced(
    lines: Lines, at_nm: FloatArray, bandwidth_nm: float, trend: FloatArray
) -> FloatArray:
    span = at_nm.max() - at_nm.min()
    away = span * np.array([-0.3, -0.2, -0.13, -0.08, 0.08, 0.13, 0.2, 0.3])
    away = away[np.abs(away) > bandwidth_nm / 2]
    columns = [drawn(lines, at_nm - each, bandwidth_nm) for each in away]
    if not columns:
        return np.empty((at_nm.size, 0))
    left = without(trend, np.array(columns).T)
    norm = np.linalg.norm(left, axis=0)
    return left / np.where(norm > 0, norm, 1)


def _nearby(at_nm: FloatArray, trend: FloatArray, bare: FloatArray) -> tuple[FloatArray, float]:
    """Weights that give the variance at each point from the residuals nearby, shape (p, p).

    Weights fall linearly to 0 at `NEARBY` of the region. They make up for what trend and structure
    took of each residual, so that noise that is the same everywhere gives its variance (J. G.
    MacKinnon and H. White, J. Econometrics 29 (1985) 305, HC2, with neighbours taken together).

    Returns
    -------
    The weights, and the degrees of freedom of a variance taken with them: those of the chi-square
    variable of the same mean and variance; R. M. Bell and D. F. McCaffrey, Survey Methodology 28
    (2002) 169.
    """
    along = bare / np.linalg.norm(bare)
    left = np.eye(bare.size) - trend @ trend.T - np.outer(along, along)
    reach = NEARBY * (at_nm.max() - at_nm.min())
    weights = np.maximum(1 - np.abs(at_nm[:, None] - at_nm) / reach, 0)
    weights /= np.maximum(weights @ np.diag(left), 1e-3)[:, None]
    of_residual = along**2 @ weights
    mean = float(of_residual @ np.diag(left))
    return weights, mean**2 / float(of_residual @ left**2 @ of_residual)
