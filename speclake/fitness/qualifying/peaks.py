"""Where a band or a line lies: the peak methods, with what their results are worth.

A *band* is a minimum of transmittance or reflectance. Its place is the extremum of a cubic fitted
by least squares to the points around it. The window is as wide as the check says, or as the part of
the band below half of its depth where that is narrower, so that neither a shoulder nor the far side
decides; points weigh less towards its ends (tricube), so that no single point enters or leaves with
a jump; and it is moved until the extremum found lies in its middle.

A *line* is a maximum of intensity, as wide as the slit makes it. Its place is the centroid of what
rises above half of its height, the base being the straight line between the lowest points to both
sides; its width is the distance between the two crossings of half height, each by linear
interpolation.

The standard uncertainty of a place has three parts, added as squares: noise of single points,
propagated through the fit; shape, from what changes when less of the band is used; and steps, the
scatter of the positions about an even spacing. That of a width has noise, and half of the
interval as half-width of a rectangular distribution, since the top may lie between two points.
Centroid and local polynomial are common practice for wavelength standards.
"""

import math
from dataclasses import dataclass

import numpy as np

from speclake.fitness.qualifying.scan import Scan
from speclake.spectrum import FloatArray

LEAST_POINTS = 5
"""Within the window of a cubic."""
LEAST_AROUND = 6
"""From which the noise around a band or line can be taken."""
INTERVALS_OF_LINE = 2
"""Intervals that a line is wide at half height, or it is sampled too coarsely."""
CLEAR = 5.0
"""Standard deviations of noise that a band must stand out by."""
SHARE_OF_DEEPEST = 0.2
"""Of the depth of the deepest band in reach, below which one is not taken for it."""
HIGHER_POWERS = 1.5
"""For what of a skewed band grows faster than with the square of the window; from simulations."""
NARROWER = 0.65
"""Part of the window with which the effect of the shape is found."""


@dataclass(frozen=True, slots=True)
class Peak:
    """Band or line that was found; all in nm.

    Parameters
    ----------
    standard_uncertainty : of `at`.
    width : full width at half of height; NaN for a band.
    width_uncertainty : standard uncertainty of `width`.
    """

    at: float
    standard_uncertainty: float
    width: float = math.nan
    width_uncertainty: float = math.nan


def find_band(scan: Scan, near: float, reach: tuple[float, float], window: float) -> Peak | str:
    """Minimum of a band, or why there is none.

    Parameters
    ----------
    near : where it is expected, nm on the scale of the scan.
    reach : from where to where it is looked for, nm.
    window : greatest width of the fit, nm.
    """
    part = scan.between(reach[0] - window / 2, reach[1] + window / 2)
    if part.nm.size < LEAST_AROUND:
        return f"there are {part.nm.size} points around {near:g} nm, too few for a band"
    start = _nearest_minimum(part, near, reach)
    if isinstance(start, str):
        return start
    middle, half = start.at, min(window / 2, start.half_width)
    half = min(window / 2, max(half, _least_half(part.nm, middle)))
    if np.count_nonzero(np.abs(part.nm - middle) < half) < LEAST_POINTS:
        return (
            f"the points lie {part.interval:g} nm apart, too far for a band to be fitted over "
            f"{window:g} nm"
        )
    found = _settled(part, middle, half)
    if found is None or not reach[0] <= found.at <= reach[1]:
        return f"no band has its extremum between {reach[0]:.2f} nm and {reach[1]:.2f} nm"
    shape = _shape(part, found.at, half)
    total = math.hypot(found.noise, shape, _uneven(part.nm, found.at, half))
    return Peak(found.at, total)


def _shape(part: Scan, at: float, half: float) -> float:
    """Standard uncertainty from the part of a band that the fit does not follow.

    Such an error grows with the square of the window, and of a skewed band faster. So what a
    narrower one changes tells the whole of it, taken as half-width of a rectangular distribution.
    Where there are too few points for a narrower one, it is the change from a cubic to a parabola.
    """
    if NARROWER * half >= _least_half(part.nm, at):
        narrow = _fitted(part, at, NARROWER * half, 3)
        if narrow is not None:
            return HIGHER_POWERS * abs(narrow.at - at) / (1 - NARROWER**2) / math.sqrt(3)
    parabola = _fitted(part, at, half, 2)
    return 0.0 if parabola is None else abs(parabola.at - at) / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class _Start:
    at: float
    half_width: float


