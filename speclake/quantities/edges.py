"""Edges and passbands: where a spectrum crosses a level, and how wide and how steep it is there.

Between two points a spectrum is the straight line through them over its axis; a crossing lies where
this line meets the level. A level is a value in the unit of the set, or, relative to the peak,
percent of the largest value in the band. ``rising`` and ``falling`` go by rising wavelength,
whatever the axis counts. Results are in the unit of the band. Nothing is guessed: a spectrum that
crosses a level twice, or not at all, has no edge there and says so.

No standard fixes these definitions for all filters; they are common practice, and a specification
has to say which one it means.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.quantities.parabolas import vertices
from speclake.quantities.places import Place
from speclake.quantities.stretches import Stretch, stretch_of
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray, SpectrumSet

BoolArray = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]
Direction = Literal["rising", "falling"]
Which = Literal["only", "first", "last"]
Peak = Literal["sampled", "parabola"]
Extreme = Literal["minimum", "maximum"]
Steepness = Literal["distance", "relative distance", "slope"]
Centre = Literal["middle of the crossings", "centroid"]


@dataclass(frozen=True)
class Level:
    """A level that a spectrum crosses.

    Parameters
    ----------
    value : in the unit of the set, or in percent of the peak.
    peak : how the peak is found that the level is relative to: ``sampled`` takes the largest value
        in the band, ``parabola`` the top of the parabola through it and its two neighbours; None
        for an absolute level.
    """

    value: float
    peak: Peak | None = None

    def of(self, stretch: Stretch) -> FloatArray:
        """Level of each spectrum, shape (n,), in the unit of the set."""
        if self.peak is None:
            return np.full(stretch.values.shape[0], float(self.value))
        return extreme_of(stretch, "maximum", self.peak)[0] * (self.value / 100.0)

    def said(self, unit: str) -> str:
        """The level in words."""
        return f"{self.value:g} {unit}" if self.peak is None else f"{self.value:g} % of the peak"


def edge(
    spectra: SpectrumSet, place: Place, level: Level, direction: Direction, which: Which = "only"
) -> Values:
    """Position at which each spectrum crosses a level: the cut-on or cut-off of a filter.

    Parameters
    ----------
    place : the band in which the edge is looked for; the result is in its unit.
    which : the crossing that counts where there are several, by rising wavelength; ``only``
        demands that there is one.

    Examples
    --------
    A ramp from 0 at 500 nm to 1 at 510 nm passes one half at 505 nm.

    >>> from speclake.spectrum import Axis
    >>> ramp = SpectrumSet(Axis([490.0, 500.0, 510.0, 520.0], "nm"), [[0, 0, 1, 1]], "T", ("a",))
    >>> edge(ramp, Place(low=490, high=520), Level(0.5), "rising").value
    array([505.])
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    at, reasons = _crossing(stretch, level, direction, which, spectra.unit)
    return _positions(stretch, at, reasons)


def steepness(
    spectra: SpectrumSet,
    place: Place,
    levels: tuple[Level, Level],
    direction: Direction,
    how: Steepness,
    *,
    middle: Level | None = None,
    which: Which = "only",
) -> Values:
    """How steep an edge is, from the positions of two levels.

    Parameters
    ----------
    levels : the two levels, in any order.
    how : ``distance`` between their positions, in the unit of the band; ``relative distance``, that
        as percent of the position of `middle`; or ``slope``, the change of the value divided by the
        distance, in the unit of the set per unit of the band, always positive.
    middle : needed with ``relative distance``.

    Raises
    ------
    ValueError
        A relative distance was asked for without `middle`.
    """
    if (how == "relative distance") != (middle is not None):
        raise ValueError("a middle level with how = 'relative distance', and only then")
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    wanted = [*levels, *([middle] if middle else [])]
    found = [_crossing(stretch, each, direction, which, spectra.unit) for each in wanted]
    reasons = {row: why for _, each in reversed(found) for row, why in each.items()}
    counted = [stretch.counted(at) for at, _ in found]
    distance = np.abs(counted[1] - counted[0])
    if how == "slope":
        height = np.abs(levels[1].of(stretch) - levels[0].of(stretch))
        flat = (distance == 0) & ~np.isnan(distance)
        reasons |= {int(row): "both levels lie at one position" for row in np.flatnonzero(flat)}
        value = np.divide(height, distance, out=np.full_like(height, np.nan), where=distance > 0)
    elif middle is not None:
        value = 100.0 * distance / counted[2]
    else:
        value = distance
    return Values(blanked(value, reasons), None, reasons)


