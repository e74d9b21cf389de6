"""Shape of a spectrum over a band: median, ripple, slope, share above a level, mask.

Values are in the unit of the set unless said otherwise. Where the definition speaks of an integral
or a share of the band, the spectrum is taken as the straight line between its points and the band
is counted in its own unit. Definitions of ripple and slope differ between drawings: these are
common practice, and a specification names the one it means.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from speclake.quantities.bands import missing_said, value_at
from speclake.quantities.places import Place
from speclake.quantities.rowsums import trapezoid_weights, weighted_rises
from speclake.quantities.stretches import stretch_of
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import AxisUnit, Medium

Ripple = Literal["peak to valley", "peak to valley of the mean", "residual peak to valley"]
Slope = Literal["end to end", "least squares"]


def step_mean(spectra: SpectrumSet, place: Place, step: float) -> Values:
    """Plain average of the values at equal steps, both ends of the band included.

    What a drawing means by 'the average of readings every 10 nm'. A reading between two points is
    their linear interpolation.

    Parameters
    ----------
    step : in the unit of the band, of which the band holds a whole number.

    Raises
    ------
    ValueError
        The band holds no whole number of steps.
    """
    count = round((place.high - place.low) / step)
    if count < 1 or abs(count * step - (place.high - place.low)) > 1e-9 * place.high:
        raise ValueError(f"a band of a whole number of steps of {step:g} {place.unit}")
    window = place.on(spectra)
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    readings = np.empty((len(spectra), count + 1))
    reasons: dict[int, str] = {}
    for number in range(count + 1):
        at = place.low + (place.high - place.low) * number / count
        found = value_at(
            spectra, at, unit=place.unit, medium=place.medium,
            largest_interval=place.largest_interval,
        )  # fmt: skip
        readings[:, number] = found.value
        for row in np.flatnonzero(np.isnan(found.value)):
            reasons.setdefault(int(row), missing_said(at, place.unit))
    first = readings[:, :1]
    mean = first[:, 0] + np.add.reduce(readings - first, axis=1) / (count + 1)
    return Values(mean, None, reasons)


def median(spectra: SpectrumSet, place: Place) -> Values:
    """Value that the spectrum is above over half of the band and below over the other half.

    On equal steps this differs from the median of the points by less than a step's worth; it does
    not depend on where the points are crowded.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    widths = np.abs(np.diff(stretch.counted(stretch.positions)))
    value = _medians(stretch.values, widths)
    return Values(blanked(value, stretch.reasons), None, stretch.reasons)


def ripple(spectra: SpectrumSet, place: Place, how: Ripple) -> Values:
    """Difference between the highest and the lowest value of a band.

    Parameters
    ----------
    how : ``peak to valley`` in the unit of the set; ``peak to valley of the mean``, that in percent
        of the mean over the band; ``residual peak to valley``, of what is left when the straight
        line of least squares has been taken away, in the unit of the set.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    reasons, values = dict(stretch.reasons), stretch.values
    if how == "residual peak to valley":
        x = stretch.counted(stretch.positions)
        slope, level = _line(x, values)
        values = values - (slope[:, np.newaxis] * (x - x.min()) + level[:, np.newaxis])
    found = values.max(axis=1) - values.min(axis=1)
    if how == "peak to valley of the mean":
        means = stretch.mean(values)
        for row in np.flatnonzero(means == 0):
            reasons.setdefault(int(row), "the mean over the band is zero")
        found = 100.0 * np.divide(found, means, out=np.full_like(means, np.nan), where=means != 0)
    return Values(blanked(found, reasons), None, reasons)


def slope(spectra: SpectrumSet, place: Place, how: Slope) -> Values:
    """Change of the value along the band, in the unit of the set per unit of the band.

    Parameters
    ----------
    how : ``end to end``, the difference of the values at the two ends divided by the width; or
        ``least squares``, the slope of the line through the points of the band, each point counted
        with the stretch of the band around it, so that crowded points weigh no more.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    x = stretch.counted(stretch.positions)
    if how == "end to end":
        found = (stretch.values[:, -1] - stretch.values[:, 0]) / (x[-1] - x[0])
    else:
        found = _slopes(x, stretch.values)
    return Values(blanked(found, stretch.reasons), None, stretch.reasons)


