"""Rejection: optical density over a blocking band, and what leaks outside the passband.

Everything is taken in transmittance T, and between two points T is the straight line through them.
Definitions are common practice; no standard fixes them for all filters.

No spectrum proves more than its instrument and its export can tell: where T lies at or below the
floor, the floor stands in its place, and the result is a bound. The floor of a spectrum is the
largest of what is stated and of half the last digit that was exported; where neither is known, it
is the size of the most negative T in the band, which nothing but error can have made. Where no
floor is stated, the last digit for a T of zero or below is that of the large values.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.errors import UnitError
from speclake.quantities.places import Place
from speclake.quantities.stretches import Stretch, stretch_of
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT, Values, blanked
from speclake.quantities.windows import counted_in
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import AxisUnit, Medium, SpectralUnit

Density = Literal["minimum", "mean", "of mean transmittance"]
BoolArray = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]
Decides = Literal["largest", "mean"]
"""What of a band makes the number: its largest value alone, or all of them."""

AT_FLOOR = 1 + 1e-9
"""Part of the floor up to which a T counts as lying at it: a logarithm moves the last digits."""

NO_FLOOR = "T is zero, and neither a stated floor nor the digits exported tell how small it may be"

LARGEST_COUNT = 1e13
"""Largest number of last digits in a value; above it float64 itself is a grid of decimals."""

PROBED = 64
"""Values of a spectrum that a step is tried on before all of them."""

VALUES_AT_ONCE = 131_072
"""Values that are searched for their last digit at once, few enough for the processor's cache."""


@dataclass(frozen=True, eq=False)
class FloorCurve:
    """Smallest T that a configuration can tell from nothing, along the axis.

    Parameters
    ----------
    positions : shape (k,), strictly ascending, in `unit`; straight between them, unknown beyond.
    values : shape (k,), in T.
    medium : what a wavelength is counted in; None means the scale of the spectra.
    """

    positions: Sequence[float]
    values: Sequence[float]
    unit: AxisUnit = "nm"
    medium: Medium | None = None

    def at(self, stretch: Stretch) -> FloatArray | str:
        """Floor at each position of a stretch; in words, why it is not known there."""
        axis = Axis(np.sort(stretch.positions), stretch.axis_unit, stretch.axis_medium)
        try:
            counted = counted_in(axis, stretch.positions, self.unit, self.medium)
        except UnitError as error:
            return str(error)
        known, slack = np.asarray(self.positions, dtype=np.float64), 1e-12 * counted.max()
        if counted.min() < known[0] - slack or counted.max() > known[-1] + slack:
            return (
                f"the floor is known from {known[0]:.10g} {self.unit} to {known[-1]:.10g} "
                f"{self.unit} and not over the whole band"
            )
        return np.interp(counted, known, self.values)


Floor = float | FloorCurve | None
"""The same T everywhere, a curve, or nothing that anybody stated."""


def optical_density(
    spectra: SpectrumSet, place: Place, definition: Density, *, floor: Floor = None
) -> Values:
    """Optical density of each spectrum over a band: -log10 T, by one of three definitions.

    Parameters
    ----------
    spectra : as exported, in %T, T or A: the digits that a change of unit makes prove nothing.
    definition : ``minimum``, the density of the largest T, and where it lies; ``mean``, the mean of
        the density over the band, by trapezoids; ``of mean transmittance``, the density of the
        mean of T. Half a band at density 4 and half at 6 have 4, 5 and 4.2967.
    floor : in T.

    Returns
    -------
    Values
        In OD; at least the number found where a T at the floor decides: the largest one for
        ``minimum``, any one for ``mean``, the mean itself for ``of mean transmittance``, in which
        negative values count as the noise around zero that they are.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> axis = Axis(np.array([400.0, 500.0]), "nm")
    >>> one = SpectrumSet(axis, np.array([[4.0, 4.0]]), "A", ("a",))
    >>> print(optical_density(one, Place(low=400, high=500), "minimum").value)
    [4.]
    """
    found = _dark(spectra, place, floor, "largest" if definition == "minimum" else "mean")
    if isinstance(found, str):
        return Values.of_none(len(spectra), found)
    stretch, floors, reasons = found
    is_bound: BoolArray
    at: FloatArray | None = None
    if definition == "of mean transmittance":
        mean, lowest = stretch.mean(stretch.values), stretch.mean(floors)
        is_bound = mean <= lowest * AT_FLOOR
        value = _density(np.where(is_bound, lowest, mean))
    elif definition == "mean":
        clipped = stretch.values <= floors * AT_FLOOR
        is_bound = np.logical_or.reduce(clipped, axis=1)
        value = stretch.mean(_density(np.where(clipped, floors, stretch.values)))
    else:
        largest, at, is_bound = _largest(stretch, floors)
        value = _density(largest)
    return _answer(value, at, reasons, np.where(is_bound, AT_LEAST, EXACT))


