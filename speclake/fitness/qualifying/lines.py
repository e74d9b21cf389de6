"""Flatness and noise of 100 % and 0 % lines."""

import math

import numpy as np

from speclake.errors import UnitError
from speclake.fitness.qualifying.reading import (
    COVERAGE_FACTOR,
    Reading,
    compared,
    not_measurable,
)
from speclake.fitness.qualifying.scan import Scan
from speclake.spectrum import FloatArray
from speclake.standards.programmes import Flatness, Noise

MEAN_OF = 11
"""Neighbouring points that a place of a line is the mean of."""
TREND_POINTS = 50
"""Points from which a trend is taken out of a line before its noise is counted."""


def flatness(check: Flatness, scan: Scan) -> list[Reading]:
    """Greatest deviation of the line from its level anywhere in the band, in percent.

    A place of the line is the mean of 11 neighbouring points, so that single noisy points do not
    make the line uneven; common practice. The uncertainty is that of such a mean.
    """
    try:
        scan = scan.as_percent()
    except UnitError as error:
        return [not_measurable(str(error), "%")]
    part = scan.between(*check.band)
    short = part.is_short_of(*check.band, scan.interval)
    if short is not None or part.nm.size < MEAN_OF:
        words = f"{part.nm.size} points in the band; a flatness needs {MEAN_OF}"
        return [not_measurable(short or words, scan.unit)]
    ones = np.full(MEAN_OF, 1.0 / MEAN_OF)
    means = np.convolve(part.values, ones, "valid")
    places = np.convolve(part.nm, ones, "valid")
    worst = int(np.argmax(np.abs(means - check.level_percent)))
    noise = part.noise * part.scatter(ones)
    return [
        compared(
            float(means[worst]),
            COVERAGE_FACTOR * noise,
            (-check.largest_deviation_percent, check.largest_deviation_percent),
            check.rule,
            unit=scan.unit,
            expected=float(check.level_percent),
            at=float(places[worst]),
        )
    ]


def noise(check: Noise, scan: Scan) -> list[Reading]:
    """Rms of what is left of the line in the band without its slow course, in the unit asked for.

    The course is a straight line of least squares in each run of about 50 points, and the sum of
    squares is divided by its degrees of freedom. The uncertainty is that of an rms of normally
    distributed noise, rms / sqrt(2 f), with f degrees of freedom, of which points that share their
    noise have one together.
    """
    try:
        scan = scan.as_unit(check.unit)
    except UnitError as error:
        return [not_measurable(str(error), check.unit)]
    part = scan.between(*check.band)
    short = part.is_short_of(*check.band, scan.interval)
    if short is not None or part.nm.size < MEAN_OF:
        words = f"{part.nm.size} points in the band; a noise needs {MEAN_OF}"
        return [not_measurable(short or words, check.unit)]
    runs = max(1, round(part.nm.size / TREND_POINTS))
    squares, freedom = 0.0, 0
    for x, y in zip(np.array_split(part.nm, runs), np.array_split(part.values, runs), strict=True):
        squares += _squares_about_line(x, y)
        freedom += x.size - 2
    rms = math.sqrt(squares / freedom)
    return [
        compared(
            rms,
            COVERAGE_FACTOR * rms / math.sqrt(2 * max(freedom / part.points_alike, 1.0)),
            (None, check.largest_rms),
            check.rule,
            unit=check.unit,
        )
    ]


def _squares_about_line(x: FloatArray, y: FloatArray) -> float:
    left = y - np.polyval(np.polyfit(x - x.mean(), y, 1), x - x.mean())
    return float(left @ left)