def share_above(spectra: SpectrumSet, place: Place, level: float) -> Values:
    """Part of the band over which the spectrum is at or above a level, in percent."""
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    widths = np.abs(np.diff(stretch.counted(stretch.positions)))
    shares = _share_of_steps(stretch.values, level)
    found = 100.0 * (shares[:, 0] + weighted_rises(shares, widths / widths.sum()))
    return Values(blanked(found, stretch.reasons), None, stretch.reasons)


def fitted_value(
    spectra: SpectrumSet, at: float, *, half_width: float, degree: int, unit: AxisUnit = "nm",
    medium: Medium | None = None, largest_interval: float | None = None,
) -> Values:  # fmt: skip
    """Value at a position, from a polynomial of least squares through the points around it.

    Parameters
    ----------
    half_width : points up to so far from `at` take part, in `unit`; the spectrum must reach so far
        on both sides.
    degree : 1 to 4; there must be at least two points more than its coefficients.
    """
    place = Place(
        low=at - half_width, high=at + half_width, unit=unit, medium=medium,
        largest_interval=largest_interval,
    )  # fmt: skip
    window = place.on(spectra)
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    inside = slice(window.start, window.stop)
    inner = window.positions
    inner = inner[(window.before is not None) : inner.size - (window.after is not None)]
    if inner.size < degree + 3:
        words = f"{inner.size} points for a polynomial of degree {degree}; it needs {degree + 3}"
        return Values.of_none(len(spectra), words)
    powers = np.vander((inner - at) / half_width, degree + 1, increasing=True)
    weights = np.linalg.pinv(powers)[0]
    values = spectra.values[:, inside]
    found = np.add.reduce(np.ascontiguousarray(values * weights), axis=1)
    reasons = {
        int(row): "a value near the position is missing" for row in np.flatnonzero(np.isnan(found))
    }
    where = spectra.axis.values[inside][np.abs(inner - at).argmin()]
    return Values(found, np.where(np.isnan(found), np.nan, where), reasons)