def passband_width(
    spectra: SpectrumSet, place: Place, level: Level, *, others: bool = False
) -> Values:
    """Width of the passband around the peak, between its crossings of a level.

    With a level of 50 % of the peak this is the full width at half maximum. In the unit of the
    band.

    Parameters
    ----------
    others : whether the spectrum may be above the level elsewhere in the band, too.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    left, right, reasons = _around_the_peak(stretch, level, others, spectra.unit)
    width = np.abs(stretch.counted(right) - stretch.counted(left))
    return Values(blanked(width, reasons), None, reasons)


def centre(
    spectra: SpectrumSet,
    place: Place,
    how: Centre,
    *,
    level: Level | None = None,
    others: bool = False,
) -> Values:
    """Centre of a passband, in the unit of the band.

    Parameters
    ----------
    how : ``middle of the crossings`` of `level` on both sides of the peak, or ``centroid``: the
        integral of position times value over the band, divided by the integral of the value, the
        spectrum taken as straight between its points.
    level : needed for the middle of the crossings.
    others : as for `passband_width`.

    Raises
    ------
    ValueError
        The middle of the crossings was asked for without a level, or the centroid with one.
    """
    if (how == "centroid") == (level is not None):
        raise ValueError("a level with how = 'middle of the crossings', and only then")
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    if level is None:
        return _centroid(stretch)
    left, right, reasons = _around_the_peak(stretch, level, others, spectra.unit)
    middle = (stretch.counted(left) + stretch.counted(right)) / 2.0
    return Values(blanked(middle, reasons), None, reasons)


def place_of_extreme(spectra: SpectrumSet, place: Place, extreme: Extreme, how: Peak) -> Values:
    """Position of the largest or smallest value in a band, in the unit of the band.

    Parameters
    ----------
    how : ``sampled`` gives the point itself (the first of equal ones), ``parabola`` the vertex of
        the parabola through it and its neighbours. A parabola at an end of the band has no vertex
        inside: such a spectrum cannot answer.
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    _, at = extreme_of(stretch, extreme, how)
    return _positions(stretch, at, _ends_said(stretch, at, extreme))


def extreme_value(spectra: SpectrumSet, place: Place, extreme: Extreme, how: Peak) -> Values:
    """Largest or smallest value in a band, in the unit of the set, and where it lies.

    Parameters
    ----------
    how : as for `place_of_extreme`; the top of a parabola depends less on where the points lie.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> dip = SpectrumSet(Axis([500.0, 501.0, 502.0], "nm"), [[1.0, 0.0, 0.5]], "%R", ("a",))
    >>> extreme_value(dip, Place(low=500, high=502), "minimum", "parabola").value.round(4)
    array([-0.0208])
    """
    stretch = stretch_of(spectra, place)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    value, at = extreme_of(stretch, extreme, how)
    reasons = _ends_said(stretch, at, extreme)
    return Values(blanked(value, reasons), blanked(at, reasons), reasons)


def _ends_said(stretch: Stretch, at: FloatArray, extreme: Extreme) -> dict[int, str]:
    reasons = dict(stretch.reasons)
    for row in np.flatnonzero(np.isnan(at)):
        reasons.setdefault(int(row), f"the {extreme} lies at an end of the band")
    return reasons


