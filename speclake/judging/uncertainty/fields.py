"""Errors drawn for the points of an axis: what a Monte Carlo calculation adds to a spectrum.

The same errors are drawn for every spectrum on an axis, so that the number of one spectrum never
depends on its company; they hang on a text alone, which names requirement and axis.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from speclake.judging.uncertainty.lines import size_in
from speclake.specs.requirements.uncertainty import BudgetLine
from speclake.spectrum import FloatArray
from speclake.units import SpectralUnit

SHIFTS = 25
"""Values that an error of the wavelength scale takes, all equally probable."""


@dataclass(frozen=True, eq=False)
class Errors:
    """Errors drawn for the points of an axis.

    Parameters
    ----------
    added : shape (draws, q) or (draws, 1), in the unit of the spectra; None for no errors.
    scale : shape (draws, q) or (draws, 1), by which each value is multiplied; None for no errors.
    shifts_nm : shape (groups,), by how much all wavelengths of a group of draws are moved.
    groups : the draws of each group.
    """

    added: FloatArray | None
    scale: FloatArray | None
    shifts_nm: FloatArray
    groups: tuple[slice, ...]

    def put(self, values: FloatArray, group: slice, drawn: FloatArray) -> None:
        """Put values, shape (n, q), with the errors of a group into `drawn`, (n, draws, q)."""
        apart = values[:, np.newaxis, :]
        if self.scale is None:
            drawn[...] = apart
        else:
            np.multiply(apart, self.scale[group], out=drawn)
        if self.added is not None:
            drawn += self.added[group]


def errors_of(
    lines: Sequence[tuple[int, BudgetLine]],
    at_nm: FloatArray,
    unit: SpectralUnit,
    draws: int,
    named: str,
) -> Errors:
    """Errors of the lines of a budget, all drawn together.

    Parameters
    ----------
    lines : each with its number in the budget, which its errors hang on.
    at_nm : shape (q,), positions of the points.
    unit : unit of the spectra.
    named : text that the errors hang on.
    """
    sums: dict[bool, FloatArray] = {}
    for number, line in lines:
        if line.unit != "nm":
            is_relative = line.unit == "% of the value"
            size = line.standard / 100.0 if is_relative else size_in(line, unit)
            field = size * _field(line, at_nm, draws, f"{named}|{number}")
            sums[is_relative] = sums[is_relative] + field if is_relative in sums else field
    moved = float(np.sqrt(sum(line.standard**2 for _, line in lines if line.unit == "nm")))
    count = SHIFTS if moved > 0 else 1
    bounds = [round(draws * number / count) for number in range(count + 1)]
    return Errors(
        added=sums.get(False),
        scale=1.0 + sums[True] if True in sums else None,
        shifts_nm=spread(count) * moved,
        groups=tuple(slice(*ends) for ends in pairwise(bounds)),
    )


def spread(count: int) -> FloatArray:
    """Equally probable values of the standard normal distribution, with its standard deviation.

    Examples
    --------
    >>> print(spread(4).round(2))
    [-1.36 -0.38  0.38  1.36]
    """
    if count == 1:
        return np.zeros(1)
    normal = NormalDist()
    places = [normal.inv_cdf((number + 0.5) / count) for number in range(count)]
    found: FloatArray = np.array(places) - np.array(places[::-1])
    return found / float(np.sqrt(np.mean(found**2)))


def _field(line: BudgetLine, at_nm: FloatArray, draws: int, named: str) -> FloatArray:
    """Errors of one line with a standard deviation of one, shape (draws, q) or (draws, 1)."""
    if line.correlation == "full":
        # one number a draw: spread evenly, it leaves the least to chance
        return spread(draws)[np.argsort(_uniform((draws,), named)), np.newaxis]
    found = _normal((draws, at_nm.size), named)
    if line.correlation_length_nm is not None:
        kept = np.exp(-np.abs(np.diff(at_nm)) / line.correlation_length_nm)
        for point in range(1, at_nm.size):
            share = kept[point - 1]
            found[:, point] *= np.sqrt(1.0 - share**2)
            found[:, point] += share * found[:, point - 1]
    return found


def _uniform(shape: tuple[int, ...], named: str) -> FloatArray:
    """Numbers above zero and up to one, which hang on a text alone.

    Of NumPy's generators only the raw stream is promised to stay the same.
    """
    seed = int.from_bytes(hashlib.sha256(named.encode()).digest(), "big")
    raw = np.asarray(np.random.PCG64(seed).random_raw(int(np.prod(shape))))
    whole = (raw >> np.uint64(11)).astype(np.float64)
    return (whole + 1.0).reshape(shape) * 2.0**-53


def _normal(shape: tuple[int, int], named: str) -> FloatArray:
    """Standard normal numbers, which hang on a text alone.

    References
    ----------
    G. E. P. Box, M. E. Muller, A note on the generation of random normal deviates, Annals of
    Mathematical Statistics 29 (1958) 610-611.
    """
    radius = np.sqrt(-2.0 * np.log(_uniform(shape, f"{named}|radius")))
    found: FloatArray = radius * np.cos(2.0 * np.pi * _uniform(shape, f"{named}|angle"))
    return found
