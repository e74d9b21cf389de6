"""Where a band or a position lies on an axis, and whether a spectrum can answer for it."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from speclake.conversion import turns_round
from speclake.errors import UnitError
from speclake.spectrum import Axis, FloatArray
from speclake.units import AxisUnit, Medium, convert_positions

USUAL_INTERVALS = 5.0
"""A stretch without a point is a gap when it is longer than this many usual intervals."""

SAME_POSITION = 1e-12
"""Relative distance below which a band end and a point of the axis are one position.

A unit conversion moves a position by a few parts in 10¹⁶; no export writes a wavelength to 10⁻¹².
"""


@dataclass(frozen=True)
class Between:
    """A position between two neighbouring points of an axis: `share` of the way from `point`."""

    point: int
    share: float


@dataclass(frozen=True, eq=False)
class Window:
    """A band, or one position, found on an axis.

    Parameters
    ----------
    axis : the axis.
    unit, medium : unit of the band as it was asked for; `medium` None takes the axis's own scale.
    low, high : its ends in that unit; equal for one position.
    start, stop : the points of the axis that lie in the band are ``start`` to ``stop - 1``.
    at_start, at_stop : the ends in the unit of the axis, in the order of the axis.
    before, after : the ends, where they lie between two points; None where they lie on one.
    over : what a mean is integrated over, if not the unit of the band.
    problem : why no spectrum on this axis can answer, in words; None if the axis is not to blame.
    """

    axis: Axis
    unit: AxisUnit
    medium: Medium | None
    low: float
    high: float
    start: int = 0
    stop: int = 0
    at_start: float = np.nan
    at_stop: float = np.nan
    before: Between | None = None
    after: Between | None = None
    over: AxisUnit | None = None
    problem: str | None = None

    @property
    def needed(self) -> slice:
        """Points of the axis whose values are needed, the neighbours of the ends included."""
        first = self.start if self.before is None else self.before.point
        last = self.stop - 1 if self.after is None else self.after.point + 1
        return slice(first, last + 1)

    def narrowed(self) -> "Window":
        """The same window on an axis that has only the needed points."""
        needed = self.needed
        first = needed.start
        return replace(
            self,
            axis=Axis(self.axis.values[needed], self.axis.unit, self.axis.medium),
            start=self.start - first,
            stop=self.stop - first,
            before=self.before and replace(self.before, point=self.before.point - first),
            after=self.after and replace(self.after, point=self.after.point - first),
        )

    @cached_property
    def positions(self) -> FloatArray:
        """Ends and inner points in the order of the axis, counted in the unit of the band."""
        inner = self.axis.values[self.start : self.stop]
        counted = counted_in(self.axis, inner, self.unit, self.medium)
        ends = (self.low, self.high)
        if turns_round(self.axis.unit, self.unit):
            ends = (self.high, self.low)
        # an end on a point is that point, whatever the conversion back made of its last bit
        if self.before is None:
            counted = counted[1:]
        if self.after is None:
            counted = counted[:-1]
        return np.concatenate(([ends[0]], counted, [ends[1]]))

    @cached_property
    def along(self) -> FloatArray:
        """The same positions counted in what a mean is integrated over."""
        if self.over is None:
            return self.positions
        return convert_positions(self.positions, self.unit, self._scale(), self.over)

    def _scale(self) -> Medium | None:
        return self.medium or (None if self.unit in ("cm-1", "eV") else self.axis.medium)

    @cached_property
    def weights(self) -> FloatArray:
        """Weight of each needed value in the mean over the band; their sum is one.

        Trapezoids between neighbouring points, integrated over the unit of the band or over `over`;
        a value at an end between two points is their linear interpolation over the axis.
        """
        along = self.along
        widths = np.abs(np.diff(along)) / abs(along[-1] - along[0])
        shares = np.zeros(widths.size + 1)
        shares[:-1] += widths / 2
        shares[1:] += widths / 2
        needed = self.needed
        weights = np.zeros(needed.stop - needed.start)
        first = 0 if self.before is None else 1
        inner = slice(first, first + self.stop - self.start)
        begin = self.start - needed.start
        weights[begin : begin + self.stop - self.start] += shares[inner]
        for end, share in ((self.before, shares[0]), (self.after, shares[-1])):
            if end is not None:
                place = end.point - needed.start
                weights[place] += share * (1 - end.share)
                weights[place + 1] += share * end.share
        weights.flags.writeable = False
        return weights


def locate(
    axis: Axis,
    low: float,
    high: float | None = None,
    *,
    unit: AxisUnit = "nm",
    medium: Medium | None = None,
    largest_interval: float | None = None,
    over: AxisUnit | None = None,
) -> Window:
    """Window of a band, or of the one position `low`, on an axis.

    Parameters
    ----------
    low, high : ends of the band, in `unit`; None makes it one position.
    medium : what a band in nm or µm is counted in; None means the scale of the axis, whatever
        that is.
    largest_interval : longest stretch without a point that is tolerated, in `unit`; by default
        `USUAL_INTERVALS` times the median interval of the whole axis.
    over : what a mean over the band is integrated over; None is the unit of the band. Wavelengths
        made of wavenumbers or energies are in vacuum.

    Raises
    ------
    ValueError
        The band is empty, or not above zero.
    """
    top = low if high is None else high
    if not 0 < low <= top < np.inf or (high is not None and low == top):
        raise ValueError(f"a band runs from a lower to a higher position, found {low} to {top}")
    bare = Window(axis, unit, medium, low, top, over=over)
    try:
        ends = on_axis(axis, np.array([low, top]), unit, medium)
    except UnitError as error:
        return replace(bare, problem=str(error))
    begin, end = _snapped(axis.values, float(ends.min())), _snapped(axis.values, float(ends.max()))
    if begin < axis.values[0] or end > axis.values[-1]:
        return replace(bare, problem=_not_covered(bare))
    found = replace(
        bare,
        start=int(np.searchsorted(axis.values, begin, side="left")),
        stop=int(np.searchsorted(axis.values, end, side="right")),
        at_start=begin,
        at_stop=end,
        before=_between(axis.values, begin),
        after=_between(axis.values, end),
    )
    return replace(found, problem=_gap(found, largest_interval))


def on_axis(axis: Axis, ends: FloatArray, unit: AxisUnit, medium: Medium | None) -> FloatArray:
    """Ends of a band in the unit and medium of the axis."""
    if unit == axis.unit and medium in (None, axis.medium):
        return ends
    if axis.unit in ("cm-1", "eV"):
        return convert_positions(ends, unit, medium, axis.unit)
    if unit in ("cm-1", "eV") or medium is not None:
        if axis.medium is None:
            raise UnitError(
                f"the requirement counts in {unit}{' in ' + medium if medium else ''}, and nobody "
                "said whether the wavelengths of the spectrum are counted in air or in vacuum"
            )
        return convert_positions(ends, unit, medium, axis.unit, axis.medium)
    return convert_positions(ends, unit, axis.medium, axis.unit)


def counted_in(
    axis: Axis, positions: FloatArray, unit: AxisUnit, medium: Medium | None
) -> FloatArray:
    """Positions of the axis in the unit and medium of a band."""
    if unit == axis.unit and medium in (None, axis.medium):
        return positions
    return convert_positions(positions, axis.unit, axis.medium, unit, medium)


def _snapped(points: FloatArray, position: float) -> float:
    """Position, or the point of the axis that it differs from by rounding only."""
    nearest = float(points[np.abs(points - position).argmin()])
    return nearest if abs(nearest - position) <= SAME_POSITION * nearest else position


def _between(points: FloatArray, position: float) -> Between | None:
    above = int(np.searchsorted(points, position, side="left"))
    if points[above] == position:
        return None
    below = float(points[above - 1])
    return Between(above - 1, (position - below) / (float(points[above]) - below))


def _not_covered(window: Window) -> str:
    axis = window.axis
    reach = f"{axis.values[0]:.10g} {axis.unit} to {axis.values[-1]:.10g} {axis.unit}"
    wanted = f"{window.low:.10g} {window.unit}"
    if window.high > window.low:
        wanted += f" to {window.high:.10g} {window.unit}"
    return f"the spectrum runs from {reach} and does not cover {wanted}"


def _gap(window: Window, largest_interval: float | None) -> str | None:
    """What is wrong with the intervals of the axis inside the window, if anything."""
    axis, unit = window.axis, window.unit
    points = axis.values[window.needed]
    if points.size < 2:
        return None
    counted = counted_in(axis, points, unit, window.medium)
    widths = np.abs(np.diff(counted))
    if largest_interval is None:
        largest = USUAL_INTERVALS * _usual_interval(axis, unit)
        allowed = f"{largest:.6g} {unit}, {USUAL_INTERVALS:g} times the usual interval"
    else:
        largest = largest_interval
        allowed = f"{largest:.6g} {unit}"
    # the difference of two decimal positions is only as exact as their last bits
    widest = int(widths.argmax())
    if widths[widest] <= largest + 8 * np.finfo(np.float64).eps * float(counted.max()):
        return None
    low, high = sorted((float(counted[widest]), float(counted[widest + 1])))
    return (
        f"the spectrum has no point between {low:.10g} {unit} and {high:.10g} {unit}, "
        f"an interval of {widths[widest]:.6g} {unit}; the largest allowed is {allowed}"
    )


def _usual_interval(axis: Axis, unit: AxisUnit) -> float:
    """Median interval of an axis in another unit; that of air or vacuum is the same to 0.1 %."""
    points = axis.values
    if unit != axis.unit:
        points = convert_positions(points[points > 0], axis.unit, "vacuum", unit, "vacuum")
    return float(np.median(np.abs(np.diff(points))))
