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
    weights : shape (1, q) or (n, q).
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
    taken = _points(spectra, found.points)
    by_line = []
    for line in lines:
        # where the weight is zero the value does not matter, were it missing
        parts = np.where(found.weights == 0, 0.0, found.weights * sizes(line, taken))
        by_line.append(np.broadcast_to(variance(line, parts, taken.at_nm), len(spectra)))
    return np.stack(by_line, axis=1)


def _points(spectra: SpectrumSet, points: Indices) -> Points:
    """Values and slopes at some points of each spectrum."""
    at_nm = nanometres(spectra.axis)
    first, last = max(0, int(points.min()) - 1), min(at_nm.size, int(points.max()) + 2)
    near, places = spectra.values[:, first:last], points - first

    def chosen(values: FloatArray) -> FloatArray:
        return values[:, places] if places.ndim == 1 else np.take_along_axis(values, places, axis=1)

    return Points(
        chosen(near),
        spectra.unit,
        at_nm[points],
        lambda: chosen(slopes(near, at_nm[first:last])),
    )


def _sensitivity(requirement: Requirement, spectra: SpectrumSet, at: FloatArray) -> Sensitivity:
    if is_extreme_value(requirement):
        return _at_places(spectra.axis, at)
    if isinstance(requirement, BandRequirement | ValueRequirement):
        window = where_of(requirement).on(spectra)
        return _of_mean(window) if requirement.what == "mean" else _of_value(window)
    return _of_units(requirement, spectra)


def _of_mean(window: Window) -> Sensitivity:
    return Sensitivity(
        np.arange(window.needed.start, window.needed.stop), window.weights[np.newaxis]
    )


def _of_value(window: Window) -> Sensitivity:
    if window.before is None:
        return Sensitivity(np.array([window.start]), np.ones((1, 1)))
    point, share = window.before.point, window.before.share
    return Sensitivity(np.array([point, point + 1]), np.array([[1 - share, share]]))


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
    return Sensitivity(points, weights[np.newaxis, points])
