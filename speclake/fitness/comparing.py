"""Two instruments on the same pieces: by how much they differ, wavelength by wavelength.

Each piece is measured on both; the differences say what the one reads above the other. Their mean
is the bias; the limits of agreement, where they are known from many pieces, hold about 95 % of the
differences. Known from few they hold less of those of further pieces: `share_within`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.conversion import convert_axis, convert_set
from speclake.quantities.combining import in_unit, resampled
from speclake.spectrum import Axis, FloatArray, SpectrumSet

DEVIATIONS = 1.96
"""Standard deviations from the bias to each limit of agreement."""

BRIDGED_INTERVALS = 2.5
"""Intervals of a grid, by their median, over which a line is drawn between two of its points."""


@dataclass(frozen=True, eq=False)
class Agreement:
    """Agreement of two instruments; every array has shape (p,), NaN where too few pairs are.

    Parameters
    ----------
    pairs : number of pieces with a value on both.
    bias : mean of the differences, first less second.
    sd : standard deviation of the differences (n - 1).
    bias_low, bias_high : confidence interval of the bias.
    lower, upper : limits of agreement.
    lower_low, lower_high, upper_low, upper_high : confidence intervals of the limits.
    confidence : of all intervals, at each wavelength by itself.
    """

    pairs: npt.NDArray[np.intp]
    bias: FloatArray
    sd: FloatArray
    bias_low: FloatArray
    bias_high: FloatArray
    lower: FloatArray
    lower_low: FloatArray
    lower_high: FloatArray
    upper: FloatArray
    upper_low: FloatArray
    upper_high: FloatArray
    confidence: float

    @property
    def differs(self) -> npt.NDArray[np.bool_]:
        """Where the interval of the bias leaves out zero, shape (p,).

        Among many wavelengths without any bias a share of 1 - confidence does so by chance.
        """
        return (self.bias_low > 0) | (self.bias_high < 0)


def agreement(
    differences: npt.ArrayLike, *, confidence: float = 0.95, deviations: float = DEVIATIONS
) -> Agreement:
    """Bias and limits of agreement of paired differences, wavelength by wavelength.

    bias = mean d, its standard error s/√n; limits = bias ± `deviations` · s, their standard error
    √(3 s²/n); intervals with Student's t of n - 1 degrees of freedom. The limits ask for
    differences that scatter alike whatever the value, and normally.

    Parameters
    ----------
    differences : shape (n, p), a row a piece, first instrument less second; NaN where there is
        none. Pieces measured several times are averaged before: rows count as independent.

    Raises
    ------
    ValueError
        The differences are no table, or the confidence is none.

    References
    ----------
    J. M. Bland, D. G. Altman, Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet 327 (1986) 307-310.

    Examples
    --------
    >>> found = agreement([[0.1], [0.3], [0.2]])
    >>> print(found.bias.round(3), found.bias_low.round(3), found.bias_high.round(3))
    [0.2] [-0.048] [0.448]
    """
    from scipy.stats import t

    d = np.asarray(differences, dtype=np.float64)
    if d.ndim != 2:
        raise ValueError(f"found differences of shape {d.shape}; expected pieces x wavelengths")
    if not 0 < confidence < 1:
        raise ValueError(f"found a confidence of {confidence:g}; expected one between 0 and 1")
    known = ~np.isnan(d)
    n = known.sum(axis=0)
    bias = _over(np.where(known, d, 0.0).sum(axis=0), n)
    squares = np.where(known, d - bias, 0.0) ** 2
    sd = np.sqrt(_over(squares.sum(axis=0), n - 1))
    factor = t.ppf((1 + confidence) / 2, np.where(n > 1, n - 1, np.nan))
    error = factor * np.sqrt(_over(sd**2, n))
    of_limit = factor * np.sqrt(_over(3 * sd**2, n))
    lower, upper = bias - deviations * sd, bias + deviations * sd
    return Agreement(
        n, bias, sd, bias - error, bias + error,
        lower, lower - of_limit, lower + of_limit, upper, upper - of_limit, upper + of_limit,
        confidence,
    )  # fmt: skip


def share_within(pairs: int, deviations: float = DEVIATIONS) -> float:
    """Probability that the difference of one further piece lies within the limits of agreement.

    That difference less the bias, over s √(1 + 1/n), follows Student's t of n - 1 degrees of
    freedom where differences scatter normally: the prediction interval of one more observation, as
    in textbooks of statistics.

    Raises
    ------
    ValueError
        There are fewer than two pairs.

    Examples
    --------
    >>> print(f"{share_within(6):.3f} {share_within(1000):.3f}")
    0.871 0.950
    """
    from scipy.special import stdtr

    if pairs < 2:
        raise ValueError(f"found {pairs} pairs; expected at least 2")
    return float(1 - 2 * stdtr(pairs - 1, -deviations / np.sqrt(1 + 1 / pairs)))


@dataclass(frozen=True, eq=False)
class OnOneGrid:
    """Two sets on one axis and in one unit, and what was done for it, in words."""

    first: SpectrumSet
    second: SpectrumSet
    how: str


def on_one_grid(first: SpectrumSet, second: SpectrumSet) -> OnOneGrid:
    """Two sets on the points of the coarser grid that lie within both.

    The finer set is taken on straight lines between its points; that smooths its noise a little
    and shortens bands that are only a few points wide. No line bridges a gap. Grids that are the
    same are left alone. Units and media become those of `first`.

    Raises
    ------
    ValueError
        The two have no stretch in common.
    speclake.errors.UnitError
        Their values are different quantities, or their axes cannot be brought into one medium.
    """
    other = in_unit(second, first.unit)
    if (other.axis.unit, other.axis.medium) != (first.axis.unit, first.axis.medium):
        other = convert_set(other, axis_unit=first.axis.unit, medium=first.axis.medium)
    if other.axis.id == first.axis.id:
        return OnOneGrid(first, other, "both lie on the same grid")
    low = max(first.axis.values[0], other.axis.values[0])
    high = min(first.axis.values[-1], other.axis.values[-1])
    if low > high:
        raise ValueError(
            f"found {_reach(first.axis)} and {_reach(other.axis)}; expected a stretch in common"
        )
    first_is_coarser = _interval(first.axis, low, high) >= _interval(other.axis, low, high)
    coarse, fine = (first, other) if first_is_coarser else (other, first)
    chosen = (coarse.axis.values >= low) & (coarse.axis.values <= high)
    if not chosen.any():
        raise ValueError(f"found no point of {_reach(coarse.axis)} from {low:g} to {high:g}")
    axis = Axis(coarse.axis.values[chosen], coarse.axis.unit, coarse.axis.medium)
    kept = SpectrumSet(axis, coarse.values[:, chosen], coarse.unit, coarse.keys)
    drawn = resampled(fine, axis, largest_interval=BRIDGED_INTERVALS * _interval(fine.axis))
    how = (
        f"the {'second' if first_is_coarser else 'first'} was taken on straight lines at the "
        f"{len(axis)} points of the other from {low:g} to {high:g} {axis.unit}"
    )
    return OnOneGrid(*((kept, drawn) if first_is_coarser else (drawn, kept)), how)


def turned_to_nm(spectra: SpectrumSet) -> SpectrumSet:
    """The spectra on an axis in nm, rising, in the medium that they are counted in."""
    if spectra.axis.unit == "nm":
        return spectra
    return convert_set(spectra, axis_unit="nm", medium=convert_axis(spectra.axis, "nm").medium)


def _over(sums: FloatArray, counts: npt.NDArray[np.intp]) -> FloatArray:
    quotient: FloatArray = np.divide(
        sums, counts, out=np.full(sums.shape, np.nan), where=counts > 0
    )
    return quotient


def _interval(axis: Axis, low: float = -np.inf, high: float = np.inf) -> float:
    """Median distance of neighbouring points within a stretch; endless for a single point."""
    inside = axis.values[(axis.values >= low) & (axis.values <= high)]
    return float(np.median(np.diff(inside))) if inside.size > 1 else np.inf


def _reach(axis: Axis) -> str:
    return f"a grid from {axis.values[0]:g} to {axis.values[-1]:g} {axis.unit}"
