"""Individuals charts: one point a part or run, with limits from moving ranges."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

BoolArray = npt.NDArray[np.bool_]

D2_OF_TWO = 1.128
"""Mean range of two values of a normal process in units of its sigma, as the tables print it.

Exactly 2/√π = 1.1283791...; control-chart tables (ISO 7870-2, NIST/SEMATECH e-Handbook 6.3.2.2)
round it to 1.128, and limits are drawn by the tables: 0.03 % of their distance from the centre.
"""

SIGMAS = 3.0


@dataclass(frozen=True, eq=False)
class Chart:
    """An individuals chart.

    Parameters
    ----------
    points : shape (n,), in the order of time; NaN where there is no number.
    moving_ranges : shape (n,), distance of each point from the one before; NaN for the first and
        where either is missing: a missing point is not bridged.
    base : shape (n,), the points from which centre and limits come.
    centre, lower, upper : None where there are none; `no_limits` says why.
    sigma : estimated from the moving ranges of the base, None where there is none.
    out : shape (n,), the points that lie beyond a limit; a point on a limit does not.
    autocorrelation : of neighbouring points of the base, None where it has no meaning.
    warnings : what makes the limits doubtful, in words.
    """

    points: FloatArray
    moving_ranges: FloatArray
    base: BoolArray
    centre: float | None
    lower: float | None
    upper: float | None
    sigma: float | None
    out: BoolArray
    autocorrelation: float | None
    no_limits: str = ""
    warnings: tuple[str, ...] = ()


def individuals(points: npt.ArrayLike, base: npt.ArrayLike | None = None) -> Chart:
    """Individuals chart: centre line, and limits three sigma away by the mean moving range.

    Parameters
    ----------
    points : shape (n,), in the order of time; NaN where there is no number.
    base : shape (n,), true for the points of the base period; all by default. A moving range
        counts for the base when both its points do.

    Raises
    ------
    ValueError
        A point is infinite, or `base` does not fit the points.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, individuals control charts:
    centre ± 3 MRbar / 1.128.
    """
    values = np.array(points, dtype=np.float64)
    if values.ndim != 1 or np.isinf(values).any():
        raise ValueError("a chart needs one row of points, none of them infinite")
    chosen = np.ones(values.shape, np.bool_) if base is None else np.array(base, dtype=np.bool_)
    if chosen.shape != values.shape:
        raise ValueError(f"a base of shape {chosen.shape} for {values.size} points")
    ranges = np.full(values.shape, np.nan)
    ranges[1:] = np.abs(np.diff(values))
    chosen &= ~np.isnan(values)
    both = np.zeros(values.shape, np.bool_)
    both[1:] = chosen[1:] & chosen[:-1]
    correlation = _autocorrelation(values, chosen, both)
    no_limits = _why_no_limits(values[chosen], ranges[both])
    if no_limits:
        centre = float(values[chosen].mean()) if chosen.any() else None
        nobody = np.zeros(values.shape, np.bool_)
        return Chart(
            values, ranges, chosen, centre, None, None, None, nobody, correlation, no_limits
        )
    centre, sigma = float(values[chosen].mean()), float(ranges[both].mean()) / D2_OF_TWO
    lower, upper = centre - SIGMAS * sigma, centre + SIGMAS * sigma
    return Chart(
        points=values,
        moving_ranges=ranges,
        base=chosen,
        centre=centre,
        lower=lower,
        upper=upper,
        sigma=sigma,
        out=(values < lower) | (values > upper),
        autocorrelation=correlation,
        warnings=_warnings(correlation, int(chosen.sum())),
    )


def _why_no_limits(values: FloatArray, ranges: FloatArray) -> str:
    if values.size < 2:
        return f"limits need two points in a row, the base has {values.size}"
    if not ranges.size:
        return "limits need two points in a row, and no point of the base has its neighbour"
    if not ranges.any():
        return "all points of the base in a row are equal: they show no scatter to set limits by"
    return ""


def _autocorrelation(values: FloatArray, chosen: BoolArray, both: BoolArray) -> float | None:
    """Lag-one autocorrelation of the base: products of neighbours over the sum of squares."""
    if not both.any():
        return None
    centred = values - values[chosen].mean()
    squares = float((centred[chosen] ** 2).sum())
    if squares == 0:
        return None
    after = np.flatnonzero(both)
    return float((centred[after] * centred[after - 1]).sum()) / squares


def _warnings(correlation: float | None, n: int) -> tuple[str, ...]:
    """What autocorrelation does to the limits, where it is beyond chance (2/√n, about 95 %)."""
    if correlation is None or abs(correlation) <= 2 / np.sqrt(n):
        return ()
    consequence = (
        "limits from moving ranges are too narrow, and points beyond them may be no alarm"
        if correlation > 0
        else "limits from moving ranges are too wide, and a shift may hide inside them"
    )
    relation = "resemble" if correlation > 0 else "counteract"
    return (
        f"neighbouring points {relation} each other (lag-one autocorrelation {correlation:.3f}, "
        f"by chance within ±{2 / np.sqrt(n):.3f}): {consequence}",
    )
