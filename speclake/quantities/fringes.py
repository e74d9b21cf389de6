"""Thickness of a transparent film from the fringes of its interference."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.quantities.parabolas import vertices
from speclake.quantities.places import Place
from speclake.quantities.plates import Index, indices
from speclake.quantities.stretches import stretch_of
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_positions

LARGEST_MISFIT = 0.125
"""Largest distance of an extremum from its order; half an order lies between two neighbours."""

MISFIT = (
    "an extremum lies {:.2g} of an order off the even steps of a film; "
    f"{LARGEST_MISFIT:g} is allowed"
)


@dataclass(frozen=True, kw_only=True)
class Fringes:
    """What counts as a fringe.

    Parameters
    ----------
    smallest_swing : change of the value from one extremum to the next, in the unit of the set,
        below which a turn is taken for noise.
    extrema_at_least : how many maxima and minima together the band must hold, 4 or more.
    """

    smallest_swing: float
    extrema_at_least: int = 4


def film_thickness(
    spectra: SpectrumSet, place: Place, index: Index, angle_deg: float, fringes: Fringes
) -> Values:
    """Thickness of a film in nm, and its standard uncertainty, from the extrema in a band.

    From one extremum to the next the order m of the interference changes by a half, and
    2 n d cos(θ')/λ = m. The thickness is the slope of the straight line of least squares of the
    order against 2 n cos(θ')/λ; its standard uncertainty is that of the slope, from the scatter of
    the orders about the line. Not in it: that of the index, and what the substrate's own dispersion
    and an absorption of the film do to the places of the extrema.

    Parameters
    ----------
    index : of the film to air, as it belongs to wavelengths in air. With wavelengths in vacuum, as
        on an axis in cm-1 or eV, the thickness comes out 0.03 % larger.
    angle_deg : angle of incidence, from which the angle θ' in the film follows.

    Notes
    -----
    An extremum lies at the vertex of the parabola through its highest (lowest) point and the two
    neighbours, over 2 n cos(θ')/λ. A spectrum with too few extrema, or with one that lies farther
    than `LARGEST_MISFIT` from its order, has no thickness. With two neighbouring extrema at λ₁ < λ₂
    and one index this is d = λ₁ λ₂/(4 n (λ₂ - λ₁)). Common practice.

    Examples
    --------
    A film of 1000 nm and index 1.46, with maxima at 2920 nm divided by 2, 3, 4 ...

    >>> from speclake.spectrum import Axis
    >>> grid = np.arange(345.0, 1600.0)
    >>> waves = 90 + 5 * np.cos(2 * np.pi * 2920 / grid)
    >>> spectra = SpectrumSet(Axis(grid, "nm"), waves[np.newaxis], "%T", ("a",))
    >>> band = Place(low=350, high=1550, largest_interval=1)
    >>> found = film_thickness(spectra, band, 1.46, 0, Fringes(smallest_swing=2))
    >>> round(float(found.value[0]))
    1000
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    wavelengths = convert_positions(stretch.positions, stretch.axis_unit, stretch.axis_medium, "nm")
    n = indices(index, wavelengths)
    if isinstance(n, str):
        return Values.of_none(len(spectra), n)
    x = 2 * np.sqrt(n * n - np.sin(np.radians(angle_deg)) ** 2) / wavelengths
    turns = turning_points(stretch.values, fringes.smallest_swing)
    counts = np.bincount(turns.rows, minlength=len(spectra))
    value, uncertainty = np.full((2, len(spectra)), np.nan)
    reasons = dict(stretch.reasons)
    for row in np.flatnonzero(counts < fringes.extrema_at_least):
        words = f"{counts[row]} extrema in the band; {fringes.extrema_at_least} are asked for"
        reasons.setdefault(int(row), words)
    _, at = vertices(x, stretch.values, turns.rows, turns.points)
    for count in np.unique(counts[counts >= fringes.extrema_at_least]):
        rows = np.flatnonzero(counts == count)
        places = at[np.isin(turns.rows, rows)].reshape(rows.size, count)
        value[rows], uncertainty[rows], misfit = _line_of_orders(places)
        for row, worst in zip(rows, misfit, strict=True):
            if worst > LARGEST_MISFIT:
                reasons.setdefault(int(row), MISFIT.format(worst))
    return Values(
        blanked(value, reasons), None, reasons, standard_uncertainty=blanked(uncertainty, reasons)
    )


def _line_of_orders(at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope of the order of each extremum against its place, its uncertainty, the worst misfit.

    Parameters
    ----------
    at : shape (k, m), m extrema of each of k films, over 2 n cos(θ')/λ.
    """
    count = at.shape[1]
    orders = -0.5 * (np.arange(count) - (count - 1) / 2)
    offset = at - (np.add.reduce(at, axis=1) / count)[:, np.newaxis]
    spread = np.add.reduce(offset * offset, axis=1)
    slope = np.add.reduce(offset * orders, axis=1) / spread
    misfits = orders - slope[:, np.newaxis] * offset
    scatter = np.add.reduce(misfits * misfits, axis=1) / (count - 2)
    return slope, np.sqrt(scatter / spread), np.abs(misfits).max(axis=1)


@dataclass(frozen=True, eq=False)
class Turns:
    """Maxima and minima of spectra, by row and along each row: its row and point, shape (k,)."""

    rows: npt.NDArray[np.intp]
    points: npt.NDArray[np.intp]


def turning_points(values: FloatArray, smallest_swing: float) -> Turns:
    """Maxima and minima of each row, in turn, that a swing comes before and after.

    Parameters
    ----------
    values : shape (n, q).
    smallest_swing : above zero; of the points between two such swings the extreme one is named.
    """
    n = len(values)
    low, high = values[:, 0].copy(), values[:, 0].copy()
    at_low, at_high = np.zeros((2, n), np.intp)
    # 1 where a row was last seen to rise by a swing, -1 where to fall, 0 where neither
    course = np.zeros(n, np.int8)
    rows, points = [np.arange(0)], [np.arange(0)]
    for point, value in enumerate(np.ascontiguousarray(values.T)):
        is_lower, is_higher = value < low, value > high
        np.copyto(low, value, where=is_lower)
        np.copyto(high, value, where=is_higher)
        at_low[is_lower], at_high[is_higher] = point, point
        fell = (high - value >= smallest_swing) & (course >= 0)
        rose = (value - low >= smallest_swing) & (course <= 0) & ~fell
        for has_turned, turn, now, extreme, at in (
            (fell, at_high, -1, low, at_low),
            (rose, at_low, 1, high, at_high),
        ):
            turned = np.flatnonzero(has_turned)
            if turned.size:
                rows.append(turned)
                points.append(turn[turned])
                course[turned], extreme[turned], at[turned] = now, value[turned], point
    return _by_row(np.concatenate(rows), np.concatenate(points))


def _by_row(rows: npt.NDArray[np.intp], points: npt.NDArray[np.intp]) -> Turns:
    order = np.argsort(rows, kind="stable")
    rows, points = rows[order], points[order]
    # the first turn has no whole swing before it: that would have been a turn the other way
    is_later = np.append(False, rows[1:] == rows[:-1]) if rows.size else np.zeros(0, np.bool_)
    return Turns(rows[is_later], points[is_later])