def extreme_of(stretch: Stretch, extreme: Extreme, how: Peak) -> tuple[FloatArray, FloatArray]:
    """Largest or smallest value of each row, and its position in the unit of the axis.

    NaN where a value is missing; with ``parabola`` also where it lies at an end of the stretch.

    Notes
    -----
    The parabola goes through three points of any spacing; its vertex lies between the outer two.
    """
    values, x = stretch.values, stretch.positions
    rows = np.arange(values.shape[0])
    # a missing value counts as the extreme one, and makes the answer missing
    top = stretch.highest if extreme == "maximum" else values.argmin(axis=1)
    if how == "sampled":
        height = values[rows, top]
        return height, np.where(np.isnan(height), np.nan, x[top])
    if x.size < 3:
        return np.full(rows.size, np.nan), np.full(rows.size, np.nan)
    height, at = vertices(x, values, rows, np.clip(top, 1, x.size - 2))
    is_inside = (top > 0) & (top < x.size - 1) & ~np.isnan(height)
    return np.where(is_inside, height, np.nan), np.where(is_inside, at, np.nan)


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Where rows go through their levels in one direction, by row and along each row.

    `rows` and `steps` have one entry a crossing, between point `step` and the next one; `counts`
    has one a row.
    """

    rows: Indices
    steps: Indices
    counts: Indices

    @classmethod
    def among(cls, rows: Indices, steps: Indices, n: int) -> "_Crossings":
        return cls(rows, steps, np.bincount(rows, minlength=n))

    def only(self, chosen: BoolArray) -> "_Crossings":
        """Those of them that are chosen."""
        return self.among(self.rows[chosen], self.steps[chosen], self.counts.size)

    def first(self) -> Indices:
        """Step of the first crossing of each row; 0 where there is none."""
        return self._picked(np.cumsum(self.counts) - self.counts)

    def last(self) -> Indices:
        """Step of the last crossing of each row; 0 where there is none."""
        return self._picked(np.cumsum(self.counts) - 1)

    def _picked(self, places: Indices) -> Indices:
        steps = np.zeros(self.counts.size, np.intp)
        has = self.counts > 0
        steps[has] = self.steps[places[has]]
        return steps


def _crossings(stretch: Stretch, levels: FloatArray) -> dict[Direction, _Crossings]:
    """Where each row goes through its level."""
    above = stretch.values >= levels[:, np.newaxis]
    turns = above[:, :-1] != above[:, 1:]
    # of a flat array NumPy finds the few true entries many times faster than of one with two axes
    rows, steps = np.divmod(np.flatnonzero(turns), turns.shape[1])
    rises = above[rows, steps + 1]
    found = _Crossings.among(rows, steps, len(above))
    return {"rising": found.only(rises), "falling": found.only(~rises)}


def _crossing(
    stretch: Stretch, level: Level, direction: Direction, which: Which, unit: str
) -> tuple[FloatArray, dict[int, str]]:
    """Position of the crossing of each row in the unit of the axis, and reasons where none is."""
    levels = level.of(stretch)
    crossings = _crossings(stretch, levels)[direction]
    first, last = crossings.first(), crossings.last()
    at = _where(stretch, levels, last if which == "last" else first)
    reasons = dict(stretch.reasons)
    verb = {"rising": "rise", "falling": "fall"}[direction]
    said = level.said(unit)
    for row in np.flatnonzero(np.isnan(levels)):
        reasons.setdefault(int(row), "the peak lies at an end of the band")
    for row in np.flatnonzero(crossings.counts == 0):
        reasons.setdefault(int(row), f"the spectrum does not {verb} through {said} in the band")
    if which == "only" and (crossings.counts > 1).any():
        ends = [stretch.counted(_where(stretch, levels, each)) for each in (first, last)]
        for row in np.flatnonzero(crossings.counts > 1):
            reasons.setdefault(
                int(row),
                f"the spectrum {verb}s through {said} {crossings.counts[row]} times, first at "
                f"{ends[0][row]:.10g} and last at {ends[1][row]:.10g} {stretch.place.unit}",
            )
    return blanked(at, reasons), reasons


def _where(stretch: Stretch, levels: FloatArray, step: Indices) -> FloatArray:
    """Where the line between two neighbouring points of each row meets its level; NaN if not."""
    rows, x = np.arange(stretch.values.shape[0]), stretch.positions
    if x.size < 2:
        return np.full(rows.size, np.nan)
    start, stop = stretch.values[rows, step], stretch.values[rows, step + 1]
    share = (levels - start) / np.where(stop == start, np.nan, stop - start)
    share = np.where((share >= 0) & (share <= 1), share, np.nan)
    return x[step] + (x[step + 1] - x[step]) * share


def _around_the_peak(
    stretch: Stretch, level: Level, others: bool, unit: str
) -> tuple[FloatArray, FloatArray, dict[int, str]]:
    """Crossings of a level on both sides of the peak, in the unit of the axis."""
    levels, top = level.of(stretch), stretch.highest
    crossings = _crossings(stretch, levels)
    rising, falling = crossings["rising"], crossings["falling"]
    on_left = rising.only(rising.steps < top[rising.rows])
    on_right = falling.only(falling.steps >= top[falling.rows])
    reasons, said = dict(stretch.reasons), level.said(unit)
    for row in np.flatnonzero(np.isnan(levels)):
        reasons.setdefault(int(row), "the peak lies at an end of the band")
    for side, found in (("below", on_left), ("above", on_right)):
        for row in np.flatnonzero(found.counts == 0):
            words = f"the spectrum does not cross {said} {side} the peak, within the band"
            reasons.setdefault(int(row), words)
    if not others:
        for row in np.flatnonzero((rising.counts > 1) | (falling.counts > 1)):
            reasons.setdefault(int(row), f"the spectrum is above {said} in several places")
    left, right = (_where(stretch, levels, each) for each in (on_left.last(), on_right.first()))
    return left, right, reasons


def _centroid(stretch: Stretch) -> Values:
    """Centroid of each row, the integrals exact for straight lines between the points."""
    x, values = stretch.counted(stretch.positions), stretch.values
    steps = np.abs(np.diff(x))
    first, second = values[:, :-1], values[:, 1:]
    weight = np.add.reduce(np.ascontiguousarray((first + second) * (steps / 2.0)), axis=1)
    moment = np.add.reduce(
        np.ascontiguousarray(
            (x[:-1] * (2.0 * first + second) + x[1:] * (first + 2.0 * second)) * (steps / 6.0)
        ),
        axis=1,
    )
    reasons = dict(stretch.reasons)
    for row in np.flatnonzero(~(weight > 0)):
        reasons.setdefault(int(row), "the integral over the band is not above zero")
    value = np.divide(moment, weight, out=np.full_like(moment, np.nan), where=weight > 0)
    return Values(blanked(value, reasons), None, reasons)


def _positions(stretch: Stretch, at: FloatArray, reasons: dict[int, str]) -> Values:
    found = blanked(at, reasons)
    return Values(stretch.counted(found), found, reasons)
