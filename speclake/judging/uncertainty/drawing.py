"""Uncertainties by Monte Carlo: the number taken again from spectra with drawn errors.

For an edge, a colour, an optical density and whatever else is no plain sum. The drawn spectra are
cut to the points that the requirement needs. An error of the wavelength scale moves the axis
itself; where this uncovers an end of the spectrum, its last line is continued up to there.

References
----------
JCGM 101:2008, clause 7: propagation of distributions by a Monte Carlo method.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from speclake.judging.conditions import AIR_TO_VACUUM, Conditions
from speclake.judging.taking import TAKERS, Given
from speclake.judging.uncertainty.fields import Errors, errors_of
from speclake.judging.uncertainty.lines import SMALLEST_POSITION, nanometres
from speclake.quantities.smoothing import smoothed
from speclake.specs.requirements import ColourRequirement, LeakageRequirement, Requirement
from speclake.specs.requirements.noise import DerivativeRequirement
from speclake.specs.requirements.shapes import FitRequirement
from speclake.specs.requirements.uncertainty import BudgetLine
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import SpectralUnit, convert_positions

NumberedLine = tuple[int, BudgetLine]
"""A line of a budget with its number in it, on which its errors hang."""

VALUES_AT_ONCE = 250_000
"""Drawn values that are held at a time."""

BEYOND = 5.0
"""Standard uncertainties of the wavelength scale by which the cut spectra reach farther."""

SPARE_POINTS = 2
ANY_INTERVAL = 1e9
"""The intervals of the axis were looked at when the number itself was taken."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """What the draws of each spectrum say, each array of shape (n,).

    Parameters
    ----------
    standard : standard deviation of the number over the draws that gave one.
    shift : their mean less the number of the spectrum itself.
    unanswered : share of the draws that gave no number.
    """

    standard: FloatArray
    shift: FloatArray
    unanswered: FloatArray


def drawn(
    requirement: Requirement,
    spectra: SpectrumSet,
    conditions: Sequence[Conditions],
    value: FloatArray,
    lines: Sequence[NumberedLine],
    draws: int,
) -> Drawn:
    """Numbers of a requirement taken from spectra with drawn errors.

    Parameters
    ----------
    spectra : in the unit in which the requirement takes them.
    conditions : one for each spectrum.
    value : shape (n,), the number of each spectrum, none of them missing.
    lines : of the budget, each with its number in it.
    """
    shift_nm = np.sqrt(sum(line.standard**2 for _, line in lines if line.unit == "nm"))
    part = _needed(requirement, spectra.axis, BEYOND * float(shift_nm))
    axis = Axis(spectra.axis.values[part], spectra.axis.unit, spectra.axis.medium)
    named = f"{requirement.taken()}|{spectra.axis.id}"
    errors = errors_of(lines, nanometres(axis), spectra.unit, draws, named)
    task = _Drawing(
        requirement if isinstance(requirement, ColourRequirement)
        else requirement.model_copy(update={"largest_interval": ANY_INTERVAL}),
        SpectrumSet(axis, spectra.values[:, part], spectra.unit, spectra.keys),
        conditions, value, errors,
    )  # fmt: skip
    return task.result()


@dataclass(frozen=True, eq=False)
class _Drawing:
    requirement: Requirement
    spectra: SpectrumSet
    conditions: Sequence[Conditions]
    value: FloatArray
    errors: Errors

    def result(self) -> Drawn:
        n, draws = len(self.spectra), self.errors.groups[-1].stop
        off = np.empty((n, draws))
        for shift, group in zip(self.errors.shifts_nm, self.errors.groups, strict=True):
            moved = _Moved.by(self.spectra.axis, float(shift))
            for rows in self._chunks(group):
                off[rows, group] = self._off(rows, group, moved)
        missing = np.isnan(off)
        answered = draws - missing.sum(axis=1)
        off[missing] = 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            shift_of = np.add.reduce(off, axis=1) / answered
            away = np.where(missing, 0.0, off - shift_of[:, np.newaxis])
            spread = np.sqrt(np.add.reduce(away**2, axis=1) / (answered - 1))
        return Drawn(spread, shift_of, missing.sum(axis=1) / draws)

    def _chunks(self, group: slice) -> Iterator[slice]:
        """Spectra that are worked on at once."""
        each = (group.stop - group.start) * len(self.spectra.axis)
        rows = max(1, VALUES_AT_ONCE // each)
        for begin in range(0, len(self.spectra), rows):
            yield slice(begin, min(begin + rows, len(self.spectra)))

    def _off(self, rows: slice, group: slice, moved: "_Moved") -> FloatArray:
        """Numbers of the draws of a group less those of the spectra, shape (n, draws)."""
        values = self.spectra.values[rows]
        n, draws = values.shape[0], group.stop - group.start
        room = np.empty((n, draws, len(moved.axis)))
        self.errors.put(values, group, room[:, :, moved.measured])
        asked = moved.with_values(room.reshape(n * draws, -1), self.spectra.unit)
        requirement, smoothing = self.requirement, self.requirement.after_smoothing
        if smoothing is not None:
            asked = smoothed(asked, smoothing.window, smoothing.degree)
        conditions = [each for each in self.conditions[rows] for _ in range(draws)]
        found = TAKERS[type(requirement)](asked, requirement, Given(conditions)).value
        off = found.reshape(n, draws) - self.value[rows, np.newaxis]
        # an angle goes round: 359° and 1° are 2° apart
        return (off + 180.0) % 360.0 - 180.0 if requirement.unit == "°" else off


@dataclass(frozen=True, eq=False)
class _Moved:
    """An axis whose wavelengths are moved, reaching as far as before.

    Parameters
    ----------
    axis : the moved one; where it would reach less far, with a point more.
    added : which point that is, 0 or -1; None where there is none.
    """

    axis: Axis
    added: int | None

    @classmethod
    def by(cls, axis: Axis, shift_nm: float) -> "_Moved":
        """Axis on which each point lies `shift_nm` farther up in wavelength."""
        x = nanometres(axis) + shift_nm
        if axis.unit != "nm":
            above = np.maximum(x, SMALLEST_POSITION)
            x = convert_positions(above, "nm", "vacuum", axis.unit, "vacuum")
        if shift_nm == 0 or len(axis) < 2 or x[0] == axis.values[0] or x[-1] == axis.values[-1]:
            # a shift below the last digits of the positions is none
            return cls(axis, None)
        goes_up = bool(x[0] > axis.values[0])
        parts = (axis.values[:1], x) if goes_up else (x, axis.values[-1:])
        return cls(Axis(np.concatenate(parts), axis.unit, axis.medium), 0 if goes_up else -1)

    @property
    def measured(self) -> slice:
        """Points that are not added."""
        return {None: slice(None), 0: slice(1, None), -1: slice(None, -1)}[self.added]

    def with_values(self, values: FloatArray, unit: SpectralUnit) -> SpectrumSet:
        """Spectra on this axis; the line between the last two points goes on to the added one.

        Parameters
        ----------
        values : shape (n, points), that of the added point is put in.
        """
        if self.added is not None:
            x, (far, end, inner) = self.axis.values, (0, 1, 2) if self.added == 0 else (-1, -2, -3)
            share = (x[far] - x[end]) / (x[inner] - x[end])
            values[:, far] = values[:, end] + (values[:, inner] - values[:, end]) * share
        return SpectrumSet(self.axis, values, unit, ("",) * values.shape[0])


def _needed(requirement: Requirement, axis: Axis, beyond_nm: float) -> slice:
    """Points of an axis that the number can depend on; all where the requirement names no place."""
    ends = [end for end in (*(requirement.band or ()), requirement.at) if end is not None]
    if isinstance(requirement, LeakageRequirement):
        ends += [end for band in requirement.blocking_bands for end in band]
    if isinstance(requirement, FitRequirement):
        ends = [ends[0] - requirement.half_width, ends[0] + requirement.half_width]
    if not ends:
        return slice(0, len(axis))
    counted = Axis(np.unique(np.maximum(ends, SMALLEST_POSITION)), requirement.axis_unit)
    smoothing = requirement.after_smoothing
    reach = beyond_nm + AIR_TO_VACUUM * float(nanometres(counted).max())
    reach += 0.0 if smoothing is None else smoothing.window
    reach += requirement.window if isinstance(requirement, DerivativeRequirement) else 0.0
    low, high = nanometres(counted).min() - reach, nanometres(counted).max() + reach
    at_nm = nanometres(axis)
    inside = np.flatnonzero((at_nm >= low) & (at_nm <= high))
    if inside.size == 0:
        inside = np.abs(at_nm - (low + high) / 2).argmin(keepdims=True)
    return slice(max(0, int(inside[0]) - SPARE_POINTS), int(inside[-1]) + 1 + SPARE_POINTS)
