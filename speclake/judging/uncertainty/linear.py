"""Uncertainties of numbers that are sums over a spectrum, without a draw.

A value, a mean over a band, an average of readings and a weighted mean are weighted sums of the
values of the spectrum; a minimum or a maximum is taken as the value at the place where it was
found. The law of propagation of uncertainty (JCGM 100:2008, 5.2) holds for them exactly.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.judging.taking import TAKERS, Given
from speclake.judging.taking.places import where_of
from speclake.judging.uncertainty.lines import Points, nanometres, sizes, slopes, variance
from speclake.quantities.windows import Window
from speclake.specs.requirements import (
    BandRequirement,
    Requirement,
    StepMeanRequirement,
    ValueRequirement,
    WeightedRequirement,
)
from speclake.specs.requirements.uncertainty import BudgetLine
from speclake.spectrum import Axis, FloatArray, SpectrumSet

Indices = npt.NDArray[np.intp]

SUMS = (BandRequirement, ValueRequirement, StepMeanRequirement, WeightedRequirement)


def is_sum(requirement: Requirement) -> bool:
    """Whether the number of a requirement is a weighted sum of the values of the spectrum."""
    return isinstance(requirement, SUMS) and requirement.after_smoothing is None


def is_extreme_value(requirement: Requirement) -> bool:
    """Whether a number is the smallest or the largest value of a band."""
    return isinstance(requirement, BandRequirement) and requirement.what != "mean"


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """Which points of an axis a number is a sum of, with which weights.

    Parameters
    ----------
    points : shape (q,), or (n, q) where each spectrum has its own.
    weights : of the same shape.
    """

    points: Indices
    weights: FloatArray


def variances(
    requirement: Requirement, spectra: SpectrumSet, at: FloatArray, lines: Sequence[BudgetLine]
) -> FloatArray:
    """Variance that each line gives each number, shape (n, lines); NaN where none can be told.

    Parameters
    ----------
    spectra : in the unit in which the requirement takes them.
    at : shape (n,), where a minimum or a maximum was found, in the unit of the axis.
    """
    found = _sensitivity(requirement, spectra, at)
    points, at_nm = found.points, nanometres(spectra.axis)
    first, last = max(0, int(points.min()) - 1), min(at_nm.size, int(points.max()) + 2)
    near = spectra.values[:, first:last]
    chosen = points - first
    if chosen.ndim == 1:
        chosen = np.broadcast_to(chosen, (len(spectra), chosen.size))
    taken = Points(
        np.take_along_axis(near, chosen, axis=1),
        spectra.unit,
        at_nm[points],
        np.take_along_axis(slopes(near, at_nm[first:last]), chosen, axis=1),
    )
    # where the weight is zero the value does not matter, were it missing
    weights = np.broadcast_to(found.weights, taken.values.shape)
    parts = [np.where(weights == 0, 0.0, weights * sizes(each, taken)) for each in lines]
    return np.stack(
        [variance(line, part, taken.at_nm) for line, part in zip(lines, parts, strict=True)], axis=1
    )


def _sensitivity(requirement: Requirement, spectra: SpectrumSet, at: FloatArray) -> Sensitivity:
    if is_extreme_value(requirement):
        return _at_places(spectra.axis, at)
    if isinstance(requirement, BandRequirement | ValueRequirement):
        window = where_of(requirement).on(spectra)
        return _of_mean(window) if requirement.what == "mean" else _of_value(window)
    return _of_units(requirement, spectra)


def _of_mean(window: Window) -> Sensitivity:
    return Sensitivity(np.arange(window.needed.start, window.needed.stop), window.weights)


def _of_value(window: Window) -> Sensitivity:
    if window.before is None:
        return Sensitivity(np.array([window.start]), np.ones(1))
    point, share = window.before.point, window.before.share
    return Sensitivity(np.array([point, point + 1]), np.array([1 - share, share]))


def _at_places(axis: Axis, at: FloatArray) -> Sensitivity:
    """Value on the straight line between the two points around a place, one place a spectrum."""
    x = axis.values
    if x.size < 2:
        return Sensitivity(np.zeros((at.size, 1), np.intp), np.ones((at.size, 1)))
    below = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
    share = (at - x[below]) / (x[below + 1] - x[below])
    return Sensitivity(np.stack((below, below + 1), axis=1), np.stack((1 - share, share), axis=1))


def _of_units(requirement: Requirement, spectra: SpectrumSet) -> Sensitivity:
    """Weights of a sum, from its numbers for spectra that are one at a point and else zero."""
    p = len(spectra.axis)
    zero_and_units = np.vstack((np.zeros(p), np.eye(p)))
    asked = SpectrumSet(spectra.axis, zero_and_units, spectra.unit, tuple(map(str, range(p + 1))))
    found = TAKERS[type(requirement)](asked, requirement, Given([])).value
    weights = found[1:] - found[0]
    points = np.flatnonzero(weights)
    return Sensitivity(points, weights[points])