def _nearest_minimum(part: Scan, near: float, reach: tuple[float, float]) -> _Start | str:
    """Minimum that stands out and lies nearest, and half of its width at half depth."""
    from scipy.signal import find_peaks, peak_widths

    noise = part.independent_noise
    run = 2 * min(2, round(0.2 / part.interval)) + 1
    smooth = -np.convolve(np.pad(part.values, run // 2, mode="edge"), np.ones(run) / run, "valid")
    found, about = find_peaks(smooth, prominence=0, plateau_size=1)
    depth = about["prominences"]
    inside = (part.nm[found] >= reach[0]) & (part.nm[found] <= reach[1])
    clear = inside & (
        depth
        > CLEAR * (0.0 if math.isnan(noise) else noise) * part.scatter(np.full(run, 1.0 / run))
    )
    if not clear.any():
        return f"no band stands out of the noise between {reach[0]:.2f} nm and {reach[1]:.2f} nm"
    clear &= depth >= SHARE_OF_DEEPEST * depth[clear].max()
    chosen = np.flatnonzero(clear)[np.argmin(np.abs(part.nm[found[clear]] - near))]
    with np.errstate(all="ignore"):
        widths = peak_widths(smooth, found[[chosen]], rel_height=0.5)
    left, right = np.interp((widths[2][0], widths[3][0]), np.arange(part.nm.size), part.nm)
    at = float(part.nm[found[chosen]])
    return _Start(at, float(min(at - left, right - at, (right - left) / 2) or part.interval))


def _least_half(nm: FloatArray, middle: float) -> float:
    """Half-width of the least window that holds enough points to both sides."""
    distances = np.sort(np.abs(nm - middle))
    return float(distances[min(LEAST_POINTS, nm.size - 1)]) * (1 + 1e-9)


@dataclass(frozen=True, slots=True)
class _Fit:
    at: float
    noise: float


def _settled(part: Scan, middle: float, half: float) -> _Fit | None:
    """Fit whose window is centred on its own extremum; None where there is none."""
    for _ in range(50):
        fit = _fitted(part, middle, half, 3)
        if fit is None:
            return None
        if abs(fit.at - middle) < 1e-5:
            return fit
        # half of the way: the whole one may swing to and fro between two grid points
        middle += 0.7 * (fit.at - middle)
    return fit


def _fitted(part: Scan, middle: float, half: float, degree: int) -> _Fit | None:
    """Extremum of a polynomial of least squares around `middle`."""
    t = (part.nm - middle) / half
    inside = np.abs(t) < 1
    t, y = t[inside], part.values[inside]
    if t.size < LEAST_POINTS or not (t[0] < 0 < t[-1]):
        return None
    weights = (1 - np.abs(t) ** 3) ** 3
    basis = np.vander(t, degree + 1, increasing=True)
    weighted = basis * weights[:, np.newaxis]
    solve = np.linalg.pinv(weighted.T @ basis) @ weighted.T
    a = solve @ y
    third = float(a[3]) if degree == 3 else 0.0
    at = _stationary(float(a[1]), float(a[2]), third)
    if at is None or abs(at) > 1:
        return None
    curvature = 2 * a[2] + 6 * third * at
    slope_of = np.arange(1, degree + 1) * at ** np.arange(degree)
    pull = -(slope_of @ solve[1:]) / curvature
    if math.isnan(part.noise):
        return None
    return _Fit(middle + at * half, part.scatter(pull) * part.noise * half)


def _stationary(first: float, second: float, third: float) -> float | None:
    """Minimum of a cubic without its constant; None where it has none."""
    root = second * second - 3 * first * third
    if root < 0 or (third == 0 and second <= 0):
        return None
    # the form that stays whole as the cubic term vanishes; the curvature there is +2 sqrt(root)
    below = second + math.sqrt(root)
    return -first / below if below > 0 else None


def _uneven(nm: FloatArray, middle: float, half: float) -> float:
    """Scatter of single positions about an even spacing within a window, nm."""
    inside = nm[np.abs(nm - middle) <= half]
    if inside.size < 4:
        return 0.0
    return float(np.sqrt(np.mean(np.diff(inside, 2) ** 2)) / math.sqrt(6) / math.sqrt(inside.size))


def find_line(scan: Scan, near: float, reach: tuple[float, float]) -> Peak | str:
    """Maximum of a line, or why there is none. Parameters as for `find_band`."""
    part = scan.between(*reach)
    if part.nm.size < LEAST_AROUND:
        return f"there are {part.nm.size} points around {near:g} nm, too few for a line"
    top = int(np.argmax(part.values))
    if top in (0, part.nm.size - 1):
        return f"no line has its maximum between {reach[0]:.2f} nm and {reach[1]:.2f} nm"
    if np.count_nonzero(part.values[max(0, top - 3) : top + 4] == part.values[top]) >= 3:
        return f"the line at {part.nm[top]:g} nm is cut off at its top"
    left_foot = int(np.argmin(part.values[:top]))
    right_foot = top + 1 + int(np.argmin(part.values[top + 1 :]))
    x, noise = part.nm, part.independent_noise
    feet = [left_foot, right_foot]
    # the lowest of noisy points lies too low; the median around it hardly does
    ground = [float(np.median(part.values[max(0, i - 2) : i + 3])) for i in feet]
    y = part.values - np.interp(x, x[feet], ground)
    if not y[top] > CLEAR * noise:
        return f"no line stands out of the noise between {reach[0]:.2f} nm and {reach[1]:.2f} nm"
    level = _top_of(x, y, top) / 2
    return _above(part, y, level, top)


def _top_of(x: FloatArray, y: FloatArray, top: int) -> float:
    """Height of the parabola through the highest point and its neighbours."""
    a, b, c = np.polyfit(x[top - 1 : top + 2] - x[top], y[top - 1 : top + 2], 2)
    return float(c - b * b / (4 * a)) if a < 0 else float(y[top])


def _above(part: Scan, y: FloatArray, level: float, top: int) -> Peak | str:
    """Centroid and width of what of a line lies above a level around its top."""
    x, noise = part.nm, part.independent_noise
    low = np.flatnonzero(y[:top] < level)
    high = np.flatnonzero(y[top:] < level)
    if not low.size or not high.size:
        return f"the line at {x[top]:g} nm does not fall to half of its height to both sides"
    left, right = int(low[-1]), top + int(high[0])
    slopes = np.array([(y[i + 1] - y[i]) / (x[i + 1] - x[i]) for i in (left, right - 1)])
    ends = np.array([x[left], x[right - 1]]) + (level - y[[left, right - 1]]) / slopes
    width, interval = float(ends[1] - ends[0]), float((x[right] - x[left]) / (right - left))
    if width < INTERVALS_OF_LINE * interval:
        return (
            f"the points lie {interval:.3g} nm apart, more than half of the width of the line at "
            f"{x[top]:g} nm"
        )
    xs = np.concatenate(([ends[0]], x[left + 1 : right], [ends[1]]))
    rises = np.concatenate(([0.0], y[left + 1 : right] - level, [0.0]))
    shares = rises * np.gradient(xs)
    area = float(shares.sum())
    at = float((xs * shares).sum() / area)
    by_noise = noise * float(np.linalg.norm((xs[1:-1] - at) * np.gradient(xs)[1:-1])) / area
    shape = abs(float(ends.mean()) - at) / math.sqrt(3)
    edges = noise / np.abs(slopes)
    at_half = float(np.hypot(*edges)) * math.sqrt(1.25)
    # the top of a narrow line may lie between two points, higher than both
    between = interval / 2 / math.sqrt(3)
    return Peak(at, math.hypot(by_noise, shape), width, math.hypot(at_half, between))