def mask_margin(
    spectra: SpectrumSet,
    place: Place,
    *,
    lower: Sequence[tuple[float, float]] = (),
    upper: Sequence[tuple[float, float]] = (),
) -> Values:
    """Smallest distance of the spectrum to the curves of a mask, negative outside, and where it is.

    Parameters
    ----------
    place : the band that the mask covers, from the first to the last knot of its curves.
    lower, upper : knots (position, limit) by rising position, in the unit of the band and of the
        set; between two knots the limit is the straight line. Two knots at one position are a
        step, at which the stricter of the two limits holds.

    Notes
    -----
    The distance is taken at every point of the spectrum, at the ends and at every knot; between
    these both curves are straight, so that nothing lies closer.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    x = stretch.counted(stretch.positions)
    knots = [at for at, _ in (*lower, *upper) if place.low <= at <= place.high]
    where, values = _refined(x, stretch.values, knots)
    margins = np.full(values.shape, np.inf)
    for curve, sign in ((lower, 1.0), (upper, -1.0)):
        if curve:
            distances = sign * (values - _strict_limits(curve, where, sign))
            margins = np.minimum(margins, np.where(np.isnan(distances), np.inf, distances))
    nearest = margins.argmin(axis=1)
    found = margins[np.arange(len(spectra)), nearest]
    order = np.argsort(x)
    at = np.interp(where[nearest], x[order], stretch.positions[order])
    return Values(blanked(found, stretch.reasons), blanked(at, stretch.reasons), stretch.reasons)


def _refined(
    x: FloatArray, values: FloatArray, more: Sequence[float]
) -> tuple[FloatArray, FloatArray]:
    """Positions in ascending order with some more among them, and the values there."""
    order = np.argsort(x)
    x, values = x[order], values[:, order]
    where = np.union1d(x, np.array(more))
    step = np.clip(np.searchsorted(x, where, side="right") - 1, 0, x.size - 2)
    share = (where - x[step]) / (x[step + 1] - x[step])
    below, above = values[:, step], values[:, step + 1]
    # on a point the value is the point's own, to the last bit
    return where, np.where(share == 1.0, above, below + (above - below) * share)


def _strict_limits(
    curve: Sequence[tuple[float, float]], where: FloatArray, sign: float
) -> FloatArray:
    """Limit of a mask at some positions, NaN where the curve does not reach."""
    at = np.array([knot[0] for knot in curve])
    limit = np.array([knot[1] for knot in curve])
    sides = []
    for side in ("left", "right"):
        step = np.clip(np.searchsorted(at, where, side=side) - 1, 0, at.size - 2)
        width = at[step + 1] - at[step]
        share = np.divide(where - at[step], width, out=np.zeros(where.shape), where=width > 0)
        sides.append(limit[step] + (limit[step + 1] - limit[step]) * share)
    strict = np.maximum(*sides) if sign > 0 else np.minimum(*sides)
    return np.where((where < at[0]) | (where > at[-1]), np.nan, strict)


def _medians(values: FloatArray, widths: FloatArray) -> FloatArray:
    """Value that each piecewise straight curve is above over half of its length.

    The length above a level falls as the level rises, straight between one value of the curve and
    the next higher one, and by a whole piece where a piece is level. So the two values between
    which it passes one half are searched for by halving, and what lies between them is straight.
    """
    rows, half = np.arange(len(values)), widths.sum() / 2.0
    levels = np.sort(values, axis=1)
    below, above = np.zeros_like(rows), np.full_like(rows, levels.shape[1])
    for _ in range(levels.shape[1].bit_length()):
        middle = (below + above) // 2
        is_below = _length_above(values, widths, levels[rows, middle]) >= half
        below, above = np.where(is_below, middle, below), np.where(is_below, above, middle)
    low, high = levels[rows, below], levels[rows, np.minimum(below + 1, levels.shape[1] - 1)]
    is_level = (values[:, :-1] == low[:, np.newaxis]) & (values[:, 1:] == low[:, np.newaxis])
    start = _length_above(values, widths, low) - np.add.reduce(is_level * widths, axis=1)
    stop = _length_above(values, widths, high)
    share = np.divide(start - half, start - stop, out=np.zeros(rows.size), where=start > half)
    medians: FloatArray = low + (high - low) * share
    return medians


def _length_above(values: FloatArray, widths: FloatArray, levels: FloatArray) -> FloatArray:
    """Length over which each curve is at or above its level, shape (n,)."""
    lengths = _share_of_steps(values, levels[:, np.newaxis]) * widths
    return np.asarray(np.add.reduce(lengths, axis=1))


def _line(x: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of the weighted line of least squares of each row, and its value at the first end."""
    weights = trapezoid_weights(x)
    means = values[:, 0] + weighted_rises(values, weights)
    slopes = _slopes(x, values)
    return slopes, means - slopes * ((x * weights).sum() - x.min())


def _slopes(x: FloatArray, values: FloatArray) -> FloatArray:
    weights = trapezoid_weights(x)
    centred = x - (x * weights).sum()
    return weighted_rises(values, weights * centred / (weights * centred * centred).sum())


def _share_of_steps(values: FloatArray, level: float | FloatArray) -> FloatArray:
    """Part of each straight piece that is at or above a level, shape (n, q - 1).

    Parameters
    ----------
    level : one for all rows, or of shape (n, 1).
    """
    low = np.minimum(values[:, :-1], values[:, 1:])
    high = np.maximum(values[:, :-1], values[:, 1:])
    rise = high - low
    part = np.divide(high - level, rise, out=(high >= level).astype(np.float64), where=rise > 0)
    shares: FloatArray = np.clip(part, 0.0, 1.0)
    return shares
