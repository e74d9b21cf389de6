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
at other places. Where it does so only beside a rival, as on a fringe, up to two of them are fitted
along with it.
"""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from speclake.fitness.structures import Design, without
from speclake.spectrum import FloatArray

LN_10 = float(np.log(10))
ROWS = 128
"""Rows of a block, so that it fits the cache."""
BESIDE = 2
"""Rivals that are fitted along, at most."""
TRIES = 1 + BESIDE
"""Fits of one shape to one spectrum, at most."""
CLEARLY = 10.0
"""Mean square of a rival over that of the rest, from which it is worth fitting along."""
WORTH = 0.3
"""Of what the strongest rival explains, that a structure must explain to be fitted beside it."""
NEARLY_ALL = 0.2
"""Share of what a structure alone leaves, below which rivals beside it must bring the rest."""
LEFT_OVER = 0.3
"""Share of a structure's sum of squares that rivals beside it must leave."""


@dataclass(frozen=True, eq=False)
class Match:
    """What was found in each row, shape (n,).

    Parameters
    ----------
    is_found : whether the structure is there, beyond its threshold and all rivals.
    amount : absorbance at the strongest place of the structure, either sign.
    uncertainty : standard, k = 1.
    place : index of the point where the structure is strongest.
    level : the trend there.
    """

    is_found: npt.NDArray[np.bool_]
    amount: FloatArray
    uncertainty: FloatArray
    place: npt.NDArray[np.intp]
    level: FloatArray


@dataclass(frozen=True, eq=False)
class _Fit:
    """A structure fitted to rows, with what was fitted beside it taken off already."""

    left: FloatArray
    column: FloatArray
    amount: FloatArray
    residual: FloatArray
    freedom: int

    @classmethod
    def of(cls, left: FloatArray, column: FloatArray, freedom: int) -> "_Fit":
        length = np.einsum("ij,ij->i", column, column)
        amount = np.einsum("ij,ij->i", column, left) / length
        return cls(left, column, amount, left - amount[:, None] * column, freedom)

    def row(self, i: int) -> "_Fit":
        one = slice(i, i + 1)
        return _Fit(
            self.left[one], self.column[one], self.amount[one], self.residual[one], self.freedom
        )

    @property
    def length(self) -> FloatArray:
        return np.asarray(np.einsum("ij,ij->i", self.column, self.column))


def matched(values: FloatArray, design: Design, is_log: bool, threshold: float) -> Match:
    """How much of a structure each row holds.

    Parameters
    ----------
    values : finite, shape (n, p), in the order of ``design.at_nm``.
    is_log : whether they are absorbances or log(1/R); otherwise they are fractions or percent.
    threshold : standard deviations of normal noise that an amount has to exceed.
    """
    blocks = [
        _block(values[i : i + ROWS], design, is_log, threshold) for i in range(0, len(values), ROWS)
    ]
    names = [each.name for each in fields(Match)]
    return Match(**{name: np.concatenate([getattr(b, name) for b in blocks]) for name in names})


