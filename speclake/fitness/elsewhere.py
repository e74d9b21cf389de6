"""Steps where nothing changes over: what a step at a change-over must stand out from."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.fitness.regions import Region
from speclake.fitness.stepfits import FITS_BELOW, Model, fitted, residuals
from speclake.spectrum import FloatArray

PLACES = 48
"""Places that are looked at, the nearest ones."""
A_WINDOW = 8
"""Places in the length of a window."""
NEAR = 2.5
"""Lengths of the window within which no step may come near that at the change-over."""
ENOUGH = 8
"""Places that it takes to say something."""
MOST = 0.5
"""Share of the places nearby that the polynomial must fit for the others to be left out."""
SAME_GRID = 0.01
"""Intervals by which positions may differ from those of a window: decimals are rounded."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Steps of one spectrum at places without a change-over, found with the window of one.

    Parameters
    ----------
    places : how many there are.
    fitting : share of those nearby that the polynomial fits.
    step_spread, slope_spread : how much more steps scatter than independent noise lets them: by the
        noise that neighbouring points share, and by structure.
    largest_step, largest_slope : the largest nearby, in the unit of the values (and per nm).
    """

    places: int
    fitting: float
    step_spread: float
    slope_spread: float
    largest_step: float
    largest_slope: float


def elsewhere(
    row: FloatArray,
    positions: FloatArray,
    model: Model,
    regions: tuple[Region, ...],
    least_noise: float,
) -> Elsewhere | None:
    """What the model of a change-over finds at other places of the same spectrum.

    Parameters
    ----------
    row : values, shape (p,), none missing.
    positions : shape (p,), on which the grid of the window is looked for again.
    regions : a window lies within one of them.

    Returns
    -------
    Elsewhere or None
        None where there are too few places, as on an axis with another interval beyond.
    """
    starts = _starts(positions, model, regions)
    if starts.size < ENOUGH:
        return None
    length = model.stop - model.start
    values = np.lib.stride_tricks.sliding_window_view(row, length)[starts]
    found = fitted(values, model, least_noise)
    fits = found.misfit < FITS_BELOW
    near = np.abs(starts - model.start) <= NEAR * length
    counts = fits if fits[near].mean() >= MOST and fits.sum() >= ENOUGH else np.ones_like(fits)
    alike = autocorrelation(residuals(values[counts], model), model)
    steps, slopes = np.abs(found.step), np.abs(found.slope)
    return Elsewhere(
        places=int(counts.sum()),
        fitting=float(fits[near].mean()),
        step_spread=_spread(steps[counts], found.step_error[counts], alike, model.estimates[0]),
        slope_spread=_spread(slopes[counts], found.slope_error[counts], alike, model.estimates[1]),
        largest_step=float(steps[near & counts].max(initial=0.0)),
        largest_slope=float(slopes[near & counts].max(initial=0.0)),
    )


def autocorrelation(left: FloatArray, model: Model) -> FloatArray:
    """Autocorrelation of noise at lags 1, 2, ... as long as it is seen, from what a fit leaves.

    That the fit takes some of each lag away is corrected for as if the noise were independent. It
    ends before the first lag below twice the standard deviation of that of independent noise.

    Parameters
    ----------
    left : residuals of windows that overlap, shape (n, q).
    """
    squares = np.add.reduce(left * left, axis=1)
    left = left[squares > 0] / np.sqrt(squares[squares > 0])[:, np.newaxis]
    q = left.shape[1]
    held = model.columns.T @ model.columns
    freedom = q - model.left_out.size - np.trace(held)
    seen = 2.0 / (max(len(left), 1) * q / A_WINDOW + q) ** 0.5
    found: list[float] = []
    for lag in range(1, q // 4):
        if not len(left):
            break
        products = float((left[:, lag:] * left[:, :-lag]).sum(axis=1).mean()) * freedom
        lost = float(np.trace(held, lag))
        each = (products + lost) / (q - lag)
        if each < seen:
            break
        found.append(min(each, 1.0))
    return np.array(found)


def _spread(sizes: FloatArray, errors: FloatArray, alike: FloatArray, weights: FloatArray) -> float:
    """Scatter of a change over its uncertainty for independent noise, at least 1.

    The larger of what the autocorrelation of the noise makes of it, and of what is seen: noise that
    is alike over more points than a window has, as that of slow drift, shows in the second alone.
    """
    square = float((weights * weights).sum())
    shares = [float((weights[k:] * weights[:-k]).sum()) for k in range(1, alike.size + 1)]
    by_noise = max(1.0, 1.0 + 2.0 * float(alike @ np.array(shares)) / square) ** 0.5
    ratios = np.where(sizes > 0, sizes / np.where(errors > 0, errors, np.inf), 0.0)
    by_all = float(np.sqrt((ratios * ratios).mean()))
    return float(max(by_noise, by_all))


def _starts(
    positions: FloatArray, model: Model, regions: tuple[Region, ...]
) -> npt.NDArray[np.intp]:
    """First points of windows on the same grid within one region, the nearest ones, rising."""
    length = model.stop - model.start
    own = positions[model.start : model.stop] - positions[model.start]
    step = max(1, length // A_WINDOW)
    found = []
    for region in regions:
        first = region.start + (model.start - region.start) % step
        found.append(np.arange(first, region.stop - length + 1, step))
    starts = np.concatenate(found)
    starts = starts[np.argsort(np.abs(starts - model.start), kind="stable")[: 2 * PLACES]]
    if not starts.size:
        return starts
    others = np.lib.stride_tricks.sliding_window_view(positions, length)[starts]
    off = np.abs(others - others[:, :1] - own).max(axis=1)
    interval = np.abs(own[1:] - own[:-1]).min()
    return np.sort(starts[off <= SAME_GRID * interval][:PLACES])
