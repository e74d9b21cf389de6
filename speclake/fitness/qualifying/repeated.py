"""Checks that take several scans of one piece: drift and repeatability."""

import math
from datetime import timedelta
from typing import NamedTuple

import numpy as np

from speclake.errors import UnitError
from speclake.fitness.qualifying.reading import (
    COVERAGE_FACTOR,
    Reading,
    Setup,
    compared,
    not_measurable,
)
from speclake.fitness.qualifying.scan import Scan
from speclake.specs.verdicts import Outcome
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.standards.programmes import Drift, Repeatability
from speclake.units import SpectralUnit

LEAST_FOR_DRIFT = 3
CONFIDENCE = 0.95
"""Of the interval of a standard deviation and of a slope, two-sided."""


class _Values(NamedTuple):
    """Values at one wavelength, and the standard deviation of their noise (rms of all scans)."""

    values: FloatArray
    noise: float


def recent(setup: Setup, within_h: float, most: int | None = None) -> list[int]:
    """Rows of the scans within some hours before the last one, the latest `most` of them."""
    last = max(setup.taken_at)
    span = timedelta(hours=within_h)
    rows = sorted(range(len(setup.taken_at)), key=lambda row: setup.taken_at[row])
    rows = [row for row in rows if last - setup.taken_at[row] <= span]
    return rows if most is None else rows[-most:]


def drift(check: Drift, spectra: SpectrumSet, setup: Setup) -> list[Reading]:
    """Slope of the values at one wavelength against time, by least squares, a unit an hour.

    Its uncertainty is the half-width of the 95 % confidence interval, Student's t with n - 2
    degrees of freedom times the standard error of the slope; not less than the noise of the single
    values gives (k = 2), since three of them may lie on a line by chance.
    """
    unit = f"{check.unit}/h"
    rows = recent(setup, check.within_h)
    if len(rows) < LEAST_FOR_DRIFT:
        words = f"{len(rows)} scans in {check.within_h:g} h; a drift needs {LEAST_FOR_DRIFT}"
        return [not_measurable(words, unit, check.at_nm)]
    found = _values(spectra, rows, check.at_nm, check.unit)
    if isinstance(found, str):
        return [not_measurable(found, unit, check.at_nm)]
    last = setup.taken_at[rows[-1]]
    hours = np.array([(setup.taken_at[row] - last).total_seconds() / 3600 for row in rows])
    if not np.ptp(hours) > 0:
        return [not_measurable("all scans have the same time", unit, check.at_nm)]
    slope, half = slope_with_interval(hours, found.values)
    of_noise = COVERAGE_FACTOR * found.noise / math.sqrt(float(np.var(hours) * hours.size))
    return [
        compared(
            slope,
            max(half, of_noise),
            (-check.largest_an_hour, check.largest_an_hour),
            check.rule,
            unit=unit,
            at=check.at_nm,
        )
    ]


def slope_with_interval(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of a straight line of least squares, and half of its 95 % confidence interval.

    Examples
    --------
    >>> slope, half = slope_with_interval(np.array([0.0, 1, 2, 3]), np.array([0.0, 1, 2, 3]))
    >>> print(f"{slope:g} {half:g}")
    1 0
    """
    from scipy.stats import t

    about = x - x.mean()
    spread = float(about @ about)
    slope = float(about @ y) / spread
    left = y - y.mean() - slope * about
    freedom = x.size - 2
    error = math.sqrt(max(float(left @ left), 0.0) / freedom / spread)
    return slope, float(t.ppf((1 + CONFIDENCE) / 2, freedom)) * error


def repeatability(check: Repeatability, spectra: SpectrumSet, setup: Setup) -> list[Reading]:
    """Standard deviation of the values at one wavelength.

    What of it is known is its 95 % interval from the chi-square distribution, which is wide for few
    scans and not symmetric; guarded, the whole interval has to lie on one side of the limit. The
    uncertainty told is half of the interval.
    """
    rows = recent(setup, check.within_h, check.scans)
    if len(rows) < check.scans:
        words = f"{len(rows)} scans in {check.within_h:g} h; {check.scans} are asked for"
        return [not_measurable(words, check.unit, check.at_nm)]
    found = _values(spectra, rows, check.at_nm, check.unit)
    if isinstance(found, str):
        return [not_measurable(found, check.unit, check.at_nm)]
    count = found.values.size
    if not np.ptp(found.values) > 0:
        words = f"all {count} scans read {found.values[0]:g} {check.unit}: no scatter can be told"
        return [not_measurable(words, check.unit, check.at_nm)]
    deviation = float(np.std(found.values, ddof=1))
    low, high = interval_of_deviation(deviation, count)
    limit = check.largest_sd
    if check.rule == "simple acceptance":
        outcome = Outcome.PASS if deviation <= limit else Outcome.FAIL
    elif high <= limit:
        outcome = Outcome.PASS
    else:
        outcome = Outcome.FAIL if low > limit else Outcome.UNDECIDED
    said = (
        f"{deviation:.3g} {check.unit} from {count} scans, 95 % interval {low:.3g} to "
        f"{high:.3g} {check.unit}"
    )
    reason = {
        Outcome.FAIL: f"{said}: above {limit:g} {check.unit}",
        Outcome.UNDECIDED: f"{said}: too near to {limit:g} {check.unit}; more scans narrow it",
    }.get(outcome, said)
    return [
        Reading(
            at=check.at_nm,
            value=deviation,
            uncertainty=(high - low) / 2,
            high=limit,
            unit=check.unit,
            outcome=outcome,
            reason=reason,
        )
    ]


def interval_of_deviation(deviation: float, count: int) -> tuple[float, float]:
    """95 % interval of a standard deviation of `count` normally distributed values.

    s sqrt(f / chi2(0.975, f)) to s sqrt(f / chi2(0.025, f)) with f = n - 1.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8, chi-square test for the standard
    deviation; section number from memory.

    Examples
    --------
    >>> print("{:.3f} {:.3f}".format(*interval_of_deviation(1.0, 6)))
    0.624 2.453
    """
    from scipy.stats import chi2

    freedom = count - 1
    ends = chi2.ppf([(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2], freedom)
    return deviation * math.sqrt(freedom / ends[0]), deviation * math.sqrt(freedom / ends[1])


def _values(spectra: SpectrumSet, rows: list[int], nm: float, unit: SpectralUnit) -> _Values | str:
    found, noise = [], []
    for row in rows:
        try:
            value = Scan.of(spectra, row).as_unit(unit).value_at(nm)
        except UnitError as error:
            return str(error)
        if isinstance(value, str):
            return value
        found.append(value.value)
        noise.append(value.standard_uncertainty)
    return _Values(np.array(found), float(np.sqrt(np.mean(np.square(noise)))))