def largest_leakage(
    spectra: SpectrumSet, places: Sequence[Place], *, floor: Floor = None
) -> Values:
    """Largest T of each spectrum over some blocking bands, in T, and where it lies.

    At most the number found where no T that is as large lies above the floor. Parameters as for
    `optical_density`.
    """
    best, at = np.full(len(spectra), -np.inf), np.full(len(spectra), np.nan)
    is_bound = np.ones(len(spectra), np.bool_)
    reasons: dict[int, str] = {}
    for place in places:
        found = _dark(spectra, place, floor, "largest")
        if isinstance(found, str):
            return Values.of_none(len(spectra), found)
        stretch, floors, why = found
        reasons = {**why, **reasons}
        largest, where, clipped = _largest(stretch, floors)
        better = (largest > best) | ((largest == best) & is_bound)
        best, at = np.where(better, largest, best), np.where(better, where, at)
        is_bound = np.where(better, clipped, is_bound)
    best[best == 0] = np.nan
    return _answer(best, at, reasons, np.where(is_bound, AT_MOST, EXACT))


def leakage_share(
    spectra: SpectrumSet, place: Place, blocking: Sequence[Place], *, floor: Floor = None
) -> Values:
    """Integral of T over the blocking bands in percent of that over the passband.

    Integrals by trapezoids over the unit of the bands; negative values count as noise around zero.
    A blocking band whose mean lies at or below the mean of the floor counts with the floor, and
    the result is at most the number found. Other parameters as for `optical_density`.
    """
    signal = stretch_of(spectra, place, "T")
    if isinstance(signal, str):
        return Values.of_none(len(spectra), signal)
    reasons = dict(signal.reasons)
    within = signal.mean(signal.values) * (place.high - place.low)
    for row in np.flatnonzero(within <= 0):
        reasons.setdefault(int(row), "the integral over the passband is not above zero")
    leaked = np.zeros(len(spectra))
    is_bound = np.zeros(len(spectra), np.bool_)
    for each in blocking:
        found = _dark(spectra, each, floor, "mean")
        if isinstance(found, str):
            return Values.of_none(len(spectra), found)
        stretch, floors, why = found
        reasons = {**why, **reasons}
        mean, lowest = stretch.mean(stretch.values), stretch.mean(floors)
        clipped = mean <= lowest * AT_FLOOR
        is_bound |= clipped
        counted = np.where(clipped, np.where(lowest > 0, lowest, np.nan), mean)
        leaked += counted * (each.high - each.low)
    share = 100.0 * np.divide(leaked, within, out=np.zeros_like(leaked), where=within > 0)
    return _answer(share, None, reasons, np.where(is_bound, AT_MOST, EXACT))


