"""Resolution: the width of a narrow line, or a maximum against the minimum beside it."""

import math

import numpy as np

from speclake.errors import UnitError
from speclake.fitness.qualifying.peaks import find_line
from speclake.fitness.qualifying.reading import (
    COVERAGE_FACTOR,
    Reading,
    compared,
    not_measurable,
)
from speclake.fitness.qualifying.scan import Measured, Scan
from speclake.standards.programmes import Resolution

REACH_NM = 5.0
"""To both sides of a line."""
REACH_OF_EXTREME_NM = 1.0
"""To both sides of a maximum or minimum."""


def resolution(check: Resolution, scan: Scan) -> list[Reading]:
    """Full width at half height of a line in nm, or the ratio of two absorbances.

    The width is that of the slit function where the line itself is far narrower. The ratio is that
    of toluene in hexane, 269 nm to 266 nm, and its like: both absorbances are extremes near the
    stated wavelengths, so that a scale that is off does not count as poor resolution.

    References
    ----------
    European Pharmacopoeia 2.2.25, resolution: 0.02 % (V/V) toluene in hexane, a ratio of at least
    1.5.
    """
    if check.line_nm is not None:
        assert check.largest_width_nm is not None
        line, reach = check.line_nm, (check.line_nm - REACH_NM, check.line_nm + REACH_NM)
        found = find_line(scan, line, reach)
        if isinstance(found, str):
            return [not_measurable(found, "nm", line)]
        return [
            compared(
                found.width,
                COVERAGE_FACTOR * found.width_uncertainty,
                (None, check.largest_width_nm),
                check.rule,
                unit="nm",
                at=found.at,
            )
        ]
    return [_ratio(check, scan)]


def _ratio(check: Resolution, scan: Scan) -> Reading:
    assert check.maximum_nm is not None and check.minimum_nm is not None
    try:
        scan = scan.as_unit("A")
    except UnitError as error:
        return not_measurable(str(error), "ratio")
    top = _extreme(scan, check.maximum_nm, 1.0)
    bottom = _extreme(scan, check.minimum_nm, -1.0)
    for each in (top, bottom):
        if isinstance(each, str):
            return not_measurable(each, "ratio")
    assert not isinstance(top, str) and not isinstance(bottom, str)
    if not bottom.value > COVERAGE_FACTOR * bottom.standard_uncertainty:
        words = f"the absorbance near {check.minimum_nm:g} nm does not stand out of the noise"
        return not_measurable(words, "ratio")
    ratio = top.value / bottom.value
    # of a quotient, the two noises being independent
    uncertainty = math.hypot(top.standard_uncertainty, ratio * bottom.standard_uncertainty)
    return compared(
        ratio,
        COVERAGE_FACTOR * uncertainty / bottom.value,
        (check.least_ratio, None),
        check.rule,
        unit="ratio",
        at=check.maximum_nm,
    )


def _extreme(scan: Scan, near: float, sign: float) -> Measured | str:
    """Greatest (`sign` 1) or least (-1) absorbance around a wavelength.

    It is read at the place of the extreme of a parabola of least squares, so that noise does not
    pick the number; where there is no extreme, as when two bands are one, at the stated place.
    """
    part = scan.between(near - REACH_OF_EXTREME_NM, near + REACH_OF_EXTREME_NM)
    short = part.is_short_of(near - REACH_OF_EXTREME_NM, near + REACH_OF_EXTREME_NM, scan.interval)
    if short is not None or part.nm.size < 5:
        return short or f"there are {part.nm.size} points around {near:g} nm, too few"
    t = part.nm - near
    basis = np.vander(t, 3)
    solve = np.linalg.pinv(basis)
    a, b, _ = (float(c) for c in solve @ part.values)
    at = -b / (2 * a) if a * sign < 0 else 0.0
    at = at if abs(at) <= REACH_OF_EXTREME_NM else 0.0
    weights = np.array([at * at, at, 1.0]) @ solve
    noise = scan.noise_at(near) * scan.scatter(weights)
    return Measured(float(weights @ part.values), noise)
