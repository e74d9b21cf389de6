"""Thickness of a transparent film from the fringes of its interference."""

from dataclasses import dataclass

import numpy as np

from speclake.quantities.places import Place
from speclake.quantities.plates import Index, indices
from speclake.quantities.stretches import stretch_of
from speclake.quantities.values import Values
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_positions

LARGEST_MISFIT = 0.125
"""Largest distance of an extremum from its order; half an order lies between two neighbours."""


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
    value, uncertainty = np.full((2, len(spectra)), np.nan)
    reasons = dict(stretch.reasons)
    for row, values in enumerate(stretch.values):
        if row in reasons:
            continue
        found = _thickness(x, values, fringes)
        if isinstance(found, str):
            reasons[row] = found
        else:
            value[row], uncertainty[row] = found
    return Values(value, None, reasons, standard_uncertainty=uncertainty)


def _thickness(x: FloatArray, values: FloatArray, fringes: Fringes) -> tuple[float, float] | str:
    turns = turning_points(values, fringes.smallest_swing)
    if len(turns) < fringes.extrema_at_least:
        return f"{len(turns)} extrema in the band; {fringes.extrema_at_least} are asked for"
    at = np.array([vertex(x[turn - 1 : turn + 2], values[turn - 1 : turn + 2]) for turn in turns])
    orders = -0.5 * np.arange(at.size)
    at, orders = at - at.mean(), orders - orders.mean()
    spread = float(np.add.reduce(at * at))
    slope = float(np.add.reduce(at * orders)) / spread
    misfits = orders - slope * at
    worst = float(np.abs(misfits).max())
    if worst > LARGEST_MISFIT:
        return (
            f"an extremum lies {worst:.2g} of an order off the even steps of a film; "
            f"{LARGEST_MISFIT:g} is allowed"
        )
    scatter = float(np.add.reduce(misfits * misfits)) / (at.size - 2)
    return slope, float(np.sqrt(scatter / spread))


def turning_points(values: FloatArray, smallest_swing: float) -> list[int]:
    """Indices of the maxima and minima, in turn, that a swing comes before and after.

    Parameters
    ----------
    values : shape (q,), without NaN.
    smallest_swing : above zero; of the points between two such swings the extreme one is named.
    """
    turns: list[int] = []
    low = high = 0
    rising: bool | None = None
    for point, value in enumerate(values.tolist()):
        low = point if value < values[low] else low
        high = point if value > values[high] else high
        if rising is not False and values[high] - value >= smallest_swing:
            turns.append(high)
            rising, low = False, point
        elif rising is not True and value - values[low] >= smallest_swing:
            turns.append(low)
            rising, high = True, point
    # the first turn has no whole swing before it: that would have been a turn the other way
    return turns[1:]


def vertex(x: FloatArray, values: FloatArray) -> float:
    """Position of the vertex of the parabola through three points; the middle one on a line."""
    before, after = x[1] - x[0], x[2] - x[1]
    left, right = (values[1] - values[0]) / before, (values[2] - values[1]) / after
    bend = right - left
    if bend == 0:
        return float(x[1])
    return float(x[1] - (left * after + right * before) / (2 * bend))