def exported_step(values: FloatArray) -> FloatArray:
    """Last digit with which each row was exported: 1, 0.1 and so on; NaN where none is found.

    The largest of these of which every value of the row is a whole number; missing values say
    nothing, and a row of zeros has no digits.

    Parameters
    ----------
    values : shape (n, p), in the unit in which they were exported.

    Examples
    --------
    >>> print(exported_step(np.array([[90.0, 45.31, 0.0], [1 / 3, 0.1, 0.0]])))
    [0.01  nan]
    """
    step = np.empty(len(values))
    rows_at_once = max(1, VALUES_AT_ONCE // values.shape[1])
    for begin in range(0, len(values), rows_at_once):
        block = slice(begin, begin + rows_at_once)
        step[block] = _step_of(np.abs(np.nan_to_num(values[block])))
    return step


def _step_of(size: FloatArray) -> FloatArray:
    largest = size.max(axis=1)
    step = np.full(largest.shape, np.nan)
    for digits in range(16):
        scale = 10.0**digits
        rows = np.flatnonzero(np.isnan(step) & (largest > 0) & (largest * scale <= LARGEST_COUNT))
        if not rows.size:
            break
        # a few values rule out most steps that are too coarse
        for columns in (slice(None, None, max(1, size.shape[1] // PROBED)), slice(None)):
            rows = rows[_is_whole(size[rows, columns] * scale).all(axis=1)]
        step[rows] = 1 / scale
    return step


def _is_whole(counted: FloatArray) -> BoolArray:
    whole: BoolArray = np.abs(counted - np.rint(counted)) <= 4 * np.finfo(np.float64).eps * counted
    return whole


def _dark(
    spectra: SpectrumSet, place: Place, floor: Floor, decides: Decides
) -> tuple[Stretch, FloatArray, dict[int, str]] | str:
    """Band of each spectrum in T, the floor at each of its points, and what hinders which row."""
    stretch = stretch_of(spectra, place, "T")
    if isinstance(stretch, str):
        return stretch
    stated = floor.at(stretch) if isinstance(floor, FloorCurve) else np.float64(floor or 0.0)
    if isinstance(stated, str):
        return stated
    floors = np.broadcast_to(stated, stretch.values.shape).copy()
    rows = _near_a_digit(spectra, stretch, floors, floor, decides)
    if rows.size:
        digits = _digits(spectra.values[rows], spectra.unit, stretch.values[rows], floor)
        floors[rows] = np.maximum(floors[rows], digits)
    if floor is None:
        lowest = np.where(np.isnan(stretch.values), np.inf, stretch.values).min(axis=1)
        unknown = (floors == 0).all(axis=1)
        floors[unknown] = np.maximum(-lowest[unknown], 0.0)[:, np.newaxis]
    return stretch, floors, dict(stretch.reasons)


def _near_a_digit(
    spectra: SpectrumSet, stretch: Stretch, floors: FloatArray, floor: Floor, decides: Decides
) -> Rows:
    """Rows whose answer may depend on half of the last digit exported.

    To find that digit takes longer than all the rest. What was exported above zero is one last
    digit at least and lies above the half of it; a value between two points may not.
    """
    if decides == "mean" and isinstance(floor, FloorCurve):
        return np.arange(len(spectra))
    window = stretch.place.on(spectra)
    if decides == "largest" and floor is not None:
        top = stretch.highest
        is_safe = stretch.values[np.arange(top.size), top] > floors.max(axis=1) * AT_FLOOR
        if window.before is not None or window.after is not None:
            is_safe &= (top > 0) & (top < stretch.positions.size - 1)
    else:
        is_safe = spectra.values[:, window.needed].min(axis=1) > 0
    return np.flatnonzero(~is_safe)


def _digits(values: FloatArray, unit: SpectralUnit, seen: FloatArray, floor: Floor) -> FloatArray:
    """Half of the last digit exported, in T, at each point of a stretch; zero where unknown.

    Parameters
    ----------
    values, unit : spectra as exported, all points.
    seen : shape (n, q), T over the stretch.
    """
    if unit == "A":
        return np.zeros(seen.shape)
    per_digit = 2.0 if unit == "T" else 200.0
    fine = np.nan_to_num(exported_step(values) / per_digit)
    floors = np.broadcast_to(fine[:, np.newaxis], seen.shape).copy()
    if floor is not None:
        return floors
    dark = seen <= 0
    rows = np.flatnonzero(dark.any(axis=1))
    if rows.size:
        # an export of so many significant digits writes 1e-9 where it could not tell that from 0
        size = np.abs(values[rows])
        largest = np.nanmax(size, axis=1, keepdims=True)
        coarse = exported_step(np.where(size >= largest / 2, size, np.nan)) / per_digit
        floors[rows] = np.where(dark[rows], np.nan_to_num(coarse)[:, np.newaxis], floors[rows])
    return floors


def _largest(stretch: Stretch, floors: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Largest T of each row with the floor in place of what lies at it, where, and if clipped."""
    values, decisive = stretch.values, stretch.highest.copy()
    largest = values[np.arange(len(values)), decisive]
    is_bound = np.zeros(len(values), np.bool_)
    # where the largest T lies above all of its floor, nothing else can decide
    rows = np.flatnonzero(~(largest > floors.max(axis=1) * AT_FLOOR))
    clipped = values[rows] <= floors[rows] * AT_FLOOR
    seen = np.where(clipped, floors[rows], values[rows])
    is_largest = seen == seen.max(axis=1, keepdims=True)
    # among equal ones a T that was measured says more than a bound
    measured = is_largest & ~clipped
    is_bound[rows] = ~measured.any(axis=1)
    decisive[rows] = np.where(is_bound[rows], is_largest.argmax(axis=1), measured.argmax(axis=1))
    largest[rows] = seen[np.arange(rows.size), decisive[rows]]
    return largest, stretch.positions[decisive], is_bound


def _answer(
    value: FloatArray, at: FloatArray | None, reasons: dict[int, str], bound: npt.NDArray[np.int_]
) -> Values:
    """Numbers of all rows; those without one get a reason: their zero had no floor under it."""
    for row in np.flatnonzero(np.isnan(value)):
        reasons.setdefault(int(row), NO_FLOOR)
    found_at = None if at is None else blanked(at, reasons)
    said = np.where(np.isnan(value), EXACT, bound).astype(np.int8)
    return Values(blanked(value, reasons), found_at, reasons, said)


def _density(transmittance: FloatArray) -> FloatArray:
    """-log10 T, NaN for a T that is zero."""
    return 0.0 - np.log10(np.where(transmittance > 0, transmittance, np.nan))
