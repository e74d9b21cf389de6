"""A known structure in a spectrum: how much of it, and whether anything else explains it better.

A spectrum over a region is taken as a trend, a times the structure, and noise. The trend is a
polynomial that is too stiff to follow the structure. Absorbances add the structure; values of T and
R lose ``ln 10 * level * structure``, the level being the trend alone. a is that of least squares,
and its standard uncertainty follows from the residuals. Where neighbouring residuals are alike with
the correlation r, as after smoothing, it is widened by ``sqrt((1 + r) / (1 - r))``, or by the root
of their power at the frequencies of the structure over their mean power if that is more. Noise that
is stronger where the structure is strong, as towards the end of a lamp, asks for a second
uncertainty, from the residuals near the points on which the amount hangs; both have to be exceeded.

Any spectrum with features has some likeness to any structure, so a large a is not enough. The
structure has to explain more of the spectrum than each of its rivals: sinusoids in wavenumber
(fringes), single bands of any place and width (absorption of a material), and the structure itself
at other places.
"""

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np

from speclake.fitness.gaslines import Lines
from speclake.spectrum import FloatArray

LN_10 = float(np.log(10))
NEARBY = 0.25
"""Of a region, within which the noise of a point is taken to be that of its neighbours."""
ROWS = 128
"""Rows of a block, so that it fits the cache."""


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
    nearby : weights of `_nearby` for each shape, shape (2, p, p).
    local_freedom : degrees of freedom of the local uncertainty, shape (2,).
    length_of_log : sum of squares of each shape without its trend, shape (2,).
    power : share of each frequency in the structure without its trend, shape (2, p // 2 + 1).
    rivals : pairs of orthonormal columns without a trend, shape (p, 2 m).
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
    displaced: FloatArray


@dataclass(frozen=True, eq=False)
class Match:
    """What was found in each row, shape (n,).

    Parameters
    ----------
    amount : absorbance at the strongest place of the structure, either sign.
    uncertainty : standard, k = 1.
    freedom : degrees of freedom of that uncertainty.
    local_uncertainty, local_freedom : the same for noise that differs from point to point.
    place : index of the point where the structure is strongest.
    level : the trend there.
    is_best : whether the structure explains more than each rival; asked only of rows that were
        `wanted`.
    """

    amount: FloatArray
    uncertainty: FloatArray
    freedom: FloatArray
    local_uncertainty: FloatArray
    local_freedom: FloatArray
    place: FloatArray
    level: FloatArray
    is_best: np.ndarray


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
    bare = _without(trend, shapes.T)
    local = [_nearby(at, trend, each) for each in bare.T]
    power = np.abs(np.fft.rfft(bare, axis=0).T) ** 2
    pairs = [_fringes(at), _bands(at, region.bands_nm)]
    rivals = [_without(trend, each) for each in pairs if each.size]
    return Design(
        at_nm=at,
        trend=trend,
        shapes=shapes,
        length=np.stack([w - m @ m for w, m in zip(whole, inner, strict=True)]),
        length_of_log=(bare**2).sum(axis=0),
        nearby=np.stack([weights for weights, _ in local]),
        local_freedom=np.array([freedom for _, freedom in local]),
        power=power / power.sum(axis=1, keepdims=True),
        rivals=np.concatenate([_orthonormal(each) for each in rivals], axis=1),
        displaced=_displaced(lines, at, bandwidth_nm, trend),
    )


def _without(trend: FloatArray, columns: FloatArray) -> FloatArray:
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
    left = _without(trend, np.array(columns).T)
    norm = np.linalg.norm(left, axis=0)
    return left / np.where(norm > 0, norm, 1)


def matched(values: FloatArray, design: Design, is_log: bool, wanted: float) -> Match:
    """How much of a structure each row holds; 0 ± infinity where it is surely below `wanted`.

    Parameters
    ----------
    values : finite, shape (n, p), in the order of ``design.at_nm``.
    is_log : whether they are absorbances or log(1/R); otherwise they are fractions or percent.
    wanted : how many standard uncertainties make it worth while to ask the rivals.
    """
    blocks = [
        _block(values[i : i + ROWS], design, is_log, wanted) for i in range(0, len(values), ROWS)
    ]
    names = [each.name for each in fields(Match)]
    return Match(**{name: np.concatenate([getattr(b, name) for b in blocks]) for name in names})


def _block(values: FloatArray, design: Design, is_log: bool, wanted: float) -> Match:
    trend, shapes = design.trend, design.shapes
    coefficients = values @ trend
    level = coefficients @ trend.T
    left = values - level
    freedom = values.shape[1] - trend.shape[1] - 1
    if is_log:
        along = left @ shapes.T
        length = np.broadcast_to(design.length_of_log, along.shape)
    else:
        along = -LN_10 * (left * level) @ shapes.T
        # the part of level times shape that no trend can follow, from the coefficients alone
        pairs = np.einsum("ij,sjk,ik->is", coefficients, design.length, coefficients)
        length = LN_10**2 * np.maximum(pairs, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = np.where(length > 0, along * along / length, 0.0)
    best = explained.argmax(axis=1)
    found = _nothing(len(values))
    found.place[:] = shapes.argmax(axis=1)[best]
    size = np.einsum("ij,ij->i", left, left)
    most = np.take_along_axis(explained, best[:, None], axis=1)[:, 0]
    # with white noise, the least that it can be, the amount would be as many uncertainties
    asked = np.flatnonzero(
        (most * freedom > wanted**2 * (size - most)) & (most > 1e-20 * size) & (most > 0)
    )
    for s in np.unique(best[asked]):
        rows = asked[best[asked] == s]
        shape = shapes[s]
        column = np.broadcast_to(shape, (rows.size, shape.size))
        column = column if is_log else -LN_10 * level[rows] * shape
        column = column - (column @ trend) @ trend.T
        amount = along[rows, s] / length[rows, s]
        residual = left[rows] - amount[:, None] * column
        found.amount[rows] = amount
        found.uncertainty[rows], found.freedom[rows] = _uncertainty(
            residual, length[rows, s], freedom, design.power[s]
        )
        found.local_uncertainty[rows] = _local(residual, column, length[rows, s], design.nearby[s])
        found.local_freedom[rows] = design.local_freedom[s]
        found.level[rows] = level[rows, int(shape.argmax())]
        found.is_best[rows] = most[rows] > _by_rivals(left[rows], design)
    return found


def _nothing(n: int) -> Match:
    return Match(
        amount=np.zeros(n),
        uncertainty=np.full(n, np.inf),
        freedom=np.ones(n),
        local_uncertainty=np.full(n, np.inf),
        local_freedom=np.ones(n),
        place=np.zeros(n),
        level=np.zeros(n),
        is_best=np.zeros(n, dtype=bool),
    )


def _uncertainty(
    residual: FloatArray, length: FloatArray, freedom: int, power: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainty of the amount, and its degrees of freedom."""
    square = np.einsum("ij,ij->i", residual, residual)
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = np.einsum("ij,ij->i", residual[:, 1:], residual[:, :-1]) / square
        alike = np.clip(np.nan_to_num(alike), 0.0, 0.95)
        density = np.abs(np.fft.rfft(residual, axis=1)) ** 2
        # what was fitted took its part of the power
        relative = (density @ power) / (square * residual.shape[1] / freedom)
        wider = np.maximum((1 + alike) / (1 - alike), np.nan_to_num(relative))
        found = np.sqrt(square / freedom * wider / length)
    # of so many independent points, the fit took as many as of the others
    points = residual.shape[1]
    left = points / wider - (points - freedom)
    return np.where(np.isfinite(found), found, np.inf), np.maximum(left, 3.0)


def _local(
    residual: FloatArray, column: FloatArray, length: FloatArray, nearby: FloatArray
) -> FloatArray:
    """Standard uncertainty of the amount where the noise changes slowly along the axis."""
    return np.asarray(np.sqrt(((column**2 @ nearby) * residual**2).sum(axis=1)) / length)


def _nearby(at_nm: FloatArray, trend: FloatArray, bare: FloatArray) -> tuple[FloatArray, float]:
    """Weights that give the variance at each point from the residuals nearby, shape (p, p).

    Weights fall linearly to 0 at `NEARBY` of the region. They make up for what trend and structure
    took of each residual, so that noise that is the same everywhere gives its variance (J. G.
    MacKinnon and H. White, J. Econometrics 29 (1985) 305, HC2, with neighbours taken together).

    Returns
    -------
    The weights, and the degrees of freedom of what `_local` makes of them: those of the chi-square
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


def _by_rivals(left: FloatArray, design: Design) -> FloatArray:
    """The most that one rival explains of each row, in its unit squared."""
    pairs = (left @ design.rivals) ** 2
    most = pairs.reshape(len(left), -1, 2).sum(axis=2).max(axis=1)
    if design.displaced.shape[1]:
        most = np.maximum(most, ((left @ design.displaced) ** 2).max(axis=1))
    return np.asarray(most)


def student(quantile: float, freedom: FloatArray) -> FloatArray:
    """Quantile of Student's distribution for one of the normal distribution.

    The expansion of R. A. Fisher and E. A. Cornish to the fourth order in 1/freedom; Abramowitz
    and Stegun, Handbook of Mathematical Functions, 26.7.5. Below 3 degrees those of 3 are taken.

    Examples
    --------
    >>> print(np.round(student(1.959964, np.array([10.0, 30.0, 1e9])), 3))
    [2.228 2.042 1.96 ]
    """
    z = quantile
    n = np.maximum(freedom, 3.0)
    return np.asarray(
        z
        + (z**3 + z) / 4 / n
        + (5 * z**5 + 16 * z**3 + 3 * z) / 96 / n**2
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384 / n**3
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160 / n**4
    )