def _block(values: FloatArray, design: Design, is_log: bool, threshold: float) -> Match:
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
    n, size = len(values), np.einsum("ij,ij->i", left, left)
    found = Match(
        is_found=np.zeros(n, dtype=bool),
        amount=np.zeros(n),
        uncertainty=np.full(n, np.inf),
        place=shapes.argmax(axis=1)[best],
        level=np.take_along_axis(level, shapes.argmax(axis=1)[best][:, None], axis=1)[:, 0],
    )
    most = explained[np.arange(n), best]
    # with white noise, the least that it can be, the amount would be as many uncertainties
    asked = np.flatnonzero(
        (most * freedom > threshold**2 * (size - most)) & (most > 1e-20 * size) & (most > 0)
    )
    # every third rival tells nearly as much as all of them, and most rows need no more
    strongest = (
        ((left[asked] @ design.coarse) ** 2)
        .reshape(asked.size, design.coarse.shape[1] // 2, 2)
        .sum(axis=2)
    )
    asked = asked[most[asked] > WORTH * strongest.max(axis=1, initial=0.0)]
    for s in np.unique(best[asked]):
        rows = asked[best[asked] == s]
        column = np.broadcast_to(shapes[s], (rows.size, shapes.shape[1]))
        column = column if is_log else -LN_10 * level[rows] * shapes[s]
        column = column - (column @ trend) @ trend.T
        _ask(found, rows, _Fit.of(left[rows], column, freedom), design, int(s), threshold)
    return found


def _ask(
    found: Match,
    rows: npt.NDArray[np.intp],
    fit: _Fit,
    design: Design,
    shape: int,
    threshold: float,
) -> None:
    """Enter what a fit says of some rows; those it cannot tell are fitted beside rivals."""
    sure, uncertainty = _is_sure(fit, design, shape, threshold)
    explained = fit.amount**2 * fit.length
    by_rivals = _by_rivals(fit.left, design.rivals, design.displaced)
    sure &= explained > by_rivals
    found.is_found[rows], found.amount[rows] = sure, fit.amount
    found.uncertainty[rows] = uncertainty
    for i in np.flatnonzero(~sure & (explained > WORTH * by_rivals)):
        one = fit.row(int(i))
        beside = _beside_rivals(one, design, shape, threshold)
        if beside is not None:
            found.is_found[rows[i]] = True
            found.amount[rows[i]], found.uncertainty[rows[i]] = beside


def _is_sure(
    fit: _Fit, design: Design, shape: int, threshold: float
) -> tuple[npt.NDArray[np.bool_], FloatArray]:
    """Whether amounts exceed their threshold, and their standard uncertainty."""
    length = fit.length
    shared, freedom = _uncertainty(fit.residual, length, fit.freedom, design.power[shape])
    local = _local(fit.residual, fit.column, length, design.nearby[shape])
    # rivals fitted along take their part of the residuals too
    whole = fit.residual.shape[1] - design.trend.shape[1] - 1
    local = local * np.sqrt(whole / fit.freedom)
    of_local = design.local_freedom[shape] * fit.freedom / whole
    limit = np.maximum(
        student(threshold, freedom) * shared, student(threshold, np.array([of_local])) * local
    )
    return np.abs(fit.amount) > limit, np.maximum(shared, local)


def _beside_rivals(
    fit: _Fit, design: Design, shape: int, threshold: float
) -> tuple[float, float] | None:
    """Amount and uncertainty of one row beside one or two rivals, if it is there beside them."""
    taken = np.empty((fit.left.shape[1], 0))
    first, column, residual = fit.left[0], fit.column[0], fit.residual[0]
    freedom, whole = fit.freedom, float(residual @ residual)
    for _ in range(BESIDE):
        gains = ((residual @ design.rivals) ** 2).reshape(-1, 2).sum(axis=1)
        strongest, freedom = int(gains.argmax()), freedom - 2
        rest = float(residual @ residual) - float(gains[strongest])
        if freedom < 3 or gains[strongest] / 2 <= CLEARLY * max(rest, 0.0) / freedom:
            return None
        pair = design.rivals[:, 2 * strongest : 2 * strongest + 2]
        taken = np.linalg.qr(np.concatenate([taken, pair], axis=1))[0]
        bare, left = (each - taken @ (taken.T @ each) for each in (column, first))
        length = float(bare @ bare)
        if length < LEFT_OVER * float(column @ column):
            return None
        amount = float(bare @ left) / length
        residual = left - amount * bare
        rest = float(residual @ residual)
        # noise that neighbours share looks like fringes too, but never like one or two alone
        is_clear = rest < NEARLY_ALL * whole
        if is_clear and amount**2 * length * freedom > threshold**2 * rest:
            again = _Fit.of(left[None], bare[None], freedom)
            sure, uncertainty = _is_sure(again, design, shape, threshold)
            if sure[0] and amount**2 * length > _by_what_is_left(again.left, design, taken):
                return amount, float(uncertainty[0])
    return None


def _by_what_is_left(left: FloatArray, design: Design, taken: FloatArray) -> float:
    """The most that one more rival explains of a row, beside those that were taken off."""
    rivals, displaced = (
        _scaled(without(taken, each)) for each in (design.rivals, design.displaced)
    )
    return float(_by_rivals(left, rivals, displaced)[0])


def _scaled(columns: FloatArray) -> FloatArray:
    """Columns of length 1; those of which next to nothing is left become 0."""
    norm = np.linalg.norm(columns, axis=0)
    return columns * np.where(norm > 0.1, 1 / np.maximum(norm, 0.1), 0.0)


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


def _by_rivals(left: FloatArray, rivals: FloatArray, displaced: FloatArray) -> FloatArray:
    """The most that one rival explains of each row, in its unit squared."""
    pairs = (left @ rivals) ** 2
    most = pairs.reshape(len(left), -1, 2).sum(axis=2).max(axis=1)
    if displaced.shape[1]:
        most = np.maximum(most, ((left @ displaced) ** 2).max(axis=1))
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
